"""Writing a record: observations go to memory at once, and from there to the file by a thread of their own.

Every call of the observer appends to a list under a lock that the thread holds only to take the list away; so
neither a slow disk nor a large commit holds up the event loop. The thread commits at most every
``COMMIT_PERIOD_NS``, and each commit is on the disk when it returns (WAL, synchronous = FULL). So a process that is
killed, or a computer that loses its power, loses what was handed over since, which is less than a second.

The file is locked for as long as it is written (locking_mode = EXCLUSIVE): no shared memory, so it also works on a
network drive, and nobody reads half of it.
"""

from __future__ import annotations

import json
import sqlite3
import threading
import time
import traceback
from collections.abc import Mapping
from pathlib import Path
from typing import Final, Protocol

import numpy as np

from harness.core.errors import RecordError
from harness.core.instants import NS_PER_MS, NS_PER_S, Clock
from harness.links.base import AnyBlock, LinkState, ObjectBlock, Observer
from harness.record.chunks import encode_changes, encode_times
from harness.record.clocks import ClockWatch
from harness.record.creating import create_file
from harness.record.header import Header, Json, UtcClock
from harness.record.pending import ENTRY_COST_BYTES, Pending
from harness.record.schema import Entry, EntryKind, chain_next

COMMIT_PERIOD_NS: Final = 250 * NS_PER_MS
"""A quarter of the second that may be lost: one commit waits for the next, and a disk may take its time."""

SLOW_COMMIT_NS: Final = 500 * NS_PER_MS
"""A commit that takes longer is an event in the record: it makes up most of the second that may be lost."""

DROPPED_BYTES_MAX: Final = 64


class Tap(Observer, Protocol):
    """Gets every call that the record gets, after the record has it."""

    def event(self, kind: str, at_ns: int, data: Mapping[str, Json]) -> None:
        """What was done or noted, see ``RecordWriter.event``."""


class RecordWriter:
    """The one writer of a record. Implements ``harness.links.base.Observer``.

    Its observer calls and ``event`` come from one thread; ``flush`` and ``close`` wait for the disk and belong into
    ``asyncio.to_thread`` where a loop runs.
    """

    def __init__(self, connection: sqlite3.Connection, path: Path, chain: bytes, clock: Clock, utc: UtcClock) -> None:
        self.path = path
        self._connection = connection
        self._chain = chain
        self._clock = clock
        self._clocks = ClockWatch(clock, utc)
        self._lock = threading.Lock()
        self._wake = threading.Condition(self._lock)
        self._pending = Pending()
        self._payload: dict[int, bytes | None] = {}
        self._states: dict[str, LinkState] = {}
        self._taps: list[Tap] = []
        self._wanted = 0
        self._tried = 0
        self._done = 0
        self._closing = False
        self._failing = ""
        self._entries_written = 0
        self._thread = threading.Thread(target=self._write_until_closed, name="record-writer", daemon=True)

    @classmethod
    def create(
        cls,
        path: Path,
        header: Header,
        documents: Mapping[str, bytes],
        clock: Clock,
        *,
        utc_clock: UtcClock = time.time_ns,
    ) -> RecordWriter:
        """Make a new record and start writing. It is on the disk, with its documents, when this returns.

        RecordError where the file exists already, or cannot be made.
        """
        connection, chain = create_file(path, header, documents)
        writer = cls(connection, path, chain, clock, utc_clock)
        writer._thread.start()
        return writer

    # --- what links observe -----------------------------------------------------------------------

    def block(self, block: AnyBlock) -> None:
        """See ``Observer.block``. ValueError where the id was announced before."""
        if block.id in self._payload:
            raise ValueError(f"block id={block.id} was announced before; ids are unique in a run")
        now = self._clock()
        rest: dict[str, Json] = (
            {"objects": [[kind.value, instance] for kind, instance in block.objects]}
            if isinstance(block, ObjectBlock)
            else {"unit": block.unit, "table": block.table.value, "address": block.address, "count": block.count}
        )
        with self._lock:
            self._payload[block.id] = None
            self._states.setdefault(block.link, LinkState.DOWN)
            self._pending.add((EntryKind.BLOCK, str(block.id), now, now, block.link, json.dumps(rest).encode()))
        for tap in self._taps:
            self._tell(tap, "block", block)

    def poll(self, block_id: int, asked_ns: int, told_ns: int, payload: bytes) -> None:
        """See ``Observer.poll``. ValueError for a block never announced, or an answer before its question."""
        if told_ns < asked_ns:
            raise ValueError(f"poll of block {block_id}: told_ns={told_ns} is before asked_ns={asked_ns}")
        with self._lock:
            try:
                before = self._payload[block_id]
            except KeyError:
                raise ValueError(f"poll of block {block_id}, which was not announced") from None
            pending = self._pending
            changed = payload != before
            cost = len(payload) if changed else 0
            if pending.has_room(cost):
                if changed:
                    self._payload[block_id] = payload
                    pending.positions.append(len(pending.polls) // 3)
                    pending.payloads.append(payload)
                    pending.bytes_used += cost
                pending.polls.extend((block_id, asked_ns, told_ns))
            else:
                pending.lose("poll", asked_ns)
        if self._taps:
            for tap in tuple(self._taps):
                self._tell(tap, "poll", block_id, asked_ns, told_ns, payload)

    def poll_failed(self, block_id: int, asked_ns: int, given_up_ns: int, why: str) -> None:
        """See ``Observer.poll_failed``."""
        self._observe((EntryKind.FAILURE, str(block_id), asked_ns, given_up_ns, _storable(why), b""))
        for tap in tuple(self._taps):
            self._tell(tap, "poll_failed", block_id, asked_ns, given_up_ns, why)

    def overrun(self, link: str, due_ns: int, begun_ns: int) -> None:
        """See ``Observer.overrun``."""
        self._observe((EntryKind.OVERRUN, link, due_ns, begun_ns, "", b""))
        for tap in tuple(self._taps):
            self._tell(tap, "overrun", link, due_ns, begun_ns)

    def message(self, link: str, first_ns: int, last_ns: int, data: bytes) -> None:
        """See ``Observer.message``."""
        self._observe((EntryKind.MESSAGE, link, first_ns, last_ns, "", data))
        for tap in tuple(self._taps):
            self._tell(tap, "message", link, first_ns, last_ns, data)

    def link_state(self, link: str, at_ns: int, state: LinkState, why: str) -> None:
        """See ``Observer.link_state``."""
        with self._lock:
            self._states[link] = state
        self._observe((EntryKind.LINK_STATE, link, at_ns, at_ns, state, why.encode(errors="backslashreplace")))
        for tap in tuple(self._taps):
            self._tell(tap, "link_state", link, at_ns, state, why)

    def dropped(self, link: str, at_ns: int, what: str, data: bytes) -> None:
        """See ``Observer.dropped``."""
        data = data[:DROPPED_BYTES_MAX]
        self._observe((EntryKind.DROPPED, link, at_ns, at_ns, _storable(what), data))
        for tap in tuple(self._taps):
            self._tell(tap, "dropped", link, at_ns, what, data)

    # --- what is done -----------------------------------------------------------------------------

    def event(self, kind: str, at_ns: int, data: Mapping[str, Json]) -> None:
        """Something done or noted: a step of a stimulus, a review, a state as found. Never lost for want of room."""
        text = json.dumps(data, sort_keys=True, ensure_ascii=True)
        with self._lock:
            self._pending.add((EntryKind.EVENT, "", at_ns, at_ns, kind, text.encode()))
        for tap in tuple(self._taps):
            self._tell(tap, "event", kind, at_ns, data)

    def subscribe(self, tap: Tap) -> None:
        """Hand every further call on to ``tap``. One that raises is dropped, and the record says so."""
        self._taps.append(tap)

    @property
    def failing(self) -> str:
        """Why the record cannot be written at present; '' while it can. What is pending is tried again."""
        return self._failing

    def flush(self) -> None:
        """Wait until all that was handed over is on the disk. RecordError where it cannot be written."""
        with self._wake:
            self._wanted += 1
            mine = self._wanted
            self._wake.notify_all()
            self._wake.wait_for(lambda: self._tried >= mine or not self._thread.is_alive())
            if self._done < mine:
                raise RecordError(f"{self.path}: cannot be written: {self._failing or 'the record is closed'}")

    def close(self) -> None:
        """Write what is pending and leave one file that can be read from read-only media. May be called again.

        RecordError where what is pending cannot be written; what was written before stays and can be read.
        """
        with self._wake:
            if self._closing:
                return
            self._closing = True
            self._wake.notify_all()
        self._thread.join()
        self._connection.close()
        if self._failing:
            raise RecordError(f"{self.path}: its end could not be written: {self._failing}")

    # --- inside -----------------------------------------------------------------------------------

    def _observe(self, entry: Entry) -> None:
        with self._lock:
            if self._pending.has_room(ENTRY_COST_BYTES + len(entry[4]) + len(entry[5])):
                self._pending.add(entry)
            else:
                self._pending.lose(entry[0], entry[2])

    def _tell(self, tap: Tap, call: str, *args: object) -> None:
        try:
            getattr(tap, call)(*args)
        except Exception:  # noqa: BLE001 - a display that crashes must not stop the recording
            self._taps.remove(tap)
            self.event("tap-failed", self._clock(), {"call": call, "traceback": traceback.format_exc()})

    def _write_until_closed(self) -> None:
        """The thread: take what is pending, commit it, wait."""
        held: Pending | None = None
        while True:
            with self._wake:
                self._wake.wait_for(
                    lambda: self._closing or self._wanted > self._tried, timeout=COMMIT_PERIOD_NS / NS_PER_S
                )
                closing, wanted = self._closing, self._wanted
            held = self._commit_all(held, closing=closing)
            with self._wake:
                self._tried = wanted
                if held is None:
                    self._done = wanted
                self._wake.notify_all()
                if closing:
                    return
                if held is not None:  # a disk that refuses is asked again only after the period
                    self._wake.wait_for(lambda: self._closing, timeout=COMMIT_PERIOD_NS / NS_PER_S)

    def _commit_all(self, held: Pending | None, *, closing: bool) -> Pending | None:
        """Commit what an earlier try left over, then what is pending. Returns what could not be committed."""
        try:
            if held is not None:
                self._commit(held)
            held = self._take(closing=closing)
            if not held.is_empty:
                self._commit(held)
            held = None
            if closing:
                self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
                self._connection.execute("PRAGMA journal_mode = DELETE")
            self._failing = ""
        except Exception as exc:  # noqa: BLE001 - a thread that died would be a record that ends without a word
            self._failing = f"{type(exc).__name__}: {exc}"
        return held

    def _take(self, *, closing: bool) -> Pending:
        """Take away what is pending, with the clock entries that are due."""
        clocks = self._clocks.look()
        now = self._clock()
        with self._lock:
            taken, self._pending = self._pending, Pending()
            taken.taken_ns = now
            states = dict(self._states)
        taken.tell_lost(now, states)
        for entry in clocks:
            taken.add(entry)
        if closing:
            taken.add((EntryKind.CLOSED, "", now, now, "", b""))
        return taken

    def _commit(self, batch: Pending) -> None:
        """One transaction. Raises sqlite3.Error with nothing of it written."""
        count = len(batch.polls) // 3
        base_ns, times = None, b""
        if count:
            base_ns, times = encode_times(np.frombuffer(batch.polls, dtype=np.int64).reshape(-1, 3))
        changes = encode_changes(batch.positions, batch.payloads)
        began = self._clock()
        chain = chain_next(self._chain, batch.taken_ns, count, base_ns, times, changes, batch.entries)
        last_entry = self._entries_written + len(batch.entries)
        execute = self._connection.execute
        execute("BEGIN IMMEDIATE")
        try:
            self._connection.executemany(
                "INSERT INTO entry VALUES (?, ?, ?, ?, ?, ?, ?)",
                ((seq, *entry) for seq, entry in enumerate(batch.entries, self._entries_written + 1)),
            )
            execute(
                "INSERT INTO batch (at_ns, last_entry, polls, base_ns, times, changes, chain) VALUES (?,?,?,?,?,?,?)",
                (batch.taken_ns, last_entry, count, base_ns, times or None, changes or None, chain),
            )
            execute("COMMIT")
        except BaseException:
            if self._connection.in_transaction:
                execute("ROLLBACK")
            raise
        self._chain, self._entries_written = chain, last_entry
        took = self._clock() - began
        if took > SLOW_COMMIT_NS:
            data = json.dumps({"took_ns": took}).encode()
            with self._lock:
                self._pending.add((EntryKind.EVENT, "", began, began, "slow-commit", data))


def _storable(text: str) -> str:
    """The text with lone surrogates escaped: SQLite stores UTF-8, and a message must never stop the record."""
    return text.encode(errors="backslashreplace").decode()
