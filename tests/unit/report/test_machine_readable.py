"""JSON and JUnit: read back by other readers, the same everywhere, and an unknown is never a pass."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import junitparser
import pytest

from harness.core.instants import FOREVER
from harness.core.verdicts import Verdict, VerdictClass
from harness.report.document import ReportDocument
from harness.report.html import render_html
from harness.report.json_ import render_json
from harness.report.junit import render_junit
from harness.report.standing import standing_of
from harness.report.text import render_text

ROOT = Path(__file__).resolve().parents[3]
GOLDEN = ROOT / "tests" / "golden" / "report"


def _texts(value: Any) -> list[Any]:
    if isinstance(value, dict):
        return [text for item in value.values() for text in _texts(item)]
    return [text for item in value for text in _texts(item)] if isinstance(value, list) else [value]


@pytest.mark.parametrize(
    ("name", "render"),
    [
        ("small.json", render_json),
        ("small.xml", render_junit),
        ("small.txt", lambda document: render_text(document, width=120)),
        ("small-80-ascii.txt", lambda document: render_text(document, width=80, ascii_only=True)),
    ],
)
def test_the_golden_files(small_document: ReportDocument, name: str, render: Callable[[ReportDocument], str]) -> None:
    """FAREND_WRITE_GOLDEN=1 writes them anew; then read the difference before committing it."""
    told = render(small_document).encode()
    if os.environ.get("FAREND_WRITE_GOLDEN") == "1":
        (GOLDEN / name).write_bytes(told)
    assert told == (GOLDEN / name).read_bytes()


def test_json_is_canonical_whole_numbers_and_open_ends_are_null(document: ReportDocument) -> None:
    told = render_json(document)
    assert told.isascii()
    whole = json.loads(told, parse_float=lambda text: pytest.fail(f"a float in the report: {text}"))
    assert json.dumps(whole, sort_keys=True, indent=1) + "\n" == told
    assert whole["schema"] == "farend-report/1"
    numbers = [one for one in _texts(whole) if isinstance(one, int)]
    assert not [one for one in numbers if abs(one) >= FOREVER - 10**15]
    stuck = next(one for one in whole["attempts"][1]["results"] if one["verdict"] == "stuck")
    assert stuck["end"][1] is None
    assert stuck["visible"][1] is None


def test_json_counts_what_stands(document: ReportDocument) -> None:
    counts, standing = json.loads(render_json(document))["counts"], standing_of(document)
    assert {one: counts[one] for one in VerdictClass} == {one: standing.count(one) for one in VerdictClass}
    assert counts["rows"] == len(document.site.expectations)
    assert counts["not_planned"] == 1
    assert sum(counts["verdicts"].values()) == counts["pass"] + counts["fail"] + counts["unknown"]


def test_json_refuses_a_float(document: ReportDocument) -> None:
    wrong = replace(document, attempts=(replace(document.attempts[0], seed=1.5), *document.attempts[1:]))  # type: ignore[arg-type]
    with pytest.raises(TypeError, match="float in a report"):
        render_json(wrong)


def test_junit_is_read_back_by_another_reader(document: ReportDocument, tmp_path: Path) -> None:
    path = tmp_path / "report.xml"
    path.write_text(render_junit(document), encoding="utf-8")
    standing = standing_of(document)
    suites = list(junitparser.JUnitXml.fromfile(str(path)))
    assert [suite.name for suite in suites] == [*document.site.alarms, "stray"]
    cases = [case for suite in suites for case in suite]
    assert len(cases) == len(standing.rows) + len(standing.strays)
    kinds: dict[type, int] = {}
    for case in cases:
        for outcome in case.result:
            kinds[type(outcome)] = kinds.get(type(outcome), 0) + 1
    assert kinds == {
        junitparser.Failure: standing.count(VerdictClass.FAIL),
        junitparser.Error: standing.count(VerdictClass.UNKNOWN),
        junitparser.Skipped: 1,
    }
    assert sum(case.is_passed for case in cases) == standing.count(VerdictClass.PASS)
    assert [suite.failures for suite in suites] == [
        sum(isinstance(outcome, junitparser.Failure) for case in suite for outcome in case.result) for suite in suites
    ]


@pytest.mark.parametrize("verdict", [one for one in Verdict if one is not Verdict.STRAY])
def test_no_verdict_but_a_pass_is_a_passed_case(document: ReportDocument, verdict: Verdict) -> None:
    newest = document.attempts[0]
    results = tuple(replace(result, verdict=verdict) for result in newest.judgement.results)
    changed = replace(newest, judgement=replace(newest.judgement, results=results))
    root = ET.fromstring(render_junit(replace(document, attempts=(changed,))))  # noqa: S314 - our own output
    cases = [case for case in root.iter("testcase") if case.find("skipped") is None]
    assert len(cases) == len(results) + len(newest.judgement.strays)
    passed = [case for case in cases if case.find("failure") is None and case.find("error") is None]
    assert len(passed) == (len(cases) if verdict.verdict_class is VerdictClass.PASS else 0)
    tag = {VerdictClass.FAIL: "failure", VerdictClass.UNKNOWN: "error"}.get(verdict.verdict_class)
    assert tag is None or all(case.find(tag) is not None for case in cases)


def test_a_row_that_was_not_reached_is_an_error(document: ReportDocument) -> None:
    newest = document.attempts[0]
    emptied = replace(newest, judgement=replace(newest.judgement, results=()))
    root = ET.fromstring(render_junit(replace(document, attempts=(emptied,))))  # noqa: S314 - our own output
    assert int(root.get("errors", "")) == len(newest.planned)


def test_an_alarm_named_stray_keeps_its_cases(document_of: Callable[[tuple[str, ...]], ReportDocument]) -> None:
    root = ET.fromstring(render_junit(document_of(("stray", "bulk-a.low"))))  # noqa: S314 - our own output
    assert [suite.get("name") for suite in root] == ["stray", "bulk-a.low", "stray"]


_ELSEWHERE = """
import hashlib, importlib.util, sys
from pathlib import Path
spec = importlib.util.spec_from_file_location("sample", Path("tests/unit/report/conftest.py"))
sample = importlib.util.module_from_spec(spec)
sys.modules["sample"] = sample
spec.loader.exec_module(sample)
from harness.report.html import render_html
from harness.report.json_ import render_json
from harness.report.junit import render_junit
from harness.report.text import render_text
document = sample.build_document()
for render in (render_json, render_junit, render_text, render_html):
    print(hashlib.sha256(render(document).encode()).hexdigest())
"""


@pytest.mark.parametrize(("seed", "zone", "locale"), [("1", "Asia/Kathmandu", "C"), ("77", "UTC", "tr_TR.UTF-8")])
def test_the_same_bytes_in_another_process_zone_and_locale(
    document: ReportDocument, seed: str, zone: str, locale: str
) -> None:
    environment = os.environ | {"PYTHONHASHSEED": seed, "TZ": zone, "LC_ALL": locale, "COLUMNS": "33"}
    told = subprocess.run(  # noqa: S603 - this interpreter, a fixed script
        [sys.executable, "-c", _ELSEWHERE], env=environment, cwd=ROOT, capture_output=True, text=True, check=True
    )
    here = [render(document) for render in (render_json, render_junit, render_text, render_html)]
    assert told.stdout.split() == [hashlib.sha256(text.encode()).hexdigest() for text in here]
