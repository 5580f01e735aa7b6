"""Silence, acknowledge and reset in whole tests of the simulated site, in virtual time.

Three alarms of the demo: two horns that lock in and one that follows, all released by silence; the last alarm is tested
both ways, acknowledged before its clear and after it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

from harness.core.model import Result, Stimulus
from harness.core.verdicts import Verdict, VerdictClass
from harness.results.judging import JudgedRecord
from harness.results.steps import STEP_EVENT
from tests.peers.defect_runs import Trial, run_trial

ALARMS = ("bulk-a.high-high", "bulk-b.high", "bulk-a.interstitial-leak")
BOTH_WAYS = "bulk-a.interstitial-leak"
HORN = "bms:00001"
LATCHED = "bms:40102.0"
FOLLOWS = "bms:10017"


@contextmanager
def run_with(folder: Path, *defects: str) -> Iterator[JudgedRecord]:
    """A judged test of the three alarms at the panel and the building automation system."""
    outcome = run_trial(folder, Trial(defects=defects, seed=5, alarms=ALARMS, links=("panel", "bms")))
    assert outcome.why == ""
    try:
        yield outcome.judged
    finally:
        outcome.judged.reader.close()


def of(judged: JudgedRecord, alarm: str, point: str) -> list[Result]:
    """The results of an alarm at a point, in the order of raising."""
    return [it for it in judged.judgement.results if (it.alarm, it.point) == (alarm, point)]


def wrong(judged: JudgedRecord) -> list[tuple[str, str]]:
    """Alarm and point of all that did not pass."""
    results = judged.judgement.results
    return [(it.alarm, it.point) for it in results if it.verdict.verdict_class is not VerdictClass.PASS]


def steps_of(judged: JudgedRecord, alarm: str) -> list[list[str]]:
    """The steps of every stimulus of an alarm in the order in which they were done."""
    found: dict[str, list[str]] = {}
    for event in judged.reader.events(STEP_EVENT):
        if event.data["alarm"] == alarm:
            assert event.data["proven"] is True
            found.setdefault(str(event.data["stimulus"]), []).append(str(event.data["step"]))
    return list(found.values())


def test_a_healthy_site_goes_silent_on_silence_and_holds_over_the_clear(tmp_path: Path) -> None:
    with run_with(tmp_path) as judged:
        assert wrong(judged) == []
        assert judged.judgement.strays == ()
        assert steps_of(judged, "bulk-b.high") == [["raise", "silence", "acknowledge", "clear"]]
        before, after = steps_of(judged, BOTH_WAYS)
        assert before == ["raise", "silence", "acknowledge", "clear"]
        assert after == ["raise", "silence", "clear", "acknowledge"]
        for alarm in ALARMS:
            for result in of(judged, alarm, HORN):
                stimulus = next(it for it in judged.evidence.stimuli if it.id == result.stimulus)
                _is_silenced(result, stimulus)
        held = of(judged, BOTH_WAYS, LATCHED)[1]
        cleared = next(it for it in judged.evidence.stimuli if it.id == held.stimulus).cleared
        assert held.end is not None
        assert cleared is not None
        assert held.end.lo > cleared.hi, "it was seen on after the clear"


def _is_silenced(result: Result, stimulus: Stimulus) -> None:
    """It went silent after the silence and surely before the next step."""
    assert result.end is not None
    assert stimulus.silenced is not None
    assert stimulus.acknowledged is not None
    assert stimulus.cleared is not None
    assert result.end.hi >= stimulus.silenced.lo
    assert result.end.hi <= min(stimulus.acknowledged.lo, stimulus.cleared.lo)


@pytest.mark.parametrize(
    ("defect", "alarm", "point", "verdicts", "code"),
    [
        ("not-silenced@bms.horn", "bulk-b.high", HORN, [Verdict.STUCK], "not-silenced"),
        ("silenced-too:bulk-b.high@bms", "bulk-b.high", "bms:10008", [Verdict.BRIEF], "silenced-too"),
        # acknowledged before the clear both look alike: only the second raise can tell
        (f"unlatched:{BOTH_WAYS}@bms.latched", BOTH_WAYS, LATCHED, [Verdict.ON_TIME, Verdict.BRIEF], "not-held"),
        (f"latches:{BOTH_WAYS}@bms", BOTH_WAYS, FOLLOWS, [Verdict.ON_TIME, Verdict.STUCK], "latched"),
    ],
)
def test_what_a_step_does_wrong_fails_by_name(
    tmp_path: Path, defect: str, alarm: str, point: str, verdicts: Sequence[Verdict], code: str
) -> None:
    with run_with(tmp_path, defect) as judged:
        found = of(judged, alarm, point)
        assert [it.verdict for it in found] == list(verdicts)
        assert [cause.code for cause in found[-1].causes] == [code]
        assert {it[1] for it in wrong(judged)} == {point}, "nothing else is blamed"
