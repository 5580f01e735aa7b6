"""The annunciator's face in a terminal: what it shows of each line, and its keys through a real pseudo-terminal."""

from __future__ import annotations

import os
import re
import select
import socket
import subprocess
import sys
import time
from itertools import product

import pytest

from sims.annunciator_view import Face, picture

DARK = Face()
DEADLINE_S = 60.0
ESCAPES = re.compile(rb"\x1b\[[0-9;?]*[A-Za-z]")


def test_lines_of_the_annunciator_and_nothing_else_change_the_face() -> None:
    face = DARK.told("LAMP ON\r\n").told("HORN ON\r\n").told("SHOWS BULK A HIGH\r\n")
    assert face == Face(lamp=True, horn=True, shows="BULK A HIGH")
    assert face.told("LAMP OFF\r\n").told("HORN OFF\r\n").told("SHOWS -\r\n") == DARK
    assert face.told("BELL ON\r\n").told("\r\n") == face


def test_each_state_looks_otherwise_and_fits_into_eighty_columns_and_ten_lines() -> None:
    pictures = {
        (lamp, horn, shows): tuple(picture(Face(lamp=lamp, horn=horn, shows=shows), "acknowledge"))
        for lamp, horn, shows in product((False, True), (False, True), ("", "BULK A HIGH", "W" * 80))
    }
    assert len(set(pictures.values())) == len(pictures)
    assert all(len(line) <= 80 for lines in pictures.values() for line in lines)
    assert all(len(lines) <= 10 for lines in pictures.values())
    lit = "\n".join(pictures[True, False, ""])
    assert "LAMP LIT" in lit
    assert "horn silent" in lit


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals")
def test_keys_press_buttons_and_the_terminal_is_put_back() -> None:
    import termios

    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(DEADLINE_S)
        hand, program = os.openpty()
        before = termios.tcgetattr(program)
        port = server.getsockname()[1]
        process = subprocess.Popen(  # noqa: S603 - this interpreter, this module
            [sys.executable, "-m", "sims.annunciator_view", "127.0.0.1", str(port)],
            stdin=program, stdout=program, stderr=program,
        )  # fmt: skip
        try:
            peer = server.accept()[0]
            with peer:
                peer.settimeout(DEADLINE_S)
                peer.sendall(b"LAMP OFF\r\nHORN ON\r\nSHOWS DAY HIGH\r\n")
                _until(hand, b"DAY HIGH")
                os.write(hand, b"xsa")
                got = b""
                while got.count(b"\n") < 2:
                    got += peer.recv(64)
                assert got == b"silence\r\nacknowledge\r\n"
                os.write(hand, b"q")
                _until(hand, b"\x1b[?1049l", plain=False)
                assert process.wait(DEADLINE_S) == 0
            assert termios.tcgetattr(program) == before
        finally:
            process.kill()
            process.wait()
            os.close(hand)
            os.close(program)


def _until(hand: int, text: bytes, *, plain: bool = True) -> None:
    """Read until a text was shown."""
    shown, deadline = b"", time.monotonic() + DEADLINE_S
    while text not in (ESCAPES.sub(b"", shown) if plain else shown):
        assert time.monotonic() < deadline, shown
        if select.select([hand], [], [], 1.0)[0]:
            shown += os.read(hand, 65536)


def test_without_a_terminal_or_an_annunciator_it_says_what_it_lacks() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "sims.annunciator_view", "127.0.0.1", "9"],
        stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert "it needs a terminal" in done.stderr
