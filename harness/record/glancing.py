"""A glance at a record: its front page and its events, without proving all of it. Nothing is judged by it."""

from __future__ import annotations

import json
import shutil
import sqlite3
import tempfile
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from harness.core.errors import RecordError
from harness.record.found import Event
from harness.record.header import Header
from harness.record.opening import RecordEmptyError, damaged, left_beside, open_record
from harness.record.schema import EntryKind


@dataclass(frozen=True, slots=True, kw_only=True)
class Glance:
    """What was looked at; ``events`` in the order in which they were handed over."""

    path: Path
    header: Header
    events: tuple[Event, ...]


def glance(path: Path, kinds: Collection[str]) -> Glance:
    """The front page, and the events of these kinds. RecordError as for reading it; RecordInUseError while it grows."""
    connection, copies = open_record(path)
    try:
        header = _header(connection, path)
        marks = ", ".join("?" * len(kinds))
        sql = f"SELECT word, start_ns, data FROM entry WHERE kind = ? AND word IN ({marks}) ORDER BY seq"  # noqa: S608
        rows = connection.execute(sql, (EntryKind.EVENT, *kinds)).fetchall()
        events = tuple(Event(kind=str(word), at_ns=int(at_ns), data=json.loads(data)) for word, at_ns, data in rows)
    except (sqlite3.Error, ValueError, KeyError, TypeError, AttributeError, OverflowError) as exc:
        raise damaged(path, exc) from exc
    finally:
        connection.close()
        if copies is not None:
            copies.cleanup()
    return Glance(path=path, header=header, events=events)


def header_in_use(path: Path) -> Header | None:
    """The header of a record that is being written now, by a copy of what is there so far; None where it cannot be
    told.
    """
    try:
        with tempfile.TemporaryDirectory(prefix="farend-record-") as folder:
            copy = Path(folder) / "record"
            shutil.copyfile(path, copy)
            for file in left_beside(path):
                shutil.copyfile(file, copy.with_name(copy.name + file.name.removeprefix(path.name)))
            connection = sqlite3.connect(copy, isolation_level=None)
            try:
                return _header(connection, path)
            finally:
                connection.close()
    except (OSError, sqlite3.Error, RecordError, ValueError, KeyError, TypeError, AttributeError):
        return None  # it grows while it is copied


def _header(connection: sqlite3.Connection, path: Path) -> Header:
    found = connection.execute("SELECT value FROM meta WHERE key = 'header'").fetchone()
    if found is None:
        raise RecordEmptyError(f"{path}: is empty: the run was cut off before anything was recorded; run it again")
    return Header.from_json(str(found[0]))
