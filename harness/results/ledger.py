"""The ledger file of a site: JSON lines, appended and never rewritten. What is open follows from all lines.

A line that cannot be read costs nothing but itself: the others are read, new ones can be appended, and whoever reads is
told which line it is.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from harness.core.errors import Origin, Problem, RecordError
from harness.core.ledger import Act, Entry, LedgerState, state_of
from harness.site.moments import moment_text, read_moment
from harness.site.names import shown
from harness.site.problems import Mismatch

SUFFIX: Final = ".ledger"
LEDGER_EVENT: Final = "ledger"
"""What stood in the ledger at an end of a run, in its record; ``when`` says at which."""

AT_START: Final = "start"
AT_END: Final = "end"

LEDGER_BYTES_MAX: Final = 16 * 1024 * 1024
"""A hundred thousand lines; a larger file is none of ours."""

_TEXTS: Final = ("act", "name", "by", "at", "entered", "until", "proven", "note")
_NEEDED: Final = ("act", "name", "by", "at")


@dataclass(frozen=True, slots=True, kw_only=True)
class Ledger:
    """A ledger as it was read. ``problems``: lines that cannot be read; with any, nobody knows what is open."""

    path: Path
    entries: tuple[Entry, ...]
    problems: tuple[Problem, ...] = ()

    @property
    def state(self) -> LedgerState:
        """What is open and what is closed, by all lines that can be read."""
        return state_of(self.entries)


def ledger_beside(folder: Path, site: str) -> Path:
    """Where the ledger of a site is kept."""
    return folder / f"{site}{SUFFIX}"


def read_ledger(path: Path, *, may_be_missing: bool = False) -> Ledger:
    """Read a ledger. RecordError where the file itself cannot be read; a broken line is a problem of the ledger."""
    try:
        if path.stat().st_size > LEDGER_BYTES_MAX:
            raise RecordError(
                f"{path}: size={path.stat().st_size} bytes: expected a ledger of {LEDGER_BYTES_MAX} at most"
            )
        data = path.read_bytes()
    except FileNotFoundError as exc:
        if may_be_missing:
            return Ledger(path=path, entries=())
        raise RecordError(f"{path}: there is no such ledger; 'farend ledger' makes it with the first entry") from exc
    except OSError as exc:
        raise RecordError(f"{path}: cannot be read: {exc.strerror}; give the ledger of the site") from exc
    entries: list[Entry] = []
    problems: list[Problem] = []
    for number, line in enumerate(data.split(b"\n"), start=1):
        if not line.strip():
            continue
        try:
            entries.append(_entry(line))
        except (Mismatch, ValueError, RecursionError) as exc:
            why = exc.expected if isinstance(exc, Mismatch) else "expected one JSON object in a line of UTF-8 text"
            text = f"line={shown(line.decode('utf-8', 'backslashreplace'))}: {why}"
            remedy = "every other line stands; mend this one by hand, or delete it and enter again what it said"
            origin = Origin(file=path.name, line=number)
            problems.append(Problem(origin=origin, code="ledger", text=text, remedy=remedy))
    return Ledger(path=path, entries=tuple(entries), problems=tuple(problems))


def append(path: Path, *entries: Entry) -> None:
    """Append entries, and return once they are on the disk. RecordError where that fails; nothing is ever rewritten.

    Where the last line was cut off (a power cut), the new ones begin on a line of their own.
    """
    data = "".join(_line(entry) for entry in entries).encode("utf-8", "backslashreplace")  # as JSON escapes it
    try:
        is_new = not path.exists()
        descriptor = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o644)
        try:
            _lock(descriptor)
            size = os.fstat(descriptor).st_size
            if size and (os.lseek(descriptor, size - 1, os.SEEK_SET), os.read(descriptor, 1))[1] != b"\n":
                data = b"\n" + data
            if os.write(descriptor, data) != len(data):
                raise RecordError(
                    f"{path}: the disk is full: what was entered is not complete; make room and enter it again"
                )
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        if is_new and os.name == "posix":
            _sync_folder(path.parent)
    except OSError as exc:
        raise RecordError(f"{path}: cannot be written: {exc.strerror}; choose a folder that can be written") from exc


def _lock(descriptor: int) -> None:
    """Two who enter at once write one after the other. The lock goes with the descriptor."""
    try:
        import fcntl
    except ImportError:  # Windows appends whole writes one after the other
        return
    fcntl.flock(descriptor, fcntl.LOCK_EX)


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _line(entry: Entry) -> str:
    told: dict[str, str] = {
        "act": entry.act.value,
        "name": entry.name,
        "by": entry.by,
        "at": moment_text(entry.at_utc_ns),
    }
    if entry.until_utc_ns is not None:
        told["until"] = moment_text(entry.until_utc_ns)
    told |= {name: text for name, text in (("proven", entry.proven), ("note", entry.note)) if text}
    told["entered"] = moment_text(entry.entered_utc_ns)
    return json.dumps(told, ensure_ascii=False) + "\n"


def _entry(line: bytes) -> Entry:
    """One line. Mismatch or ValueError where it is none."""
    told: Any = json.loads(line.decode("utf-8"), object_pairs_hook=_once)
    if not isinstance(told, Mapping) or not all(isinstance(it, str) for it in told.values()):
        raise Mismatch("expected one JSON object whose values are texts")
    strange = [name for name in told if name not in _TEXTS]
    missing = [name for name in _NEEDED if not told.get(name, "").strip()]
    if strange or missing:
        raise Mismatch(f"expected {', '.join(_NEEDED)}" + (f", and no {shown(strange[0])}" if strange else ""))
    if told["act"] not in {act.value for act in Act}:
        raise Mismatch(f"expected act to be one of {', '.join(act.value for act in Act)}")
    act = Act(told["act"])
    if (act is Act.NOTICE) != ("until" in told):
        raise Mismatch("expected until, in a notice and nowhere else")
    at = read_moment(told["at"])
    return Entry(
        act=act,
        name=told["name"].strip(),
        by=told["by"].strip(),
        at_utc_ns=at,
        entered_utc_ns=read_moment(told["entered"]) if "entered" in told else at,
        until_utc_ns=read_moment(told["until"]) if "until" in told else None,
        proven=told.get("proven", ""),
        note=told.get("note", ""),
    )


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    if len({name for name, _ in pairs}) != len(pairs):
        raise Mismatch("expected each name once")
    return dict(pairs)
