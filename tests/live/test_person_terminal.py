"""The whole command in a real terminal: keys through a pseudo-terminal, and the terminal as it was, however it ends."""

from __future__ import annotations

import os
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from sims import SiteProcess
from tests.live.test_person_truth import site_file
from tests.peers.command import COMMAND, DEADLINE_S, active, environment, farend
from tests.peers.reviewed import write_reviews

if sys.platform == "win32":
    pytest.skip("pseudo-terminals", allow_module_level=True)
import termios

ALARM = "bulk-a.water"
ESCAPES = re.compile(rb"\x1b\[[0-9;?]*[ -/]*[@-~]")


class Terminal:
    """A command whose terminal is ours: what it shows, and a hand on its keys."""

    def __init__(self, *arguments: object, cwd: Path) -> None:
        self._hand, program = os.openpty()
        termios.tcsetwinsize(program, (40, 80))
        self.program = program
        self.before = termios.tcgetattr(program)
        self.process = subprocess.Popen(  # noqa: S603 - this interpreter, this package
            [*COMMAND, *map(str, arguments)],
            cwd=cwd,
            env=environment(TERM="xterm", COLUMNS="80", LINES="40"),
            stdin=program,
            stdout=program,
            stderr=program,
            start_new_session=True,
        )
        self.shown = b""

    def until(self, text: str, after: int = 0) -> int:
        """Wait until a text stands on the screen; returns where what was shown ends by then."""
        deadline = time.monotonic() + DEADLINE_S
        while text.encode() not in ESCAPES.sub(b"", self.shown[after:]):
            assert time.monotonic() < deadline, f"{text} was never shown: {self.shown[-3000:]!r}"
            self._read(1.0)
        return len(self.shown)

    def press(self, keys: str) -> None:
        os.write(self._hand, keys.encode())

    def end(self) -> int:
        """Wait for its end, reading on."""
        deadline = time.monotonic() + DEADLINE_S
        while self.process.poll() is None:
            assert time.monotonic() < deadline, self.shown[-3000:]
            self._read(0.2)
        self._read(0)
        return self.process.returncode

    def read_for(self, seconds: float) -> None:
        """As long as somebody takes to read what has come up."""
        until = time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0:
            self._read(left)

    def _read(self, wait_s: float) -> None:
        while select.select([self._hand], [], [], wait_s)[0]:
            self.shown += os.read(self._hand, 65536)
            wait_s = 0

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self._hand)
        os.close(self.program)


@pytest.fixture(scope="module")
def sim() -> Iterator[SiteProcess]:
    with SiteProcess() as running:
        yield running


@pytest.fixture
def folder(tmp_path: Path, sim: SiteProcess) -> Path:
    """A site file of five alarms, and its reviews: none of them has a side effect."""
    site_file(tmp_path, sim.port("panel"), {}, in_sight=True, least="0 s")  # this hand needs no time
    write_reviews(tmp_path / "site.yaml")
    return tmp_path


def arguments(folder: Path) -> tuple[object, ...]:
    return ("test", folder / "site.yaml", "--arm", "lodge", "--reviews", folder / "reviews.yaml", "--only", ALARM,
            "--record", folder / "run.farend", "--link", "door")  # fmt: skip


def test_a_test_by_keys_from_the_question_to_the_result(folder: Path) -> None:
    one = Terminal(*arguments(folder), cwd=folder)
    try:
        one.until("how is it before")
        one.press(" ")
        at = one.until("held for 1 s")  # nobody reports what is not lit yet
        one.press("lht")
        at = one.until("acknowledged", at)
        one.press("H")
        one.until("cleared", at)
        one.press("LT")
        assert one.end() == 0, one.shown[-3000:]
        assert termios.tcgetattr(one.program) == one.before
        assert b"appeared" in one.shown
    finally:
        one.close()


@pytest.mark.parametrize("how", ["the stop key", "Ctrl-C", "SIGTERM"])
def test_stopping_clears_what_is_raised_and_puts_the_terminal_back(how: str, folder: Path, sim: SiteProcess) -> None:
    one = Terminal(*arguments(folder), cwd=folder)
    try:
        one.until("how is it before")
        one.press(" ")
        one.until("held for 1 s")  # by then the controller has taken it
        assert active(sim), "it is raised"
        if how == "SIGTERM":
            one.process.send_signal(signal.SIGTERM)
        elif how == "the stop key":
            one.press("q")
        else:
            one.process.send_signal(signal.SIGINT)
        one.end()
        assert not active(sim)
        assert termios.tcgetattr(one.program) == one.before
        assert b"Traceback" not in one.shown
    finally:
        one.close()


def test_without_a_terminal_it_is_said_and_nothing_is_observed(folder: Path, sim: SiteProcess) -> None:
    done = farend(*arguments(folder), cwd=folder)
    assert "standard input is no terminal, so no person can report: what door should see is not observed" in done.err
    assert not active(sim)
    assert done.code != 0
    assert "not-run" in done.out or "not-observed" in done.out


def test_watching_by_keys(folder: Path) -> None:
    one = Terminal("watch", folder / "site.yaml", cwd=folder)
    try:
        one.until("look; report each change as it comes")
        one.press("L")
        one.until("lamp ALARM: dark")
        one.press("l")
        one.until("off -> on")
        one.process.send_signal(signal.SIGINT)
        assert one.end() == 0
        assert termios.tcgetattr(one.program) == one.before
    finally:
        one.close()
