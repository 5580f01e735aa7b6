"""What is handed over comes back, in order and whole; what finds no room is blind time; taps get the same calls."""

from __future__ import annotations

import asyncio
import json
import sqlite3
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from harness.core.errors import RecordError
from harness.links.base import LinkState
from harness.links.seen import Dropped, Failure, Message, Overrun, StateChange
from harness.record import pending as pending_module
from harness.record.found import Event, Lost
from harness.record.reader import RecordReader
from harness.record.writer import RecordWriter
from tests.peers.recorder import Recorder
from tests.unit.record.conftest import DOCUMENTS, Maker, block


def test_everything_handed_over_comes_back(make: Maker, path: Path) -> None:
    writer = make()
    writer.block(block(1))
    writer.block(block(2, link="panel"))
    writer.link_state("bms", 10, LinkState.UP, "connected")
    writer.poll(1, 100, 150, b"\x01\x00")
    writer.poll(2, 110, 160, b"\xff\xff")
    writer.poll(1, 200, 250, b"\x01\x00")
    writer.poll_failed(1, 300, 400, "no answer within 100 ms")
    writer.overrun("bms", 400, 450)
    writer.poll(1, 450, 500, b"\x03\x00")
    writer.message("printer", 600, 640, b"RAISED \xff\x00\x1b[31m")
    writer.dropped("bms", 700, "wrong transaction id", bytes(100))
    writer.event(
        "raise", 800, {"alarm": "bulk-a.high", "by": "J\u00f6rg", "odd": "\udc80", "bounds": [1, 2.5, None, True]}
    )
    writer.event("note", 900, {})
    writer.link_state("bms", 1000, LinkState.DOWN, "connection lost")
    writer.close()
    with RecordReader.open(path) as reader:
        assert reader.blocks() == (block(1), block(2, link="panel"))
        polls = reader.polls(1)
        assert polls.asked.tolist() == [100, 200, 450]
        assert polls.told.tolist() == [150, 250, 500]
        assert polls.starts.tolist() == [0, 2]
        assert polls.payloads == [b"\x01\x00", b"\x03\x00"]
        assert reader.polls(2).asked.tolist() == [110]
        assert reader.failures(1) == (Failure(asked_ns=300, given_up_ns=400, why="no answer within 100 ms"),)
        assert reader.failures(2) == ()
        assert reader.overruns("bms") == (Overrun(due_ns=400, begun_ns=450),)
        assert reader.messages("printer") == (Message(first_ns=600, last_ns=640, data=b"RAISED \xff\x00\x1b[31m"),)
        assert reader.dropped("bms") == (Dropped(at_ns=700, what="wrong transaction id", data=bytes(64)),)
        assert reader.link_states("bms") == (
            StateChange(at_ns=10, state=LinkState.UP, why="connected"),
            StateChange(at_ns=1000, state=LinkState.DOWN, why="connection lost"),
        )
        raised = Event(
            kind="raise",
            at_ns=800,
            data={"alarm": "bulk-a.high", "by": "J\u00f6rg", "odd": "\udc80", "bounds": [1, 2.5, None, True]},
        )
        assert reader.events() == (raised, Event(kind="note", at_ns=900, data={}))
        assert reader.events("note") == (Event(kind="note", at_ns=900, data={}),)
        assert reader.documents == DOCUMENTS
        assert reader.header.seed == 42
        assert reader.header.command == ("farend", "test")
        assert reader.header.extra == {"firmware": "1.2"}
        assert reader.closed_cleanly
        assert reader.lost() == ()
        assert reader.last_ns >= reader.header.anchor.monotonic_ns


def test_an_empty_run_is_a_record_too(make: Maker, path: Path) -> None:
    make().close()
    with RecordReader.open(path) as reader:
        assert (reader.blocks(), reader.events(), reader.messages("x")) == ((), (), ())
        assert len(reader.polls(1)) == 0
        assert reader.closed_cleanly


def test_payload_changes_survive_being_split_over_batches(
    make: Maker, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("harness.record.reader._GROUP_POLLS", 7)
    writer = make()
    writer.block(block(1))
    writer.block(block(2))
    expected = []
    for number in range(100):
        payload = bytes([number // 9, 0])
        writer.poll(1 + number % 2, number * 10, number * 10 + 3, payload)
        expected.append((1 + number % 2, number * 10, payload))
        if number % 5 == 4:
            writer.flush()
    writer.close()
    with RecordReader.open(path) as reader:
        for wanted in (1, 2):
            polls = reader.polls(wanted)
            mine = [one for one in expected if one[0] == wanted]
            assert polls.asked.tolist() == [asked for _, asked, _ in mine]
            held = np.repeat(np.arange(len(polls.payloads)), np.diff(np.append(polls.starts, len(polls))))
            assert [polls.payloads[at] for at in held] == [payload for _, _, payload in mine]
            assert all(a != b for a, b in zip(polls.payloads, polls.payloads[1:], strict=False))


def test_flush_puts_on_the_disk_what_was_handed_over(make: Maker, path: Path) -> None:
    writer = make()
    writer.message("printer", 1, 2, b"RAISED")
    writer.flush()
    on_disk = b"".join(file.read_bytes() for file in path.parent.iterdir())
    assert b"RAISED" in on_disk


def test_it_is_committed_without_being_asked(make: Maker, path: Path) -> None:
    writer = make()
    writer.message("printer", 1, 2, b"RAISED")
    deadline = time.monotonic() + 20
    while b"RAISED" not in b"".join(file.read_bytes() for file in path.parent.iterdir()):
        assert time.monotonic() < deadline


def test_calls_that_contradict_themselves_are_refused(make: Maker) -> None:
    writer = make()
    writer.block(block(1))
    with pytest.raises(ValueError, match="block id=1 was announced before"):
        writer.block(block(1))
    with pytest.raises(ValueError, match="poll of block 7, which was not announced"):
        writer.poll(7, 1, 2, b"")
    with pytest.raises(ValueError, match="told_ns=1 is before asked_ns=2"):
        writer.poll(1, 2, 1, b"")


def test_a_record_is_never_written_over(make: Maker, path: Path) -> None:
    make().close()
    before = path.read_bytes()
    with pytest.raises(RecordError, match="exists already; a record is never written over: choose another name"):
        make()
    assert path.read_bytes() == before


def test_a_folder_that_is_not_there_is_said(make: Maker, path: Path) -> None:
    path.parent.rmdir()
    with pytest.raises(RecordError, match="cannot be made: No such file or directory; choose a folder"):
        make()
    path.parent.mkdir()


def test_closing_twice_is_nothing_and_flushing_after_it_says_so(make: Maker) -> None:
    writer = make()
    writer.close()
    writer.close()
    with pytest.raises(RecordError, match="the record is closed"):
        writer.flush()


def test_the_file_refuses_to_be_changed(make: Maker, path: Path) -> None:
    writer = make()
    writer.message("printer", 1, 2, b"RAISED")
    writer.close()
    connection = sqlite3.connect(path)
    for statement in (
        "UPDATE entry SET word = 'x'",
        "DELETE FROM entry",
        "UPDATE meta SET value = ''",
        "DELETE FROM batch",
    ):
        with pytest.raises(sqlite3.IntegrityError, match="a record is append-only"):
            connection.execute(statement)
    connection.close()


def test_closing_leaves_one_file(make: Maker, path: Path) -> None:
    writer = make()
    writer.message("printer", 1, 2, b"RAISED")
    writer.close()
    assert [file.name for file in path.parent.iterdir()] == [path.name]


# --- room -----------------------------------------------------------------------------------------


@pytest.fixture
def stalled(monkeypatch: pytest.MonkeyPatch) -> threading.Event:
    """Holds the writing thread in its first commit until the event is set, as a disk that stands still."""
    go_on = threading.Event()
    commit = RecordWriter._commit

    def waiting(self: RecordWriter, batch: pending_module.Pending) -> None:
        assert go_on.wait(20)
        commit(self, batch)

    monkeypatch.setattr(RecordWriter, "_commit", waiting)
    return go_on


def until_taken(writer: RecordWriter) -> None:
    deadline = time.monotonic() + 20
    while writer._pending.entries:
        assert time.monotonic() < deadline


def test_what_finds_no_room_is_blind_time_and_events_always_find_room(
    make: Maker, path: Path, stalled: threading.Event, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pending_module, "POLLS_PENDING_MAX", 3)
    writer = make()
    writer.block(block(1))
    writer.link_state("bms", 5, LinkState.UP, "connected")
    writer.link_state("printer", 6, LinkState.UP, "connected")
    writer.link_state("panel", 7, LinkState.DOWN, "cannot connect")
    until_taken(writer)
    for number in range(5):
        writer.poll(1, 1000 + 10 * number, 1005 + 10 * number, bytes([number]))
    writer.message("printer", 2000, 2001, b"RAISED")
    writer.event("raise", 2002, {"alarm": "a"})
    stalled.set()
    writer.flush()
    writer.poll(1, 3000, 3005, bytes([4]))
    writer.close()
    with RecordReader.open(path) as reader:
        polls = reader.polls(1)
        assert polls.asked.tolist() == [1000, 1010, 1020, 3000]
        assert polls.payloads == [b"\x00", b"\x01", b"\x02", b"\x04"]
        assert reader.messages("printer") == ()
        assert [event.at_ns for event in reader.events("raise")] == [2002]
        (lost,) = reader.lost()
        assert lost == Lost(from_ns=1030, until_ns=lost.until_ns, why=lost.why, counts={"poll": 2, "line": 1})
        for link in ("bms", "printer"):
            _, down, up = reader.link_states(link)
            assert (down.at_ns, down.state) == (1030, LinkState.DOWN)
            assert (up.at_ns, up.state) == (lost.until_ns, LinkState.UP)
        assert [state.state for state in reader.link_states("panel")] == [LinkState.DOWN, LinkState.DOWN]


def test_bytes_have_a_limit_too(
    make: Maker, path: Path, stalled: threading.Event, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pending_module, "BYTES_PENDING_MAX", 2000)
    writer = make()
    writer.link_state("printer", 5, LinkState.UP, "connected")
    until_taken(writer)
    for number in range(100):
        writer.message("printer", number, number, b"x" * 100)
    stalled.set()
    writer.close()
    with RecordReader.open(path) as reader:
        assert len(reader.messages("printer")) == 6
        assert reader.lost()[0].counts == {"line": 94}


def test_a_disk_that_refuses_is_tried_again_and_nothing_is_lost(
    make: Maker, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = make()
    commit = RecordWriter._commit
    full = True

    def refusing(self: RecordWriter, batch: pending_module.Pending) -> None:
        if full:
            raise sqlite3.OperationalError("database or disk is full")
        commit(self, batch)

    monkeypatch.setattr(RecordWriter, "_commit", refusing)
    writer.message("printer", 1, 2, b"ONE")
    with pytest.raises(RecordError, match="cannot be written: OperationalError: database or disk is full"):
        writer.flush()
    assert "disk is full" in writer.failing
    writer.message("printer", 3, 4, b"TWO")
    full = False
    writer.flush()
    assert writer.failing == ""
    writer.close()
    with RecordReader.open(path) as reader:
        assert [line.data for line in reader.messages("printer")] == [b"ONE", b"TWO"]


def test_a_disk_that_is_really_full_says_so_and_what_was_written_is_kept(make: Maker, path: Path) -> None:
    """SQLite's own limit on the size of the file stands in for the disk: the error is the real one."""
    writer = make()
    writer.message("printer", 1, 2, b"ONE")
    writer.flush()
    pages = writer._connection.execute("PRAGMA page_count").fetchone()[0]
    writer._connection.execute(f"PRAGMA max_page_count = {pages + 1}")
    for number in range(200):
        writer.message("printer", number, number, b"x" * 1000)
    with pytest.raises(RecordError, match="database or disk is full"):
        writer.flush()
    with pytest.raises(RecordError, match="its end could not be written"):
        writer.close()
    with RecordReader.open(path) as reader:
        assert [line.data for line in reader.messages("printer")] == [b"ONE"]
        assert not reader.closed_cleanly


# --- taps -----------------------------------------------------------------------------------------


class Tap(Recorder):
    def __init__(self) -> None:
        super().__init__()
        self.events: list[tuple[str, int, object]] = []

    def event(self, kind: str, at_ns: int, data: object) -> None:
        self.events.append((kind, at_ns, data))


def test_a_tap_gets_the_same_calls(make: Maker) -> None:
    writer, tap = make(), Tap()
    writer.subscribe(tap)
    writer.block(block(1))
    writer.poll(1, 1, 2, b"\x01\x00")
    writer.poll_failed(1, 3, 4, "why")
    writer.overrun("bms", 5, 6)
    writer.message("printer", 7, 8, b"RAISED")
    writer.link_state("bms", 9, LinkState.UP, "connected")
    writer.dropped("bms", 10, "what", bytes(100))
    writer.event("raise", 11, {"alarm": "a"})
    assert tap.blocks == {1: block(1)}
    assert tap.polls == [(1, 1, 2, b"\x01\x00")]
    assert tap.failures == [(1, 3, 4, "why")]
    assert tap.overruns == [("bms", 5, 6)]
    assert tap.lines == [("printer", 7, 8, b"RAISED")]
    assert tap.states == [("bms", 9, LinkState.UP, "connected")]
    assert tap.drops == [("bms", 10, "what", bytes(64))]
    assert tap.events == [("raise", 11, {"alarm": "a"})]


@pytest.mark.parametrize(
    "call", ["block", "poll", "poll_failed", "overrun", "message", "link_state", "dropped", "event"]
)
def test_a_tap_that_crashes_is_dropped_and_the_recording_goes_on(make: Maker, path: Path, call: str) -> None:
    class Broken(Tap):
        def __getattribute__(self, name: str) -> object:
            if name == call:
                raise RuntimeError("the display broke")
            return super().__getattribute__(name)

    writer, healthy = make(), Tap()
    writer.subscribe(Broken())
    writer.subscribe(healthy)
    writer.block(block(1))
    for number in range(2):
        writer.poll(1, 10 * number, 10 * number + 1, bytes([number]))
        writer.poll_failed(1, 3, 4, "why")
        writer.overrun("bms", 5, 6)
        writer.message("printer", 7, 8, b"RAISED")
        writer.link_state("bms", 9, LinkState.UP, "connected")
        writer.dropped("bms", 10, "what", b"")
        writer.event("raise", 11, {})
    writer.close()
    assert (len(healthy.polls), len(healthy.lines), len(healthy.drops)) == (2, 2, 2)
    with RecordReader.open(path) as reader:
        assert len(reader.polls(1)) == len(reader.messages("printer")) == len(reader.events("raise")) == 2
        (failed,) = reader.events("tap-failed")
        assert failed.data["call"] == call
        assert "the display broke" in str(failed.data["traceback"])


# --- clocks ---------------------------------------------------------------------------------------


def test_a_step_of_the_wall_clock_is_recorded_and_slewing_is_not_one(
    make: Maker, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("harness.record.clocks.CLOCK_LOOK_NS", 0)
    offset = 0
    writer = make(utc_clock=lambda: time.time_ns() + offset)
    writer.flush()
    offset += 5_000_000
    writer.flush()
    offset -= 3600 * 10**9
    writer.flush()
    writer.flush()
    writer.close()
    with RecordReader.open(path) as reader:
        steps = [check for check in reader.clock_checks() if check.is_step]
        assert len(reader.clock_checks()) >= 2
        assert len(steps) == 1
        assert abs(steps[0].moved_ns + 3600 * 10**9) < 10**9


async def test_it_does_not_hold_up_the_event_loop(make: Maker, stalled: threading.Event) -> None:
    """While the disk stands still, observations are taken and the loop turns."""
    writer = make()
    writer.block(block(1))
    flush = asyncio.create_task(asyncio.to_thread(writer.flush))
    for number in range(1000):
        writer.poll(1, number, number, b"\x01")
        await asyncio.sleep(0)
    assert not flush.done()
    stalled.set()
    await flush


def test_events_are_json_that_others_can_read(make: Maker, path: Path) -> None:
    writer = make()
    writer.event("raise", 1, {"alarm": "bulk-a.high"})
    writer.close()
    connection = sqlite3.connect(path)
    ((data,),) = connection.execute("SELECT data FROM entry WHERE kind = 'event'").fetchall()
    connection.close()
    assert json.loads(data) == {"alarm": "bulk-a.high"}
