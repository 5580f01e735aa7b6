"""``farend ledger``: what a technician types before, during and after a test."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from harness.cli.ledger import command
from harness.core.errors import RecordError, UsageError
from harness.results.ledger import append, read_ledger
from tests.peers.sites import TEXT
from tests.unit.results.test_ledger_file import BARE


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    text = TEXT.replace("stimulus:\n", "notices: [monitoring station, building operator]\nstimulus:\n")
    (tmp_path / "site.yaml").write_text(text, encoding="utf-8")
    return tmp_path


def ledger(*arguments: str, target: str = "site.yaml") -> Result:
    return CliRunner().invoke(command, [target, *arguments], standalone_mode=False)


def test_a_day_on_site(folder: Path) -> None:
    nothing = ledger("show")
    assert nothing.return_value == 0
    assert " ".join(nothing.output.split()).count("wants them told before a test; not told") == 2
    assert ledger("notice", "monitoring station", "--until", "4 h", "--by", "Kim").return_value == 0
    assert ledger("inhibit", "pump A", "--by", "Jo").return_value == 0
    opened = ledger("show")
    assert opened.return_value == 5
    assert "notice monitoring station: told by Kim" in opened.output
    assert "notice building operator: the site file wants them told" in " ".join(opened.output.split())
    assert "inhibit pump A: bypassed by Jo" in opened.output
    assert "never shown to hold" in opened.output
    assert "shown to hold by Jo: did not start" in " ".join(
        ledger("inhibit", "pump A", "--by", "Jo", "--proven", "did not start").output.split()
    )
    assert ledger("release", "pump A", "--proven", "ran").return_value == 0
    done = ledger("release", "monitoring station", "--by", "Kim")
    assert "told by Kim that it is over" in " ".join(done.output.split())
    assert "not told" not in done.output, "that is of no interest now"
    assert ledger("show").return_value == 0
    assert len((folder / "ashby.ledger").read_text(encoding="utf-8").splitlines()) == 5


def test_the_file_itself_can_be_named(folder: Path) -> None:
    assert ledger("inhibit", "pump A", target="other.ledger").return_value == 0
    assert [it.name for it in read_ledger(folder / "other.ledger").entries] == ["pump A"]
    assert not (folder / "ashby.ledger").exists()


def test_the_ledger_lies_beside_the_site_file_and_that_of_a_shipped_site_here(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (folder / "elsewhere").mkdir()
    monkeypatch.chdir(folder / "elsewhere")
    assert ledger("inhibit", "pump A", target="../site.yaml").return_value == 0
    assert ledger("inhibit", "pump B", target="..").return_value == 0
    assert [it.name for it in read_ledger(folder / "ashby.ledger").entries] == ["pump A", "pump B"]
    assert ledger("inhibit", "pump A", target="demo").return_value == 0
    assert (folder / "elsewhere" / "hollowmere.ledger").exists()


def test_a_name_that_the_site_file_does_not_know_may_be_a_slip(folder: Path) -> None:
    done = ledger("notice", "monitorin station", "--until", "4 h")
    assert done.return_value == 0
    assert "entered, though the site file does not ask for this notice; did you mean monitoring station?" in done.output


def test_what_is_over_is_not_told_again_with_every_entry(folder: Path) -> None:
    append(folder / "ashby.ledger", replace(BARE, at_utc_ns=0))
    assert ledger("release", "pump A", "--proven", "ran", "--at", "2020-01-02 10:00").return_value == 0
    assert "pump A" not in ledger("inhibit", "valve").output
    assert "pump A" in ledger("show").output


def test_for_programs(folder: Path) -> None:
    ledger("inhibit", "pump A")
    told = json.loads(ledger("show", "--json").stdout)
    assert told["not_told"] == ["monitoring station", "building operator"]
    assert (told["inhibits"][0]["name"], told["notices"], told["problems"]) == ("pump A", [], [])


def test_a_broken_line_is_said_and_nothing_is_lost(folder: Path) -> None:
    ledger("inhibit", "pump A")
    with (folder / "ashby.ledger").open("ab") as file:
        file.write(b'{"act": "rel')
    assert ledger("inhibit", "valve").return_value == 0
    shown = ledger("show")
    assert shown.return_value == 2
    assert "ashby.ledger:2: line=" in shown.output
    assert "inhibit pump A" in shown.output
    assert "inhibit valve" in shown.output


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("show", "pump A"), "show pump A: expected no name; 'show' tells all that is open"),
        (("release", "pump A"), "release pump A: nothing of this name is open; open are: none"),
        (("notice", "station"), "notice station: until when? add --until"),
        (("notice",), "notice: expected a name"),
    ],
)
def test_what_does_not_fit_writes_nothing(arguments: tuple[str, ...], message: str, folder: Path) -> None:
    done = ledger(*arguments)
    assert isinstance(done.exception, UsageError)
    assert message in str(done.exception)
    assert not (folder / "ashby.ledger").exists()


def test_a_ledger_that_is_not_there(folder: Path) -> None:
    (folder / "site.yaml").write_text(TEXT, encoding="utf-8")
    shown = ledger("show")
    assert (shown.return_value, shown.output) == (0, "ashby.ledger\n  nothing was entered\n")
    assert isinstance(ledger("show", target="none.ledger").exception, RecordError)
