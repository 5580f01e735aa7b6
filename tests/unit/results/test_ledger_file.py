"""The ledger file: only ever added to, on the disk when it is said to be, and no broken line costs another one."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest

from harness.core.errors import RecordError
from harness.core.ledger import Act, Entry
from harness.results.ledger import LEDGER_BYTES_MAX, Ledger, append, ledger_beside, read_ledger

S = 1_000_000_000
WHOLE = Entry(
    act=Act.NOTICE,
    name="monitoring station \u00e9 \"'\\",
    by="Kim",
    at_utc_ns=1_795_929_582 * S,
    entered_utc_ns=1_795_929_600 * S,
    until_utc_ns=1_795_996_740 * S,
    note="desk 3",
)
BARE = Entry(act=Act.INHIBIT, name="pump A", by="Jo", at_utc_ns=1_795_929_583 * S, entered_utc_ns=1_795_929_583 * S)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return ledger_beside(tmp_path, "ashby")


def test_what_is_appended_is_read(path: Path) -> None:
    assert path.name == "ashby.ledger"
    append(path, WHOLE)
    append(path, BARE, WHOLE)
    assert read_ledger(path) == Ledger(path=path, entries=(WHOLE, BARE, WHOLE))


def test_a_name_that_no_encoding_holds_is_kept_all_the_same(path: Path) -> None:
    """As the system hands over an argument that is not text."""
    odd = replace(BARE, by="Jo\udcff")
    append(path, odd, BARE)
    assert read_ledger(path) == Ledger(path=path, entries=(odd, BARE))


def test_nothing_is_rewritten(path: Path) -> None:
    append(path, WHOLE)
    before = path.read_bytes()
    node = path.stat().st_ino
    append(path, BARE)
    assert path.read_bytes().startswith(before)
    assert path.stat().st_ino == node, "the same file, not a new one in its place"


def test_it_is_on_the_disk_before_it_is_said_to_be(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[str] = []
    write, sync = os.write, os.fsync

    def noted_write(descriptor: int, data: bytes) -> int:
        done.append("write")
        return write(descriptor, data)

    def noted_sync(descriptor: int) -> None:
        done.append("fsync")
        sync(descriptor)

    monkeypatch.setattr(os, "write", noted_write)
    monkeypatch.setattr(os, "fsync", noted_sync)
    append(path, BARE, WHOLE)
    assert done == ["write", "fsync", "fsync"], "one write, the file, and the folder that it is new in"
    done.clear()
    append(path, BARE)
    assert done == ["write", "fsync"]


@pytest.mark.parametrize("kept", range(1, 60, 7))
def test_a_line_that_was_cut_off_costs_itself_alone(path: Path, kept: int) -> None:
    """As a power cut leaves it; and what comes next is not glued to it."""
    append(path, WHOLE)
    whole = path.read_bytes()
    path.write_bytes(whole + whole[:kept])
    (problem,) = read_ledger(path).problems
    assert str(problem).startswith("ashby.ledger:2: line=")
    assert "expected one JSON object" in str(problem)
    assert str(problem).endswith(
        "; every other line stands; mend this one by hand, or delete it and enter again what it said"
    )
    append(path, BARE)
    ledger = read_ledger(path)
    assert (ledger.entries, len(ledger.problems)) == ((WHOLE, BARE), 1)
    assert path.read_bytes().startswith(whole + whole[:kept]), "and it is not thrown away"


def test_a_last_line_without_its_end_stands(path: Path) -> None:
    """An editor that writes none."""
    append(path, WHOLE)
    path.write_bytes(path.read_bytes().rstrip(b"\n"))
    append(path, BARE)
    assert read_ledger(path).entries == (WHOLE, BARE)


LINE = '{"act": "inhibit", "name": "pump", "by": "Kim", "at": "2026-11-29 09:14:05+01:00"}'

BROKEN = {
    "": None,
    LINE.replace("inhibit", "inhibits"): "expected act to be one of notice, inhibit, confirm, release, run",
    LINE.replace('"by": "Kim", ', ""): "expected act, name, by, at",
    LINE.replace("Kim", "  "): "expected act, name, by, at",
    LINE.replace('"by": "Kim"', '"by": 3'): "expected one JSON object whose values are texts",
    LINE.replace('"by"', '"who"'): "expected act, name, by, at, and no who",
    LINE.replace('"by": "Kim"', '"by": "Kim", "by": "Jo"'): "expected each name once",
    LINE.replace("2026-11-29", "2026-11-31"): "expected a day and a time of day that exist",
    LINE.replace("inhibit", "notice"): "expected until, in a notice and nowhere else",
    LINE.replace("}", ', "until": "2026-11-29 09:14"}'): "expected until, in a notice and nowhere else",
    f"[{LINE}]": "expected one JSON object whose values are texts",
    LINE + LINE: "expected one JSON object in a line of UTF-8 text",
    "[" * 50_000: "expected one JSON object in a line of UTF-8 text",
    "\udcff": "expected one JSON object in a line of UTF-8 text",
}


@pytest.mark.parametrize("line", BROKEN, ids=range(len(BROKEN)))
def test_what_is_no_entry_is_said(path: Path, line: str) -> None:
    path.write_bytes(f"{LINE}\n".encode() + line.encode("utf-8", "surrogateescape") + f"\r\n{LINE}\n".encode())
    ledger = read_ledger(path)
    assert len(ledger.entries) == 2
    expected = BROKEN[line]
    assert [problem.origin.line for problem in ledger.problems] == [2] * (expected is not None)
    if expected is not None:
        assert expected in str(ledger.problems[0])


def test_no_file(path: Path) -> None:
    assert read_ledger(path, may_be_missing=True) == Ledger(path=path, entries=())
    with pytest.raises(RecordError, match=r"ashby\.ledger: there is no such ledger; 'farend ledger' makes it"):
        read_ledger(path)


def test_what_is_no_ledger(tmp_path: Path, path: Path) -> None:
    with pytest.raises(RecordError, match="cannot be read: Is a directory; give the ledger of the site"):
        read_ledger(tmp_path)
    with path.open("wb") as file:
        file.truncate(LEDGER_BYTES_MAX + 1)
    with pytest.raises(RecordError, match="expected a ledger of 16777216 at most"):
        read_ledger(path)


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="cannot be written: No such file or directory; choose a folder"):
        append(tmp_path / "none" / "a.ledger", BARE)


def test_a_full_disk_is_said(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    append(path, WHOLE)
    write = os.write
    monkeypatch.setattr(os, "write", lambda fd, data: write(fd, data[:10]))
    with pytest.raises(RecordError, match="the disk is full: what was entered is not complete"):
        append(path, BARE)
    monkeypatch.undo()
    append(path, BARE)
    assert read_ledger(path).entries == (WHOLE, BARE)
