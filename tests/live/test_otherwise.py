"""Two alarms at a time, and sweeps, by the command against the simulated site."""

from __future__ import annotations

import json
from pathlib import Path

from harness.core.sweep import Sweep
from harness.results.judging import judge_record
from harness.studies.attempt import attempt_document
from sims import SiteProcess
from tests.peers.command import active, demo_files, farend, ports_of
from tests.peers.raised_runs import ARMED


def test_two_at_a_time_share_an_output_and_each_keeps_its_own(tmp_path: Path) -> None:
    with SiteProcess() as site:
        demo_files(tmp_path, ports_of(site))
        done = farend(
            "test", tmp_path / "site.yaml", *ARMED, "--link", "bms", "--only", "day.high",
            "--only", "bulk-a.probe-fault", "--together", "--json", "--record", tmp_path / "run.farend", cwd=tmp_path,
        )  # fmt: skip
        assert active(site) == []
    assert done.code == 0, done.err
    (attempt,) = json.loads(done.out)["attempts"]
    points: dict[str, set[str]] = {stimulus: set() for stimulus in ("0003", "0003b")}
    for it in attempt["results"]:
        if it["stimulus"] in points:
            points[it["stimulus"]].add(it["point"])
    assert points["0003"] & points["0003b"] == set(), "what they share is judged once"
    assert "bms:10101" in points["0003"] | points["0003b"]


def test_a_sweep_tells_how_short_an_alarm_a_slow_hop_still_shows(tmp_path: Path) -> None:
    """The printed line promises every change, so that it shows whatever the controller took."""
    with SiteProcess() as site:
        demo_files(tmp_path, ports_of(site))
        done = farend(
            "test", tmp_path / "site.yaml", *ARMED, "--link", "printer", "--only", "bulk-a.water", "--sweep", "--held",
            "400 ms, 100 ms", "--repeat", "2", "--record", tmp_path / "run.farend", cwd=tmp_path,
        )  # fmt: skip
        assert active(site) == []
    assert "held for ever shorter times" in done.out, done.err
    judged = judge_record(tmp_path / "run.farend")
    try:
        (sweep,) = attempt_document(judged).sweeps
    finally:
        judged.reader.close()
    assert isinstance(sweep, Sweep)
    assert [(it.asked_ns, it.total, it.shown) for it in sweep.tries] == [(400_000_000, 2, 2), (100_000_000, 2, 2)]
    assert all(it.held.hi >= it.asked_ns for it in sweep.tries)
