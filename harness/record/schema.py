"""The layout of a record: tables, versions, the kinds of entries, and the chain that finds damage.

One SQLite file. ``meta`` and ``document`` are written once. ``batch`` is one row a commit: its polls (see
``chunks``) and the link of the chain. ``entry`` is everything else, in the order in which it was handed over.
Triggers refuse to change or delete a row.
"""

from __future__ import annotations

import hashlib
from enum import StrEnum, unique
from typing import Final

APPLICATION_ID: Final = 0x4641_5231
"""In the SQLite header (https://www.sqlite.org/fileformat2.html, 1.3): "FAR1"."""

SCHEMA_VERSION: Final = 3
"""``user_version`` of the file. A reader reads its own version and every older one, and refuses a newer one.

From 3 on a record may hold corrections, which a reader must not pass over; one that is corrected becomes a 3.
"""

_TABLES: Final = {
    "meta": "key TEXT PRIMARY KEY, value TEXT NOT NULL",
    "document": "name TEXT PRIMARY KEY, sha256 TEXT NOT NULL, data BLOB NOT NULL",
    "batch": "seq INTEGER PRIMARY KEY, at_ns INTEGER NOT NULL, last_entry INTEGER NOT NULL, polls INTEGER NOT NULL, "
    "base_ns INTEGER, times BLOB, changes BLOB, chain BLOB NOT NULL",
    "entry": "seq INTEGER PRIMARY KEY, kind TEXT NOT NULL, subject TEXT NOT NULL, start_ns INTEGER NOT NULL, "
    "end_ns INTEGER NOT NULL, word TEXT NOT NULL, data BLOB NOT NULL",
}


@unique
class EntryKind(StrEnum):
    """What an entry is. Beside each: subject; start_ns, end_ns; word; data."""

    BLOCK = "block"  # block id; when announced, twice; link; JSON of the rest
    FAILURE = "failure"  # block id; asked, given up; why
    OVERRUN = "overrun"  # link; due, begun
    MESSAGE = "line"  # link; first byte, last byte; -; a printed line, or another message as its link puts it
    LINK_STATE = "link-state"  # link; at, twice; up or down; why as UTF-8
    DROPPED = "dropped"  # link; at, twice; what; the bytes
    EVENT = "event"  # -; at, twice; kind of event; JSON
    CLOCK = "clock"  # -; monotonic, UTC; check or step; JSON
    LOST = "lost"  # -; from, to; what; JSON of how many of each
    CLOSED = "closed"  # -; at, twice


Entry = tuple[str, str, int, int, str, bytes]
"""(kind, subject, start_ns, end_ns, word, data)."""


def statements() -> list[str]:
    """The SQL that makes an empty record."""
    made = [f"PRAGMA application_id = {APPLICATION_ID}", f"PRAGMA user_version = {SCHEMA_VERSION}"]
    for table, columns in _TABLES.items():
        made.append(f"CREATE TABLE {table} ({columns})")
        made += [
            f"CREATE TRIGGER {table}_{action.lower()} BEFORE {action} ON {table} "
            "BEGIN SELECT RAISE(ABORT, 'a record is append-only'); END"
            for action in ("UPDATE", "DELETE")
        ]
    return made


CHAIN_BYTES: Final = 16
"""Half of SHA-256: the chain finds damage and careless edits. It has no key, so it does not stop a forger."""


def chain_start(meta: list[tuple[str, str]], documents: list[tuple[str, str]]) -> bytes:
    """The first link: over the (key, value) and (document name, SHA-256) pairs, sorted."""
    digest = hashlib.sha256()
    for name, value in (*sorted(meta), *sorted(documents)):
        _feed(digest, name.encode(), value.encode())
    return digest.digest()[:CHAIN_BYTES]


def chain_next(
    chain: bytes, at_ns: int, polls: int, base_ns: int | None, times: bytes, changes: bytes, entries: list[Entry]
) -> bytes:
    """The next link: over the one before, a batch and its entries."""
    digest = hashlib.sha256(chain)
    _feed(digest, f"{at_ns} {polls} {base_ns}".encode(), times, changes)
    for kind, subject, start_ns, end_ns, word, data in entries:
        numbers = f"{start_ns} {end_ns}".encode()
        _feed(digest, kind.encode(), subject.encode(), numbers, word.encode(), data)
    return digest.digest()[:CHAIN_BYTES]


def _feed(digest: hashlib._Hash, *parts: bytes) -> None:
    for part in parts:
        digest.update(len(part).to_bytes(8, "big"))
        digest.update(part)
