"""A test that somebody had to be told of, with a bypass, from the refusal to the last word, by commands."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import pytest
from click.testing import CliRunner

from harness.cli import cli
from harness.core.errors import FarendError, SafetyError
from harness.core.verdicts import ExitCode
from harness.record.reader import RecordReader
from harness.results.ledger import LEDGER_EVENT
from harness.run.still_allowed import StillAllowed
from sims import SiteProcess
from tests.peers.command import Done, active, demo_files, ports_of

ONE: Final = ("--only", "bulk-a.high", "--link", "bms")


@pytest.fixture(scope="module")
def site() -> Iterator[SiteProcess]:
    with SiteProcess() as one:
        yield one


@pytest.fixture
def folder(tmp_path: Path, site: SiteProcess, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    demo_files(tmp_path, ports_of(site), ("stimulus: #", "notices: [monitoring station]\n\nstimulus: #"))
    return tmp_path


def farend(*arguments: str) -> Done:
    """A command in this process: two dozen processes would take most of the time."""
    done = CliRunner().invoke(cli, list(arguments), standalone_mode=False)
    if isinstance(done.exception, FarendError):
        code = ExitCode.REFUSED if isinstance(done.exception, SafetyError) else ExitCode.USAGE
        return Done(code, done.stdout, f"{done.stderr}{done.exception}")
    assert done.exception is None, done.exception
    return Done(done.return_value, done.stdout, done.stderr)


def run(*more: str) -> Done:
    return farend("test", "site.yaml", "--arm", "hollowmere", "--reviews", "reviews.yaml", "--who", "Kim", *ONE, *more)


def ledger(*arguments: str) -> Done:
    return farend("ledger", "site.yaml", *arguments)


def attempt(told: Done) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(told.out)["attempts"][0]
    return found


def test_from_the_refusal_to_the_last_word(folder: Path, site: SiteProcess) -> None:
    refused = run()
    assert (refused.code, refused.out) == (4, "")
    assert "notice=monitoring station: the site file wants them told before a test" in refused.err
    assert "farend ledger hollowmere.ledger notice 'monitoring station' --until " in refused.err
    assert not list(folder.glob("*.farend"))
    assert not (folder / "hollowmere.ledger").exists(), "a refusal enters nothing"

    assert ledger("notice", "monitoring station", "--until", "1 h", "--by", "Kim").code == 0
    assert ledger("inhibit", "pump A", "--by", "Jo").code == 0
    refused = run()
    assert refused.code == 4
    assert "inhibit=pump A: bypassed by Jo, and nothing says that it was shown to hold" in refused.err
    assert ledger("inhibit", "pump A", "--by", "Jo", "--proven", "stays off").code == 0

    passed = run("--record", "one.farend", "--json")
    assert passed.code == 5, passed.err
    assert {result["class"] for result in attempt(passed)["results"]} == {"pass"}
    assert attempt(passed)["as_left"] == []
    assert "STILL OPEN: notice monitoring station: told by Kim" in passed.err
    assert "STILL OPEN: inhibit pump A: bypassed by Jo" in passed.err
    assert "farend ledger hollowmere.ledger release NAME" in passed.err
    assert "NOT RESTORED" not in passed.err, "all is as it was found"
    assert active(site) == []
    judged = farend("judge", "one.farend", "--json")
    assert (judged.code, judged.out) == (5, passed.out)
    assert farend("report", "one.farend").code == 5
    assert "still open after attempt 1: notice monitoring station" in farend("judge", "one.farend").out

    left = run()
    assert left.code == 4, "the run before left it open"
    assert "inhibit=pump A: left open since" in left.err
    assert "--inhibited 'pump A'" in left.err
    again = run("--inhibited", "pump A", "--record", "two.farend")
    assert again.code == 5, again.err

    assert ledger("release", "pump A", "--by", "Jo", "--proven", "ran for a minute").code == 0
    half = farend("judge", "one.farend", "--ledger", "hollowmere.ledger")
    assert half.code == 5
    assert "released by Jo" in " ".join(half.out.split())
    assert ledger("release", "monitoring station", "--by", "Kim").code == 0
    settled = farend("judge", "one.farend", "--ledger", "hollowmere.ledger", "--json")
    assert settled.code == 0, settled.err
    assert attempt(settled)["ledger"]["later"].startswith("hollowmere.ledger (SHA-256 ")
    assert [it["over_by"] for it in attempt(settled)["ledger"]["state"]["notices"]] == ["Kim"]
    both = farend("report", "one.farend", "two.farend", "--ledger", "hollowmere.ledger")
    assert both.code == 0, both.err
    assert farend("report", "one.farend", "two.farend").code == 5, "the records alone do not know it"
    assert ledger("show").code == 0

    with RecordReader.open(folder / "two.farend") as reader:
        events = [event.data for event in reader.events(LEDGER_EVENT)]
        reviews = reader.events("reviews")[0].data
    assert [event["when"] for event in events] == ["start", "end"]
    assert reviews["file"] == "reviews.yaml"
    assert set(reviews["details"]) == set(reviews["decisions"])  # type: ignore[arg-type]

    farend("ledger", "other.ledger", "notice", "monitoring station", "--until", "2 h", "--at", "2026-01-01 08:00")
    farend("ledger", "other.ledger", "release", "monitoring station")
    other = farend("judge", "one.farend", "--ledger", "other.ledger")
    assert other.code == 2
    assert "other.ledger: has no entry of monitoring station, pump A, open when the record was made; give" in other.err
    missing = run("--ledger", "none.ledger")
    assert missing.code == 2
    assert "--ledger none.ledger: there is no such file" in missing.err


def test_what_does_not_hold_any_more_stops_the_run_before_the_next_alarm(
    folder: Path, site: SiteProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The notice is taken back while the first alarm is tested."""

    def objection(self: StillAllowed, lasts_ns: int) -> str:
        assert lasts_ns > 0
        why = asks(self, lasts_ns)
        ledger("release", "monitoring station")
        return why

    asks = StillAllowed.objection
    monkeypatch.setattr(StillAllowed, "objection", objection)
    ledger("notice", "monitoring station", "--until", "1 h")
    done = run("--only", "bulk-a.low", "--record", "one.farend", "--json")
    assert done.code in (ExitCode.UNKNOWN, ExitCode.REFUSED), done.err
    assert attempt(done)["interrupted_why"].startswith(
        "nothing more is raised: monitoring station (not told) may not know of the test any more"
    )
    assert {result["alarm"] for result in attempt(done)["results"]} == {"bulk-a.high"}
    assert active(site) == []
