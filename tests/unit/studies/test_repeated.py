"""When a report tells of rows that were tried again and again, and that nothing is worked out where none was."""

from __future__ import annotations

import subprocess
import sys
from contextlib import ExitStack
from pathlib import Path

import pytest
from click.testing import CliRunner

from harness.cli import cli
from harness.core.model import Step
from harness.measure.sequential import Decision
from harness.measure.trials import Asked, Shown
from harness.report.repeated import Repeated
from harness.results.judging import JudgedRecord, judge_record
from harness.results.steps import RETEST_EVENT
from harness.run.trials import CLAIM_EVENT, Claim
from harness.studies.measuring import measured
from harness.studies.repeated import repeated, repeated_of, trials_for_median
from tests.peers.records import SITE, STARTED_UTC_NS, RecordMaker, S

ODD = SITE.replace("point: low}", 'point: "lo[w]*"}')
"""A point whose name is made of what patterns are made of."""


def record(
    path: Path,
    trials: int,
    *,
    misses: tuple[int, ...] = (),
    claim: Claim | None = None,
    again_s: float | None = None,
    day: int = 0,
) -> Path:
    """An alarm at one input, raised so many times."""
    started = STARTED_UTC_NS + day * 86_400 * S
    maker = RecordMaker(path, seconds=20 * trials + 10, up=("bms",), text=ODD, started_utc_ns=started)
    maker.plan("a.low", "b.leak")
    if claim is not None:
        maker.event(CLAIM_EVENT, 0.1, **claim.to_data())
    for number in range(trials):
        begins = 5.0 + 20 * number + number * 37 % 100 / 1000
        maker.stimulus(f"{number:04d}", "a.low", begins, begins + 5, shows="" if number in misses else "own")
    if again_s is not None:
        maker.event(RETEST_EVENT, again_s, alarm="a.low", reason="again")
    return maker.close()


def judged(stack: ExitStack, *paths: Path) -> list[JudgedRecord]:
    found = [judge_record(path) for path in paths]
    for one in found:
        stack.callback(one.reader.close)
    return found


def told(*paths: Path, asked: Asked | None = None) -> Repeated | None:
    with ExitStack() as stack:
        return repeated(judged(stack, *paths), asked)


def test_one_trial_is_nothing_to_tell_of_and_loads_no_statistics(tmp_path: Path) -> None:
    path = record(tmp_path / "one.farend", 1)
    assert told(path) is None
    code = (
        "import sys; from harness.cli import cli\n"
        f"code = cli(['report', {str(path)!r}, '--html', {str(tmp_path / 'one.html')!r}], standalone_mode=False)\n"
        "loaded = {it for it in sys.modules if it.startswith(('harness.studies.m', 'harness.measure'))}\n"
        "print(code, sorted(loaded & {'harness.studies.measuring', 'harness.measure.trials',\n"
        "    'harness.measure.mixture', 'harness.measure.likelihood_ratio', 'harness.report.html_measured'}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=tmp_path)  # noqa: S603
    assert done.stdout.split(maxsplit=1)[1].strip() == "[]"
    assert (tmp_path / "one.html").stat().st_size > 10_000


def test_a_second_trial_that_was_not_run_is_none(tmp_path: Path) -> None:
    maker = RecordMaker(tmp_path / "r.farend", seconds=60, up=("bms",))
    maker.plan("a.low")
    maker.stimulus("0001", "a.low", 5, 10)
    maker.step("0002", "a.low", Step.RAISE, 30, proven=False)
    assert told(maker.close()) is None


def test_of_few_trials_how_often_is_told_and_no_time_is_estimated(tmp_path: Path) -> None:
    found = told(record(tmp_path / "r.farend", 5, misses=(2,)))
    assert found is not None
    assert found.told is None
    (row,) = found.few
    assert (row.count(Shown.SHOWN), row.count(Shown.MISSED)) == (4, 1)
    assert (found.enough, found.records) == (6, 1)


def test_of_enough_trials_the_numbers_are_those_that_measure_tells(tmp_path: Path) -> None:
    path = record(tmp_path / "r.farend", 6)
    with ExitStack() as stack:
        records = judged(stack, path)
        found, whole = repeated(records), measured(records, Asked())
    assert found is not None
    assert found.told is not None
    assert found.told.rows == whole.rows
    assert [it.row.point for it in found.told.rows] == ["lo[w]*"]
    assert found.few == ()


def test_trials_of_several_records_are_counted_together(tmp_path: Path) -> None:
    paths = [record(tmp_path / f"{number}.farend", trials) for number, trials in enumerate((1, 2))]
    found = told(*paths)
    assert found is not None
    assert [len(it.trials) for it in found.few] == [3]
    assert found.records == 2
    single = [record(tmp_path / f"again-{number}.farend", 1, day=number) for number in range(6)]
    assert told(*single[:5]) is None, "what was tested once more on another day was not tried again and again"
    found = told(*single)
    assert found is not None
    assert found.told is not None
    assert [len(it.row.trials) for it in found.told.rows] == [6]


def test_what_a_person_wanted_again_is_no_second_trial(tmp_path: Path) -> None:
    path = record(tmp_path / "r.farend", 2, again_s=24)
    assert told(path) is None
    with ExitStack() as stack:
        assert repeated_of(measured(judged(stack, path), Asked())) is None


def test_what_was_claimed_is_told_however_few_trials_decided_it(tmp_path: Path) -> None:
    claim = Claim(share=0.95, trials_max=100)
    found = told(record(tmp_path / "r.farend", 1, misses=(0,), claim=claim))
    assert found is not None
    assert found.told is not None
    assert [it.decided.decision for it in found.told.claims] == [Decision.REFUTED]
    assert (found.told.rows, found.few) == ((), ())


def test_what_was_measured_already_is_not_measured_again(tmp_path: Path) -> None:
    with ExitStack() as stack:
        records = judged(stack, record(tmp_path / "r.farend", 6))
        found, again = repeated(records), repeated_of(measured(records, Asked()))
    assert found == again


@pytest.mark.parametrize(("confidence", "trials"), [(0.5, 2), (0.8, 4), (0.95, 6), (0.99, 8)])
def test_trials_for_a_median(confidence: float, trials: int) -> None:
    """Order statistics: that all of n lie on one side of the median has a chance of 2 * 0.5^n; 6 at 95 %, 8 at 99 %."""
    assert trials_for_median(confidence) == trials


def test_the_commands_write_it_into_the_page(tmp_path: Path) -> None:
    path, page = record(tmp_path / "r.farend", 6, misses=(1, 2)), tmp_path / "page.html"
    done = CliRunner().invoke(cli, ["report", str(path), "--html", str(page)], standalone_mode=False)
    assert done.exception is None, done.output
    first = page.read_text(encoding="utf-8")
    assert "4 of 6" in first
    assert "they hold the true one with 95 %" in first
    done = CliRunner().invoke(
        cli, ["measure", str(path), "--confidence", "90%", "--html", str(page)], standalone_mode=False
    )
    assert done.exception is None, done.output
    text = page.read_text(encoding="utf-8")
    assert "they hold the true one with 90 %" in text
    assert "only of those that fit" not in text
    CliRunner().invoke(cli, ["measure", str(path), "--only", "a.*", "--html", str(page)], standalone_mode=False)
    assert "tried again and again, and only of those that fit a.*. Polls" in page.read_text(encoding="utf-8")
    done = CliRunner().invoke(cli, ["measure", str(path), "--html", str(tmp_path / "no" / "a.html")])
    assert "its folder does not exist; make it first" in str(done.exception)
    assert page.read_text(encoding="utf-8") != first
    CliRunner().invoke(cli, ["report", str(path), "--html", str(page)], standalone_mode=False)
    assert page.read_text(encoding="utf-8") == first, "the same record gives the same bytes"
