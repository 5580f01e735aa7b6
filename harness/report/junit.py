"""JUnit XML: one suite for each alarm, one case for each row of the point map. Unknown is an error, never a pass."""

from __future__ import annotations

from typing import Final
from xml.etree import ElementTree as ET

from harness.core.model import Cause, Result
from harness.core.verdicts import VerdictClass
from harness.report import human
from harness.report.correction_lines import head_words
from harness.report.document import ReportDocument
from harness.report.safe import safe_text
from harness.report.standing import Row, StandingStray, standing_of
from harness.report.words import CODES_FIRST, NOT_PLANNED, NOT_PLANNED_MEANING, NOT_TESTED

_TAG: Final = {VerdictClass.FAIL: "failure", VerdictClass.UNKNOWN: "error"}


def render_junit(document: ReportDocument) -> str:
    """The whole report as JUnit XML, ended by a line feed.

    A failed row has a ``failure``, an unknown one an ``error``; a row that no record set out to test is ``skipped``.
    Strays are cases of the suite ``stray``. Bounds are in the properties, in ns.
    """
    standing = standing_of(document)
    root = ET.Element("testsuites", name=safe_text(document.facts.name))
    by_alarm: dict[str, list[ET.Element]] = {}
    for row in standing.rows:
        by_alarm.setdefault(row.alarm.name, []).append(_case(row))
    suites = list(by_alarm.items())
    if standing.strays:
        suites.append(("stray", [_stray_case(document, at, one) for at, one in enumerate(standing.strays, start=1)]))
    for name, cases in suites:
        suite = ET.SubElement(root, "testsuite", name=safe_text(name))
        _count(suite, cases)
        _suite_properties(suite, document)
        suite.extend(cases)
    _count(root, [case for _, cases in suites for case in cases])
    ET.indent(root, space=" ")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _count(element: ET.Element, cases: list[ET.Element]) -> None:
    element.set("tests", str(len(cases)))
    for tag, attribute in (("failure", "failures"), ("error", "errors"), ("skipped", "skipped")):
        element.set(attribute, str(sum(case.find(tag) is not None for case in cases)))


def _suite_properties(suite: ET.Element, document: ReportDocument) -> None:
    facts = document.facts
    told = [
        ("site", facts.title.value),
        ("controller", f"{facts.controller.value} ({facts.controller.source})"),
        ("firmware", f"{facts.firmware.value} ({facts.firmware.source})"),
        ("caution", f"{NOT_TESTED} Proved only up to where farend read it. {CODES_FIRST}"),
    ]
    for position, attempt in enumerate(document.attempts):
        number = len(document.attempts) - position
        told.append(
            (f"attempt-{number}", f"{attempt.record} sha256={attempt.sha256} {human.utc(attempt.started_utc_ns)}")
        )
        told += [
            (f"attempt-{number}-correction-{one.number}", f"{head_words(one)}: {one.about}: {one.change}; {one.reason}")
            for one in attempt.corrections
        ]
    _properties(suite, told)


def _properties(parent: ET.Element, told: list[tuple[str, str]]) -> None:
    properties = ET.SubElement(parent, "properties")
    for name, value in told:
        ET.SubElement(properties, "property", name=name, value=safe_text(value))


def _case(row: Row) -> ET.Element:
    case = ET.Element("testcase", classname=safe_text(row.alarm.name), name=safe_text(row.point.name))
    told = [("expectation", row.expectation.key), ("behaviour", row.expectation.behaviour.value)]
    told += [("attempt", str(row.attempt))] if row.attempt is not None else []
    for result in row.results:
        told += [("stimulus", result.stimulus), ("verdict", result.verdict.value)]
        for name, value in (("latency_ns", result.latency), ("visible_ns", result.visible)):
            if value is not None:
                low = "" if value.is_open_below else str(value.lo)
                told.append((name, f"{low}..{'' if value.is_open_above else value.hi}"))
    _properties(case, told)
    if row.verdict is None:
        ET.SubElement(case, "skipped", message=f"{NOT_PLANNED}: {NOT_PLANNED_MEANING}")
    elif row.verdict.verdict_class is not VerdictClass.PASS:
        message = f"{row.verdict}: {row.reason or row.verdict.meaning}"
        told_of = ET.SubElement(
            case, _TAG[row.verdict.verdict_class], message=safe_text(message), type=row.verdict.value
        )
        told_of.text = safe_text(
            "\n\n".join(_result_text(row, one) for one in row.results) or message, keep_newlines=True
        )
    return case


def _result_text(row: Row, result: Result) -> str:
    limits = row.expectation.limits
    lines = [f"{result.verdict}: {result.reason or result.verdict.meaning} (stimulus {result.stimulus})"]
    if result.latency is not None:
        lines.append(f"latency {human.bounds(result.latency, against_ns=limits.appears_within_ns)}")
    if result.visible is not None:
        lines.append(f"visible {human.bounds(result.visible, against_ns=limits.visible_for_ns)}")
    lines += [f"assumed: {assumption}" for assumption in result.assumptions]
    lines += [_cause_text(cause) for cause in result.causes]
    return "\n".join(safe_text(line) for line in lines)


def _cause_text(cause: Cause) -> str:
    equals = "".join(f"; or, just as likely: {it.text}" for it in cause.equals)
    deciding = f"; this would decide: {cause.deciding}" if cause.deciding else ""
    return f"likely cause: {cause.text}{equals}; evidence: {cause.evidence}{deciding}; check next: {cause.next_check}"


def _stray_case(document: ReportDocument, number: int, one: StandingStray) -> ET.Element:
    case = ET.Element("testcase", classname="stray", name=f"{number} at {safe_text(one.stray.point)}")
    attempt = document.attempts[len(document.attempts) - one.attempt]
    onset = one.stray.onset
    seen = "not known" if onset.is_open_above else human.utc(attempt.utc_ns(onset.hi))
    message = f"{one.stray.verdict}: {one.stray.reason or one.stray.verdict.meaning}; seen by {seen}"
    failure = ET.SubElement(case, "failure", message=safe_text(message), type=one.stray.verdict.value)
    told = [message, *map(_cause_text, one.stray.causes)]
    failure.text = "\n".join(safe_text(line) for line in told)
    return case
