"""Reading a record: offline, read-only, with its damage found before anything is judged from it."""

from __future__ import annotations

import hashlib
import itertools
import json
import sqlite3
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

import numpy as np
from numpy.typing import NDArray

from harness.core.errors import RecordError
from harness.core.places import ObjectType, Table
from harness.links.base import AnyBlock, Block, LinkState, ObjectBlock
from harness.links.seen import Dropped, Failure, Message, Overrun, Polls, StateChange
from harness.record.chunks import decode_changes, decode_times
from harness.record.found import ClockCheck, Event, Lost
from harness.record.header import Header
from harness.record.opening import damaged, open_record
from harness.record.schema import Entry, EntryKind, chain_next, chain_start

_GROUP_POLLS: Final = 16_384
"""So many polls are decoded at once: few enough that the temporary arrays stay in the processor's cache."""

_EMPTY: Final = np.zeros(0, dtype=np.int64)


class RecordReader:
    """A record, opened and proven whole. Close it, or use it in a ``with``."""

    def __init__(
        self, path: Path, connection: sqlite3.Connection, copies: tempfile.TemporaryDirectory[str] | None
    ) -> None:
        self.path = path
        self._connection = connection
        self._copies = copies
        self._polls: dict[int, Polls] | None = None
        meta = [(str(key), str(value)) for key, value in connection.execute("SELECT key, value FROM meta")]
        if "header" not in dict(meta):
            raise RecordError(f"{path}: is empty: the run was cut off before anything was recorded; run it again")
        self.header = Header.from_json(dict(meta)["header"])
        self.documents: Mapping[str, bytes] = self._read_documents()
        digests = [(name, hashlib.sha256(data).hexdigest()) for name, data in self.documents.items()]
        self.chain, self.entries_written = chain_start(meta, digests), 0
        self.last_ns = self._verify()

    @classmethod
    def open(cls, path: Path) -> RecordReader:
        """Open ``path`` for reading and check all of it against its chain. Changes nothing on the disk beside it.

        RecordError, with what to do, where it is no record, is newer than this farend, is being written, or is damaged.
        """
        connection, copies = open_record(path)
        try:
            return cls.of(path, connection, copies)
        except BaseException:
            connection.close()
            if copies is not None:
                copies.cleanup()
            raise

    @classmethod
    def of(
        cls, path: Path, connection: sqlite3.Connection, copies: tempfile.TemporaryDirectory[str] | None = None
    ) -> Self:
        """A reader over a connection that is open already. RecordError where what it holds is damaged."""
        try:
            return cls(path, connection, copies)
        except (sqlite3.Error, ValueError, KeyError, TypeError, AttributeError, OverflowError) as exc:
            # A damaged page can hold values of any type in any column.
            raise damaged(path, exc) from exc

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()
        if self._copies is not None:
            self._copies.cleanup()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, exc: BaseException | None, tb: TracebackType | None) -> None:
        self.close()

    # --- what was observed ------------------------------------------------------------------------

    def blocks(self) -> tuple[AnyBlock, ...]:
        """Every block, in the order in which they were announced."""
        made: list[AnyBlock] = []
        for subject, _, _, link, data in self._entries(EntryKind.BLOCK):
            rest = json.loads(data)
            if "objects" in rest:
                objects = tuple((ObjectType(kind), int(instance)) for kind, instance in rest["objects"])
                made.append(ObjectBlock(id=int(subject), link=link, objects=objects))
                continue
            rest["table"] = Table(rest["table"])
            made.append(Block(id=int(subject), link=link, **rest))
        return tuple(made)

    def polls(self, block_id: int) -> Polls:
        """Every answered poll of a block; empty arrays where there are none."""
        if self._polls is None:
            try:
                self._polls = self._decode_polls()
            except ValueError as exc:
                raise damaged(self.path, exc) from exc
        return self._polls.get(block_id, Polls(asked=_EMPTY, told=_EMPTY, starts=_EMPTY, payloads=[]))

    def failures(self, block_id: int) -> tuple[Failure, ...]:
        """The polls of a block that got no usable answer."""
        rows = self._entries(EntryKind.FAILURE, str(block_id))
        return tuple(Failure(asked_ns=start, given_up_ns=end, why=why) for _, start, end, why, _ in rows)

    def messages(self, link: str) -> tuple[Message, ...]:
        """What a link was told unasked: printed lines, notifications, reports of a person."""
        rows = self._entries(EntryKind.MESSAGE, link)
        return tuple(Message(first_ns=start, last_ns=end, data=data) for _, start, end, _, data in rows)

    def link_states(self, link: str) -> tuple[StateChange, ...]:
        """When a link came up and went down; a time that this computer could not record counts as down."""
        rows = self._entries(EntryKind.LINK_STATE, link)
        return tuple(
            StateChange(at_ns=start, state=LinkState(word), why=data.decode(errors="backslashreplace"))
            for _, start, _, word, data in rows
        )

    def overruns(self, link: str) -> tuple[Overrun, ...]:
        """The polls of a link that began too late."""
        rows = self._entries(EntryKind.OVERRUN, link)
        return tuple(Overrun(due_ns=start, begun_ns=end) for _, start, end, _, _ in rows)

    def dropped(self, link: str) -> tuple[Dropped, ...]:
        """Bytes of a link that did not fit."""
        rows = self._entries(EntryKind.DROPPED, link)
        return tuple(Dropped(at_ns=start, what=what, data=data) for _, start, _, what, data in rows)

    # --- what was done, and what became of the recording --------------------------------------------

    def events(self, kind: str | None = None) -> tuple[Event, ...]:
        """What was done or noted, in order; only of one kind where ``kind`` is given."""
        rows = self._entries(EntryKind.EVENT)
        return tuple(
            Event(kind=word, at_ns=start, data=json.loads(data))
            for _, start, _, word, data in rows
            if kind is None or word == kind
        )

    def clock_checks(self) -> tuple[ClockCheck, ...]:
        """The wall clock against the monotonic one, with every step."""
        rows = self._entries(EntryKind.CLOCK)
        return tuple(
            ClockCheck(monotonic_ns=start, utc_ns=end, is_step=word == "step", **json.loads(data))
            for _, start, end, word, data in rows
        )

    def lost(self) -> tuple[Lost, ...]:
        """Times in which observations found no room. The links were marked as down for them."""
        rows = self._entries(EntryKind.LOST)
        return tuple(
            Lost(from_ns=start, until_ns=end, why=why, counts=json.loads(data)) for _, start, end, why, data in rows
        )

    @property
    def closed_cleanly(self) -> bool:
        """False where the run was cut off."""
        return any(True for _ in self._entries(EntryKind.CLOSED))

    # --- inside -----------------------------------------------------------------------------------

    def _entries(self, kind: EntryKind, subject: str | None = None) -> list[Any]:
        """Rows (subject, start_ns, end_ns, word, data) in the order in which they were handed over."""
        sql = "SELECT subject, start_ns, end_ns, word, data FROM entry WHERE kind = ?"
        try:
            if subject is None:
                return self._connection.execute(sql + " ORDER BY seq", (kind,)).fetchall()
            return self._connection.execute(sql + " AND subject = ? ORDER BY seq", (kind, subject)).fetchall()
        except sqlite3.Error as exc:
            raise damaged(self.path, exc) from exc

    def _read_documents(self) -> dict[str, bytes]:
        documents = {}
        for name, sha256, data in self._connection.execute("SELECT name, sha256, data FROM document ORDER BY name"):
            found = hashlib.sha256(data).hexdigest()
            if found != sha256:
                raise ValueError(f"document {name}: sha256={found}, expected {sha256}")
            documents[str(name)] = bytes(data)
        return documents

    def _verify(self) -> int:
        """Follow the chain over every row: the last instant of which the record knows. ValueError where it breaks.

        Leaves the last link of it in ``chain``, and how many entries there are in ``entries_written``.
        """
        chain = self.chain
        last_ns = self.header.anchor.monotonic_ns
        entries = self._all_entries()
        taken = 0
        sql = "SELECT seq, at_ns, last_entry, polls, base_ns, times, changes, chain FROM batch ORDER BY seq"
        for place, row in enumerate(self._connection.execute(sql), 1):
            seq, at_ns, last_entry, polls, base_ns, times, changes, link = row
            mine = [entry for _, entry in zip(range(last_entry - taken), entries, strict=False)]
            taken += len(mine)
            chain = chain_next(chain, at_ns, polls, base_ns, times or b"", changes or b"", mine)
            if seq != place or taken != last_entry or chain != link:
                raise ValueError(f"batch {seq} does not fit to what was written before it")
            last_ns = max(last_ns, at_ns)
        if next(entries, None) is not None:
            raise ValueError("there are entries after the last batch")
        self.chain, self.entries_written = chain, taken
        return last_ns

    def _all_entries(self) -> Iterator[Entry]:
        sql = "SELECT kind, subject, start_ns, end_ns, word, data FROM entry ORDER BY seq"
        for row in self._connection.execute(sql):
            yield tuple(row)

    def _decode_polls(self) -> dict[int, Polls]:
        """Every block's polls, decoded in groups of batches."""
        gathered: dict[int, _Gathered] = {}
        for counts, bases, times, changed in self._groups():
            rows = decode_times(counts, bases, times)
            order = np.argsort(rows[:, 0].astype(np.int32), kind="stable")
            rows = rows[order]
            place = np.empty_like(order)
            place[order] = np.arange(len(order))
            edges = np.flatnonzero(np.diff(rows[:, 0], prepend=-1, append=-1)).tolist()
            first = {}
            for start, stop in itertools.pairwise(edges):
                block = int(rows[start, 0])
                mine = gathered.setdefault(block, _Gathered())
                first[block] = start - mine.count
                mine.asked.append(rows[start:stop, 1].copy())
                mine.told.append(rows[start:stop, 2].copy())
                mine.count += stop - start
            for at, payload in _changes_of(counts, changed):
                block = int(rows[place[at], 0])
                gathered[block].starts.append(int(place[at]) - first[block])
                gathered[block].payloads.append(payload)
        return {block: mine.polls(block) for block, mine in gathered.items()}

    def _groups(self) -> Iterator[tuple[list[int], list[int], list[bytes], list[bytes | None]]]:
        """Batches that hold polls, so many at once that their polls come to about ``_GROUP_POLLS``."""
        counts: list[int] = []
        bases: list[int] = []
        times: list[bytes] = []
        changes: list[bytes | None] = []
        held = 0
        sql = "SELECT polls, base_ns, times, changes FROM batch WHERE polls > 0 ORDER BY seq"
        for polls, base_ns, packed, changed in self._connection.execute(sql):
            counts.append(polls)
            bases.append(base_ns)
            times.append(packed)
            changes.append(changed)
            held += polls
            if held >= _GROUP_POLLS:
                yield counts, bases, times, changes
                counts, bases, times, changes, held = [], [], [], [], 0
        if counts:
            yield counts, bases, times, changes


@dataclass(slots=True)
class _Gathered:
    """The polls of one block, as they come out of the groups."""

    asked: list[NDArray[np.int64]] = field(default_factory=list)
    told: list[NDArray[np.int64]] = field(default_factory=list)
    starts: list[int] = field(default_factory=list)
    payloads: list[bytes] = field(default_factory=list)
    count: int = 0

    def polls(self, block: int) -> Polls:
        if not self.starts or self.starts[0] != 0:
            raise ValueError(f"block {block}: its first poll has no payload")
        return Polls(
            asked=np.concatenate(self.asked),
            told=np.concatenate(self.told),
            starts=np.array(self.starts, dtype=np.int64),
            payloads=self.payloads,
        )


def _changes_of(counts: list[int], changed: list[bytes | None]) -> list[tuple[int, bytes]]:
    """(poll's place in the group, payload) for every payload that differs from the one before."""
    made = []
    before = 0
    for count, data in zip(counts, changed, strict=True):
        if data:
            positions, payloads = decode_changes(data)
            made += [(before + at, payload) for at, payload in zip(positions, payloads, strict=True)]
        before += count
    return made
