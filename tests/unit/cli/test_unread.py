"""Where nobody reads any more what a command says: it does its work, and its exit code is that of the work."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from harness.core.verdicts import ExitCode

SAYING = """
import sys
from harness.cli.common import note, say, say_json, say_rendered
for _ in range(3):
    say("one")
    note("two")
    say_json({})
    say_rendered("three")
sys.exit(5)
"""
AS_WATCH = """
import sys
from harness.cli.common import say_line
try:
    say_line("one", must_be_read=True)
except BrokenPipeError:
    sys.exit(6)
"""
AS_CLICK = """
import sys
import click
import harness.cli
def broken():
    raise BrokenPipeError(32, "Broken pipe")
harness.cli.LazyGroup.get_command = lambda *_: click.Command("judge", callback=broken)
sys.argv = ["farend", "judge"]
harness.cli.main()
"""


@pytest.mark.parametrize(("text", "code"), [(SAYING, 5), (AS_WATCH, 6), (AS_CLICK, ExitCode.UNKNOWN)])
def test_who_reads_decides_nothing(text: str, code: int) -> None:
    """Both outputs are pipes whose reader is gone before the first word."""
    reading, writing = os.pipe()
    os.close(reading)
    try:
        process = subprocess.run(  # noqa: S603 - our own interpreter
            [sys.executable, "-W", "error", "-c", text], stdout=writing, stderr=writing, check=False, timeout=60
        )
    finally:
        os.close(writing)
    assert process.returncode == code
