"""What farend asks of the system for a serial port that it only listens to, as strace saw it of the whole command.

A pseudo-terminal has no control lines: that none *moved* is not shown on hardware; that none was *asked for* is.
"""

from __future__ import annotations

import asyncio
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tty
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="strace")

MOVES = ("TIOCMSET", "TIOCMBIS", "TIOCMBIC", "TIOCSBRK", "TCSBRK", "TCSBRKP", "TIOCSTI")
"""Requests that move a control line, send a break, or put bytes in (ioctl_tty(2))."""


@pytest.fixture
def strace() -> str:
    found = shutil.which("strace")
    if found is None:
        pytest.skip("strace is not installed: the calls of a real process cannot be seen")
    probe = subprocess.run([found, "-o", os.devnull, "true"], capture_output=True, check=False)  # noqa: S603
    if probe.returncode:
        pytest.skip(f"strace may not trace here: {probe.stderr.decode(errors='replace').strip()}")
    return found


async def test_a_printed_line_is_heard_and_its_port_gets_no_byte_and_no_control_line(
    strace: str, tmp_path: Path
) -> None:
    near, far = os.openpty()
    tty.setraw(far)
    port, log = os.ttyname(far), tmp_path / "calls"
    traced = (strace, "-f", "-y", "-e", "trace=ioctl,write,writev,openat", "-o", str(log))
    process = await asyncio.create_subprocess_exec(
        *traced, sys.executable, "-m", "harness.cli", "watch", f"text+serial:{port}?baud=9600", "--json",
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.DEVNULL, start_new_session=True,
    )  # fmt: skip
    assert process.stdout is not None
    try:
        async with asyncio.timeout(60):
            while b"notice" not in await process.stdout.readline():
                pass
            os.write(near, b"0001 BULK A HIGH\r\n")
            while "BULK A HIGH" not in json.loads(await process.stdout.readline()).get("now", ""):
                pass
    finally:
        os.killpg(process.pid, signal.SIGINT)
        await process.communicate()
        os.set_blocking(near, False)
        with pytest.raises(BlockingIOError):
            os.read(near, 1)  # not a byte came out of it
        os.close(near)
        os.close(far)
    calls = log.read_text(encoding="utf-8", errors="replace").splitlines()
    mine = [line for line in calls if f"<{port}>" in line or f'"{port}"' in line]
    assert [line for line in mine if "openat(" in line]
    assert [line for line in mine if re.search(r"\bTCSETS", line)], "its speed was set as declared"
    assert not [line for line in mine if re.search(r"\bwritev?\(", line)]
    assert not [line for line in mine if any(re.search(rf"\b{move}\b", line) for move in MOVES)]
