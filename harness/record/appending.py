"""Appending a correction to a record that has ended: the chain goes on, and nothing before it is touched.

The file is locked from before it is read until the correction is on the disk, so that nobody can add to it in between;
a run that still writes it holds that lock. What a run that was cut off left in its write-ahead log becomes part of the
file, as SQLite does when it opens it.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Callable
from pathlib import Path

from harness.core.errors import RecordError
from harness.record.corrections import CORRECTION_EVENT, Correction
from harness.record.opening import left_beside, look_at_file, look_at_versions, uri_of
from harness.record.reader import RecordReader
from harness.record.schema import SCHEMA_VERSION, Entry, EntryKind, chain_next

Make = Callable[[RecordReader, str], Correction]
"""Makes the correction from the record as it is, and the SHA-256 of its file ('' where a log lies beside it)."""


def append_correction(path: Path, make: Make) -> Correction:
    """Append what ``make`` says to the record, and return it once it is on the disk.

    What ``make`` raises comes through, with nothing written. RecordError where the record is damaged, is being written
    by a run or corrected by somebody else, or may not be written.
    """
    beside = left_beside(path)
    look_at_file(path, cut_off=bool(beside))
    digest = "" if beside else hashlib.sha256(path.read_bytes()).hexdigest()
    try:
        connection = sqlite3.connect(uri_of(path, "mode=rw"), uri=True, timeout=0, isolation_level=None)
    except sqlite3.Error as exc:
        raise _not_written(path, exc) from exc
    try:
        _lock(connection, path)
        look_at_versions(connection, path)
        reader = RecordReader.of(path, connection)
        correction = make(reader, digest)
        _append(connection, reader, correction)
        connection.execute("COMMIT")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        connection.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.Error as exc:
        raise _not_written(path, exc) from exc
    finally:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        connection.close()
    return correction


def _lock(connection: sqlite3.Connection, path: Path) -> None:
    """Hold the file for ourselves alone; not SQLite's shared memory, which would need files beside the record."""
    try:
        connection.execute("PRAGMA locking_mode = EXCLUSIVE")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("BEGIN IMMEDIATE")
    except sqlite3.OperationalError as exc:
        if exc.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            raise RecordError(
                f"{path}: is being written by a run, or corrected by somebody else; correct it when that has ended"
            ) from exc
        raise


def _append(connection: sqlite3.Connection, reader: RecordReader, correction: Correction) -> None:
    """One batch with one event, at the record's last instant: a correction observes nothing, and so adds no time."""
    text = json.dumps(correction.to_data(), sort_keys=True, ensure_ascii=True)
    at_ns = reader.last_ns
    entry: Entry = (EntryKind.EVENT, "", at_ns, at_ns, CORRECTION_EVENT, text.encode())
    number = reader.entries_written + 1
    chain = chain_next(reader.chain, at_ns, 0, None, b"", b"", [entry])
    connection.execute("INSERT INTO entry VALUES (?, ?, ?, ?, ?, ?, ?)", (number, *entry))
    connection.execute(
        "INSERT INTO batch (at_ns, last_entry, polls, base_ns, times, changes, chain) VALUES (?,?,0,NULL,NULL,NULL,?)",
        (at_ns, number, chain),
    )
    connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")


def _not_written(path: Path, exc: sqlite3.Error) -> RecordError:
    return RecordError(
        f"{path}: cannot be corrected: {exc}; copy it to a folder that can be written, and correct the copy"
    )
