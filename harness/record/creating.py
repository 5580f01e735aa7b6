"""Making the file of a new record, with its front page and documents on the disk."""

from __future__ import annotations

import hashlib
import os
import sqlite3
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from harness.core.errors import RecordError
from harness.record.header import Header
from harness.record.schema import chain_start, statements

PAGE_BYTES: Final = 8192
"""A batch of a busy run takes about 1 kB: pages of SQLite's usual 4 kB would be a quarter empty."""

LOG_PAGES: Final = 500
"""4 MB of write-ahead log, then it is copied into the file: what has to be copied to read a record that was cut off."""


def create_file(path: Path, header: Header, documents: Mapping[str, bytes]) -> tuple[sqlite3.Connection, bytes]:
    """(the one connection that writes to it, the first link of its chain). Everything is on the disk by then.

    RecordError where the file exists already, or cannot be made.
    """
    try:
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o644))
    except FileExistsError as exc:
        raise RecordError(f"{path}: exists already; a record is never written over: choose another name") from exc
    except OSError as exc:
        raise RecordError(f"{path}: cannot be made: {exc.strerror}; choose a folder that can be written") from exc
    meta = [("header", header.to_json())]
    digests = {name: hashlib.sha256(data).hexdigest() for name, data in documents.items()}
    try:
        connection = _open_new(path)
        connection.execute("BEGIN")
        connection.executemany("INSERT INTO meta VALUES (?, ?)", meta)
        rows = [(name, digests[name], data) for name, data in documents.items()]
        connection.executemany("INSERT INTO document VALUES (?, ?, ?)", rows)
        connection.execute("COMMIT")
    except sqlite3.Error as exc:
        raise RecordError(f"{path}: cannot be written: {exc}; look at the disk's free space and rights") from exc
    return connection, chain_start(meta, list(digests.items()))


def _open_new(path: Path) -> sqlite3.Connection:
    """A connection to the empty file ``path``, its tables made and on the disk, in WAL mode."""
    connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    connection.execute("PRAGMA locking_mode = EXCLUSIVE")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute(f"PRAGMA wal_autocheckpoint = {LOG_PAGES}")
    connection.execute("BEGIN")
    for statement in statements():
        connection.execute(statement)
    connection.execute("COMMIT")
    return connection
