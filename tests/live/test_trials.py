"""Many trials of one alarm by the command against the simulated site: claims, the shortest alarm, measuring again."""

from __future__ import annotations

import json
from pathlib import Path

from click.testing import CliRunner

from harness.cli import cli
from harness.core.errors import SafetyError, UsageError
from harness.results.judging import judge_record
from sims import SiteProcess
from tests.peers.command import active, demo_files, farend, ports_of
from tests.peers.raised_runs import ARMED

LIMITS = (
    "appears within: 1 s\n  gone within: 1 s\n  search: 1.5 s",
    "appears within: 400 ms\n  gone within: 1 s\n  search: 500 ms",
)
"""Each try waits for as long as its output may take."""
EASY = ("--confidence", "80%", "--plain")


def test_a_claim_is_proven_with_no_more_trials_than_it_takes_and_measured_again_alike(tmp_path: Path) -> None:
    with SiteProcess() as site:
        demo_files(tmp_path, ports_of(site))
        done = farend(
            "trials", tmp_path / "site.yaml", *ARMED, *EASY, "--alarm", "fill-sump.splash", "--link", "bms", "--link",
            "printer", "--claim", "50%", "--slower", "1s", "--json", "--record", tmp_path / "run.farend", "--picture",
            "run.svg", "--html", "run.html", cwd=tmp_path,
        )  # fmt: skip
        assert active(site) == []
    assert done.code == 0, done.err
    assert "picture: run.svg" in done.err
    assert "3 trials with at most 0 misses prove it" in done.err
    told = json.loads(done.out)
    assert {it["decision"] for it in told["claims"]} == {"proven"}
    assert {it["trials"] for it in told["claims"]} == {3}, "0.5^3 is below 20 %"
    for row in told["rows"]:
        assert row["counts"]["shown"] == 3
    page = (tmp_path / "run.html").read_text(encoding="utf-8")
    assert page.count("<strong>proven after 3 trials</strong>") == len(told["claims"])
    assert "5 rows shown 3 of 3" in page
    assert "a poll every 1 s would have seen" not in page, "of three trials no time is told"
    judged = judge_record(tmp_path / "run.farend")
    judged.reader.close()
    assert len(judged.evidence.stimuli) == 3
    again = farend(
        "measure", "run.farend", "--confidence", "80%", "--slower", "1s", "--json", "--picture", "a.svg", cwd=tmp_path
    )
    assert json.loads(again.out) == told
    assert (tmp_path / "a.svg").read_text(encoding="utf-8") == (tmp_path / "run.svg").read_text(encoding="utf-8")


def test_a_claim_is_not_proven_of_an_output_that_never_shows(tmp_path: Path) -> None:
    with SiteProcess(["--defect", "never-appears:fill-sump.splash@printer"]) as site:
        demo_files(tmp_path, ports_of(site))
        done = farend(
            "trials", tmp_path / "site.yaml", *ARMED, *EASY, "--alarm", "fill-sump.splash", "--link", "printer",
            "--claim", "50%", "--count", "5", "--record", tmp_path / "run.farend", cwd=tmp_path,
        )  # fmt: skip
    assert done.code == 1, done.err
    assert "not to be proven any more after 1 trial" in " ".join(done.out.split())


def test_the_shortest_alarm_is_searched_between_two_lengths(tmp_path: Path) -> None:
    """The printed line promises every change: it shows whatever the controller took, so that the shortest is found."""
    with SiteProcess() as site:
        demo_files(tmp_path, ports_of(site), LIMITS)
        done = farend(
            "shortest", tmp_path / "site.yaml", *ARMED, "--plain", "--confidence", "60%", "--share", "50%", "--alarm",
            "bulk-a.water", "--link", "printer", "--held", "300ms", "--down-to", "200ms", "--tries", "40", "--json",
            "--record", tmp_path / "run.farend", cwd=tmp_path,
        )  # fmt: skip
        assert active(site) == []
    assert done.code == 0, done.err
    (found,) = json.loads(done.out)["searches"]
    assert found["is_over"]
    assert 200_000_000 <= found["reliable"]["held_ns"] <= 350_000_000
    assert found["lost"] is None
    again = farend("measure", tmp_path / "run.farend", "--confidence", "60%", "--json", cwd=tmp_path)
    assert json.loads(again.out)["searches"] == [found]


def test_what_cannot_be_asked_is_refused_before_anything_is_opened(tmp_path: Path) -> None:
    demo_files(tmp_path, {})
    entry = tmp_path / "site.yaml"
    for words, said in (
        (("trials", entry, "--alarm", "nobody"), "has no such alarm; it has bulk-a.high-high"),
        (("trials", entry, "--alarm", "fill-sump.splash", "--good", "99%"), "give --claim as well"),
        (("trials", entry, "--alarm", "fill-sump.splash", "--claim", "95"), "expected a share between 0 % and 100 %"),
        (("trials", entry, "--alarm", "fill-sump.splash", "--picture", "a.png"), "a name that ends in .svg or .html"),
        (("trials", entry, "--alarm", "fill-sump.splash", "--picture", "none/a.svg"), "there is no folder none"),
        (("shortest", entry, "--alarm", "fill-sump.splash"), "it clears by itself"),
        (("shortest", entry, "--alarm", "bulk-a.water", "--tries", "10"), "expected at least"),
        (("trials", entry, "--alarm", "bulk-a.delivery-due"), "no output has to react to it"),
        (("trials", entry, "--alarm", "fill-sump.splash", "--share", "99.999%"), "takes 299,572 trials to show"),
    ):
        done = CliRunner().invoke(cli, [str(word) for word in words])
        assert isinstance(done.exception, UsageError), done.output
        assert said in " ".join(str(done.exception).split())
    refused = CliRunner().invoke(cli, ["trials", str(entry), "--alarm", "fill-sump.splash"])
    assert isinstance(refused.exception, SafetyError)
