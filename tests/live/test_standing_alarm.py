"""An alarm that stands before anything is raised: refused until somebody confirms it by name, and masked then."""

from __future__ import annotations

from pathlib import Path

from harness.core.verdicts import ExitCode, Verdict, VerdictClass
from harness.studies.attempt import report_document
from tests.peers.safety_runs import Outcome, Scene, run_scene

WATER = "bulk-a.water"
LOW = "bulk-a.low"


def test_it_is_real_until_somebody_confirms_it_by_name(tmp_path: Path) -> None:
    outcome = run_scene(tmp_path, Scene(only=(LOW, WATER), raised_before=(WATER,)))
    assert outcome.view.raised == []
    assert outcome.active == (WATER,)
    point = outcome.view.on[0]
    said = f"point={point}: it is on, and nothing was raised; "
    assert outcome.why.startswith("nothing is raised:\n")
    assert said in outcome.why
    assert f"confirm it by name: write '{point}: REASON' under 'standing:' in the reviews file" in outcome.why
    assert any(said in text for text in outcome.view.urgent_texts)
    assert outcome.judged.exit_code is ExitCode.REFUSED
    assert set(outcome.judged.verdicts()) == {Verdict.NOT_RUN}
    outcome.judged.reader.close()


def test_confirmed_it_masks_its_own_points_and_no_other(tmp_path: Path) -> None:
    outcome: Outcome = run_scene(
        tmp_path, Scene(only=(LOW,), raised_before=(WATER,), standing={WATER: "drained today"})
    )
    assert outcome.view.raised == [LOW]
    results = {result.point: result for result in outcome.judged.judgement.results}
    own = {row.point for row in outcome.judged.site.expectations_of(WATER)}
    shared = set(results) & own
    assert shared, "the common alarm output is on already"
    for point, result in results.items():
        if point in shared:
            assert result.verdict.verdict_class is VerdictClass.UNKNOWN
            assert "already on before the raise" in result.reason
        else:
            assert result.verdict is Verdict.ON_TIME
    (attempt,) = report_document([outcome.judged]).attempts
    assert dict(attempt.standing) == dict.fromkeys(outcome.view.on, "drained today")
    assert outcome.active == (WATER,), "what was real is left as it was"
    outcome.judged.reader.close()
