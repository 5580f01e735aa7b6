"""Opening a record without changing it, whatever state it was left in.

A record that was closed is one file and is opened as immutable, so it can lie on read-only media. One that was cut off
has a write-ahead log beside it (``-wal``) that holds its last moments, or where it was cut off while being closed a
rollback journal (``-journal``); reading those in place would write beside the evidence, so all of it is copied to a
temporary folder and read there.
"""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from pathlib import Path
from typing import Final
from urllib.parse import quote

from harness.core.errors import RecordError
from harness.record.schema import APPLICATION_ID, SCHEMA_VERSION

_MAGIC: Final = b"SQLite format 3\x00"
_BESIDE: Final = ("-wal", "-journal")


class RecordInUseError(RecordError):
    """A run writes the record at present."""


class RecordEmptyError(RecordError):
    """The run was cut off before anything was recorded, and so before anything was raised."""


def open_record(path: Path) -> tuple[sqlite3.Connection, tempfile.TemporaryDirectory[str] | None]:
    """(a connection that reads, the folder of copies to clean up or None). RecordError with what to do."""
    beside = left_beside(path)
    look_at_file(path, cut_off=bool(beside))
    copies = None
    try:
        if beside:
            _refuse_live(path)
            copies = tempfile.TemporaryDirectory(prefix="farend-record-")
            copy = Path(copies.name) / "record"
            shutil.copyfile(path, copy)
            for file in beside:
                shutil.copyfile(file, copy.with_name(copy.name + file.name.removeprefix(path.name)))
            connection = sqlite3.connect(copy, isolation_level=None)
        else:
            connection = sqlite3.connect(uri_of(path, "mode=ro&immutable=1"), uri=True, isolation_level=None)
        try:
            look_at_versions(connection, path)
        except BaseException:
            connection.close()
            raise
    except BaseException as exc:
        if copies is not None:
            copies.cleanup()
        if isinstance(exc, (sqlite3.Error, OSError)):
            raise damaged(path, exc) from exc
        raise
    return connection, copies


def left_beside(path: Path) -> list[Path]:
    """The log or journal that a record left behind when it was cut off; none beside one that was closed."""
    beside = [path.with_name(path.name + ending) for ending in _BESIDE]
    return [file for file in beside if file.exists() and file.stat().st_size > 0]


def damaged(path: Path, why: object) -> RecordError:
    """The error for a record whose content does not fit together."""
    return RecordError(f"{path}: is damaged: {why}; take another copy of it, nothing in this one can be relied on")


def look_at_file(path: Path, *, cut_off: bool) -> None:
    """RecordError where ``path`` is no record by its first bytes; ``cut_off``: a log or journal lies beside it."""
    try:
        with path.open("rb") as file:
            magic = file.read(len(_MAGIC))
    except FileNotFoundError as exc:
        raise RecordError(f"{path}: no such file; give the path of a record") from exc
    except OSError as exc:
        raise RecordError(f"{path}: cannot be read: {exc.strerror}; give the path of a record you may read") from exc
    if not magic and not cut_off:
        raise RecordEmptyError(f"{path}: is empty: the run was cut off before anything was recorded; run it again")
    if magic and magic != _MAGIC:
        raise RecordError(f"{path}: is not a record: it begins with {magic[:8]!r}; give the path of a farend record")


def _refuse_live(path: Path) -> None:
    """RecordError where a writer holds the file. Makes no file: ``readonly_shm`` keeps SQLite from creating one."""
    probe = sqlite3.connect(uri_of(path, "mode=ro&readonly_shm=1"), uri=True, timeout=0)
    try:
        probe.execute("PRAGMA schema_version").fetchone()
    except sqlite3.OperationalError as exc:
        if exc.sqlite_errorcode & 0xFF == sqlite3.SQLITE_BUSY:
            raise RecordInUseError(f"{path}: is being written by a run; read it when that has ended") from exc
    except sqlite3.DatabaseError:
        return  # what is wrong with it is found, and said, when it is read
    finally:
        probe.close()


def look_at_versions(connection: sqlite3.Connection, path: Path) -> None:
    """RecordError where it is another program's database, a newer farend's, or nothing yet."""
    application = int(connection.execute("PRAGMA application_id").fetchone()[0])
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    tables = int(connection.execute("SELECT count(*) FROM sqlite_master WHERE type = 'table'").fetchone()[0])
    if application == 0 and version == 0 and tables == 0:
        raise RecordEmptyError(f"{path}: is empty: the run was cut off before anything was recorded; run it again")
    if application != APPLICATION_ID:
        raise RecordError(
            f"{path}: is not a record: application_id={application:#x}, expected {APPLICATION_ID:#x}; "
            "it is the database of another program"
        )
    if version > SCHEMA_VERSION:
        raise RecordError(
            f"{path}: schema={version}: was written by a newer farend, this one reads up to {SCHEMA_VERSION}; update it"
        )
    if version < 1:
        raise damaged(path, f"schema={version}, expected 1 to {SCHEMA_VERSION}")


def uri_of(path: Path, options: str) -> str:
    """``path`` as SQLite opens it with ``options``."""
    return f"file:{quote(str(path.absolute()))}?{options}"
