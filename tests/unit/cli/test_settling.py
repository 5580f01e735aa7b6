"""Around a test: its ledger, one key for each bypass that was left, and what is still to be done."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest

from harness.cli.settling import ask_inhibited, chosen_ledger, say_open
from harness.core.errors import UsageError
from harness.core.ledger import Act, Entry, LedgerTold, state_of
from harness.core.model import Site
from harness.results.ledger import append
from harness.site.moments import utc_ns_of
from tests.peers.sites import TEXT, site_of

NOON = datetime(2026, 11, 29, 12, 0, tzinfo=timezone(timedelta(hours=1)))
NOW = utc_ns_of(NOON)


def entry(act: Act, name: str, at_utc_ns: int = NOW, **more: object) -> Entry:
    values: dict[str, object] = {"by": "Jo", "entered_utc_ns": at_utc_ns, **more}
    return Entry(act=act, name=name, at_utc_ns=at_utc_ns, **values)  # type: ignore[arg-type]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "work").mkdir()
    (tmp_path / "site").mkdir()
    monkeypatch.chdir(tmp_path / "work")
    (tmp_path / "site" / "site.yaml").write_text(TEXT, encoding="utf-8")
    return tmp_path


def told() -> Site:
    return site_of(("stimulus:\n", "notices: [monitoring station]\nstimulus:\n"))


def test_the_ledger_beside_the_site_file_is_taken_and_none_where_there_is_none(folder: Path) -> None:
    entries = (folder / "site" / "site.yaml", folder / "site")
    beside = folder / "site" / "ashby.ledger"
    for given in entries:
        assert chosen_ledger(given, site_of(), None) is None
        assert chosen_ledger(given, told(), None) == beside, "named in the refusal"
    append(beside, entry(Act.INHIBIT, "pump A"))
    for given in entries:
        assert chosen_ledger(given, site_of(), None) == beside


def test_a_shipped_site_has_its_ledger_here(folder: Path) -> None:
    append(Path("ashby.ledger"), entry(Act.INHIBIT, "pump A"))
    assert chosen_ledger(Path("demo"), site_of(), None) == Path("ashby.ledger")


def test_one_that_is_named_has_to_be_there(folder: Path) -> None:
    with pytest.raises(UsageError, match=r"--ledger x\.ledger: there is no such file; 'farend ledger' makes it with"):
        chosen_ledger(folder / "site", site_of(), Path("x.ledger"))
    append(Path("x.ledger"), entry(Act.INHIBIT, "pump A"))
    assert chosen_ledger(folder / "site", site_of(), Path("x.ledger")) == Path("x.ledger")


def asked(path: Path | None, keys: str, *named: str) -> tuple[tuple[str, ...], str]:
    """The names that come of it, and the keys that were not needed."""
    pressed: Iterator[str] = iter(keys)
    names = ask_inhibited(path, named, key=lambda: next(pressed), now=NOON)
    return names, "".join(pressed)


def test_each_bypass_that_was_left_is_asked_for_once(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = Path("ashby.ledger")
    yesterday = NOW - 26 * 3600 * 10**9
    append(
        path,
        entry(Act.INHIBIT, "pump A"),
        entry(Act.INHIBIT, "valve"),
        entry(Act.RUN, "before.farend"),
        entry(Act.INHIBIT, "horn"),
        entry(Act.INHIBIT, "gate", yesterday),
    )
    assert asked(path, "xyn\ryq") == (("pump A", "gate"), "q"), "other keys say nothing; today's horn is not asked for"
    assert asked(path, "yy", "PUMP A") == (("PUMP A", "valve", "gate"), "")
    shown = capsys.readouterr().err
    assert "inhibit valve: left open since " in shown
    assert "y it is still in place, and meant for this test; n no, or I have not looked" in shown


def test_nothing_is_asked_where_nothing_is_open(folder: Path) -> None:
    append(Path("a.ledger"), entry(Act.NOTICE, "station", until_utc_ns=NOW))
    for path in (None, Path("none.ledger"), Path("a.ledger")):
        assert asked(path, "", "x") == (("x",), "")


def test_what_is_open_is_said_with_how_it_is_entered(capsys: pytest.CaptureFixture[str]) -> None:
    state = state_of([entry(Act.NOTICE, "station", until_utc_ns=NOW), entry(Act.INHIBIT, "pump A")])
    say_open(LedgerTold(file="a.ledger", state=state, problems=("a.ledger:3: broken",)), Path("my site/a.ledger"))
    lines = capsys.readouterr().err.splitlines()
    began = [line for line in lines if line.startswith("STILL OPEN: ")]
    assert began[0] == "STILL OPEN: a.ledger:3: broken"
    assert began[1].startswith("STILL OPEN: notice station: told by Jo")
    assert began[2].startswith("STILL OPEN: inhibit pump A: bypassed by Jo")
    assert max(map(len, lines)) <= 100
    assert lines[-1] == "  farend ledger 'my site/a.ledger' release NAME"
    say_open(None, None)
    say_open(LedgerTold(file="a.ledger", state=state_of([])), None)
    assert capsys.readouterr().err == ""
