"""A comparison of two runs as JUnit XML: one suite for each alarm, one case for each expectation.

What regressed or vanished is a failure, what is unknown, or was not compared, and not allowed an error; what fails as
before, and what is allowed by name, is skipped, since it is no regression and no pass either. New strays and slower
links are cases of suites of their own.
"""

from __future__ import annotations

from xml.etree import ElementTree as ET

from harness.measure.run_comparison import Finding, Lack, Outcome, RowCompared, WholeLink
from harness.report.compare_methods import method_words
from harness.report.compare_words import (
    HEADS,
    link_compared_words,
    reasons,
    result_words,
    run_words,
    side_words,
    stray_words,
    takes_words,
    whole_words,
)
from harness.report.comparison import ComparisonDocument
from harness.report.safe import safe_text


def render_compare_junit(document: ComparisonDocument) -> str:
    """The whole comparison, ended by a line feed."""
    root = ET.Element("testsuites", name=safe_text(f"{document.site} compared"))
    suites: dict[str, list[ET.Element]] = {}
    for row in document.compared.rows:
        suites.setdefault(row.pair.alarm, []).append(_case(row, document))
    strays = [
        _plain_case("stray", f"at {it.point}", stray_words(it) if it.is_new else "")
        for it in document.strays
        if it.after
    ]
    if strays:
        suites["stray"] = strays
    if document.compared.links:
        suites["links as a whole"] = [_whole_case(it, document) for it in document.compared.links]
    if document.two_rates:
        slowed = {it.link for it in document.slowed}
        suites["polled at two rates"] = [
            _plain_case(
                "polled at two rates", it.link, link_compared_words(it, two_rates=True) if it.link in slowed else ""
            )
            for it in document.links
            if not it.is_same_rate
        ]
    for name, cases in suites.items():
        suite = ET.SubElement(root, "testsuite", name=safe_text(name))
        _count(suite, cases)
        _properties(suite, _facts(document))
        suite.extend(cases)
    _count(root, [case for cases in suites.values() for case in cases])
    ET.indent(root, space=" ")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _facts(document: ComparisonDocument) -> list[tuple[str, str]]:
    told = [("before", run_words(document.before)), ("after", run_words(document.after))]
    told += [("result", result_words(document))]
    told += [(f"method-{number}", text) for number, text in enumerate(method_words(document), start=1)]
    for word, run in (("before", document.before), ("after", document.after)):
        told += [(f"{word}-record", f"{name} sha256={sha256}") for name, sha256 in run.records]
    return told + [("note", text) for text in document.notes]


def _case(row: RowCompared, document: ComparisonDocument) -> ET.Element:
    pair, compared = row.pair, document.compared
    case = ET.Element("testcase", classname=safe_text(pair.alarm), name=safe_text(pair.point))
    told = [("expectation", pair.key), ("outcome", row.outcome.value)]
    told += [("before", side_words(pair.before)), ("after", side_words(pair.after))]
    for it in row.compared:
        counted = "" if it.adjusted is None else f", adjusted {it.adjusted:.3g}"
        told.append(
            (
                it.kind.value,
                f"{it.finding.value}; {it.before} against {it.after} trials; chance {it.chance:.3g}{counted}",
            )
        )
    _properties(case, told)
    if row.is_failing or row.outcome is Outcome.NOT_COMPARED:
        message = "; ".join(reasons(row, compared.asked, compared.tests))
        if row.lack is Lack.FEW:
            message += f"; {takes_words(compared)}"
        tag = "error" if row.outcome in (Outcome.UNKNOWN, Outcome.NOT_COMPARED) else "failure"
        told_of = ET.SubElement(case, tag, message=safe_text(message), type=row.outcome.value)
        told_of.text = safe_text(f"{HEADS[row.outcome]}: {pair.key}: {message}")
    elif row.outcome in (Outcome.STILL_FAILS, Outcome.ALLOWED):
        message = "; ".join(reasons(row, compared.asked, compared.tests))
        ET.SubElement(case, "skipped", message=safe_text(f"{HEADS[row.outcome]}: {message}"))
    return case


def _whole_case(it: WholeLink, document: ComparisonDocument) -> ET.Element:
    slower = {one.link for one in document.compared.slower_links}
    words = whole_words(it, document.compared.tests) if it.link in slower else ""
    case = _plain_case("links as a whole", it.link, words)
    if it.finding is Finding.TOO_FEW:  # its rows have errors, unless they have enough trials each
        ET.SubElement(case, "skipped", message=f"too few pairs of trials to compare it as a whole: {it.pairs:,}")
    return case


def _plain_case(classname: str, name: str, failure: str) -> ET.Element:
    case = ET.Element("testcase", classname=classname, name=safe_text(name))
    if failure:
        ET.SubElement(case, "failure", message=safe_text(failure), type=classname).text = safe_text(failure)
    return case


def _count(element: ET.Element, cases: list[ET.Element]) -> None:
    element.set("tests", str(len(cases)))
    for tag, attribute in (("failure", "failures"), ("error", "errors"), ("skipped", "skipped")):
        element.set(attribute, str(sum(case.find(tag) is not None for case in cases)))


def _properties(parent: ET.Element, told: list[tuple[str, str]]) -> None:
    properties = ET.SubElement(parent, "properties")
    for name, value in told:
        ET.SubElement(properties, "property", name=name, value=safe_text(value))
