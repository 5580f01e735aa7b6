"""A record survives kill -9 at any instant and a power loss between any two file operations."""

from __future__ import annotations

import hashlib
import itertools
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from harness.core.errors import RecordError
from harness.record.reader import RecordReader
from tests.peers.power_loss import Disk, Op, python_module, trace
from tests.peers.record_child import DOCUMENTS, REPORT, line_of, payload_of

ROOT = Path(__file__).parents[2]
SEED = 20_241_124
SECOND_NS = 1_000_000_000


def check_whole(reader: RecordReader, size: int = 16) -> int:
    """What is there is right, without a hole; returns how many lines. The documents are there from the first moment."""
    assert reader._connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert reader.documents == DOCUMENTS
    assert reader.header.site == "hollowmere"
    lines = reader.messages("printer")
    assert [line.data for line in lines] == [line_of(number, size) for number in range(len(lines))]
    polls = reader.polls(1)
    count = len(polls)
    # A line and its poll are handed over one after the other; a commit may come between them.
    assert len(lines) - 1 <= count <= len(lines)
    assert np.array_equal(polls.told - polls.asked, 300_000 + np.arange(count))
    held = np.repeat(np.arange(len(polls.payloads)), np.diff(np.append(polls.starts, count)))
    assert [polls.payloads[at] for at in held.tolist()] == [payload_of(number) for number in range(count)]
    return count


# --- kill -9 --------------------------------------------------------------------------------------


class Victim:
    """A process that writes until it is killed, and the thread that collects its reports."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.process = subprocess.Popen(  # noqa: S603
            python_module("tests.peers.record_child", "steadily", path), stdout=subprocess.PIPE, cwd=ROOT
        )
        self.reports = b""
        self.begun = threading.Event()
        self.killed_ns = 0
        self._collector = threading.Thread(target=self._collect)
        self._collector.start()

    def _collect(self) -> None:
        assert self.process.stdout is not None
        with self.process.stdout as pipe:
            while data := os.read(pipe.fileno(), 65536):
                self.reports += data
                self.begun.set()
        self.begun.set()

    def kill(self) -> None:
        self.killed_ns = time.monotonic_ns()
        self.process.send_signal(signal.SIGKILL)
        assert self.process.wait() == -signal.SIGKILL
        self._collector.join()

    def handed_over(self) -> list[tuple[int, int]]:
        whole = len(self.reports) // REPORT.size * REPORT.size
        return list(REPORT.iter_unpack(self.reports[:whole]))


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no kill -9")
@pytest.mark.parametrize("batch", range(5))
def test_killed_at_a_random_instant_it_lacks_at_most_the_last_second(tmp_path: Path, batch: int) -> None:
    chance = random.Random(f"{SEED} {batch}")
    victims = [Victim(tmp_path / f"{number}.farend") for number in range(10)]
    try:
        for victim in victims:
            assert victim.begun.wait(60)
        for pause in [chance.uniform(0.2, 1.4)] + [chance.uniform(0, 0.1) for _ in range(9)]:
            time.sleep(pause)  # the instant is what is tried out here
            victims[0].kill()
            check_victim(victims.pop(0))
    finally:
        for victim in victims:
            victim.kill()


def check_victim(victim: Victim) -> None:
    handed = victim.handed_over()
    assert handed
    before = {file.name: digest(file) for file in victim.path.parent.glob(victim.path.name + "*")}
    with RecordReader.open(victim.path) as reader:
        kept = check_whole(reader)
        assert not reader.closed_cleanly
    after = {file.name: digest(file) for file in victim.path.parent.glob(victim.path.name + "*")}
    assert after == before, "reading changed what was left"
    # A machine that stood still did so for both: the widest pause between two reports is not the writer's doing.
    stood_still = max((b - a for (_, a), (_, b) in itertools.pairwise(handed)), default=0)
    due = [number for number, at in handed if at < victim.killed_ns - SECOND_NS - stood_still]
    assert kept >= len(due), f"{len(due) - kept} of those handed over more than a second before are lost"


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


# --- power loss -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def strace() -> None:
    if shutil.which("strace") is None:
        pytest.skip("strace is not installed: the file operations of a real process cannot be seen")
    probe = subprocess.run(["strace", "-o", os.devnull, "true"], capture_output=True, check=False)  # noqa: S603, S607
    if probe.returncode:
        pytest.skip(f"strace may not trace here: {probe.stderr.decode(errors='replace').strip()}")


def traced(tmp_path: Path, rounds: int, lines: int, size: int) -> list[Op]:
    folder = tmp_path / "disk"
    folder.mkdir()
    command = python_module("tests.peers.record_child", "in-rounds", folder / "r.farend", rounds, lines, size)
    return trace(folder, command, ROOT)


@pytest.mark.usefixtures("strace")
def test_a_power_loss_between_any_two_file_operations_loses_only_what_was_not_flushed(tmp_path: Path) -> None:
    ops = traced(tmp_path, rounds=6, lines=3, size=16)
    lost = LossOfPower(16)
    for op in ops:
        lost.after(op, look=True)
    assert lost.closed
    assert lost.looked > 100, "a record takes more file operations than that"


@pytest.mark.usefixtures("strace")
def test_a_power_loss_around_a_checkpoint_loses_only_what_was_not_flushed(tmp_path: Path) -> None:
    """Enough data that SQLite copies its log into the file in the middle of the run, and begins the log anew."""
    ops = traced(tmp_path, rounds=24, lines=95, size=2000)
    turning = [at for at, op in enumerate(ops) if op.what in ("sync", "truncate", "unlink", "open")]
    chance = random.Random(SEED)
    chosen = {at + off for at in chance.sample(turning, 25) for off in (-1, 0, 1)}
    chosen |= set(chance.sample(range(len(ops)), 25))
    checkpoints = [at for at, op in enumerate(ops) if op.what == "write" and op.name == "r.farend"]
    first = next(at for at in checkpoints if any(op.what == "report" for op in ops[:at]))
    assert any(op.what == "report" and op.data.startswith(b"flushed") for op in ops[first:]), "no checkpoint in the run"
    chosen |= set(range(first - 2, first + 6))
    lost = LossOfPower(2000)
    for at, op in enumerate(ops):
        lost.after(op, look=at in chosen)
    assert lost.closed
    assert lost.looked > 80


class LossOfPower:
    """Follows the operations, and looks at what three kinds of loss leave after any of them."""

    def __init__(self, size: int) -> None:
        self._disk = Disk()
        self._size = size
        self._chance = random.Random(SEED)
        self._created = False
        self._flushed = self._handed = 0
        self.closed = False
        self.looked = 0

    def after(self, op: Op, *, look: bool) -> None:
        self._disk.apply(op)
        if op.what == "report":
            word, number = op.data.split()
            self._created = True
            self.closed = word == b"closed"
            if word == b"flushed":
                self._flushed = int(number)
            elif word == b"handed":
                self._handed = int(number)
        if look:
            self.looked += 1
            self._check(self._disk.everything())
            self._check(self._disk.synced_only())
            self._check(self._disk.synced_and_some(self._chance))

    def _check(self, files: dict[str, bytes]) -> None:
        with tempfile.TemporaryDirectory() as folder:
            for name, data in files.items():
                (Path(folder) / name).write_bytes(data)
            try:
                with RecordReader.open(Path(folder) / "r.farend") as reader:
                    kept = check_whole(reader, self._size)
            except RecordError:
                assert not self._created, "it had been made, and cannot be opened"
                return
        # What comes between the report and the operation is handed over already: at most one round.
        assert self._flushed <= kept, f"{self._flushed - kept} that were flushed are lost"
        assert kept <= max(self._handed, self._flushed) + 200
