"""The simulated site as a process of its own, started and stopped from Python."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from collections.abc import Sequence
from types import TracebackType
from typing import Final, Self

STOPS_WITHIN_S: Final = 10.0  # it closes a few sockets; longer means that it hangs, and it is killed


class SiteProcess:
    """``with SiteProcess(["--defect", "late@bms"]) as site:`` or ``async with``; ``ready`` says where everything is.

    ``arguments`` are those of ``python -m sims``. The process ends with the block, and with this process too, even if
    that is killed: it watches its standard input. Raises ValueError if it does not start; its own words are then on
    standard error.
    """

    def __init__(self, arguments: Sequence[str] = ()) -> None:
        self._arguments = list(arguments)
        self._process: subprocess.Popen[str] | None = None
        self.ready: dict[str, object] = {}

    def port(self, name: str) -> int:
        """One of ``panel``, ``bms``, ``printer``, ``bus``, ``bus_tap``, ``gateway``, ``annunciator``, …"""
        port = self.ready[f"{name}_port"]
        assert isinstance(port, int)  # noqa: S101 - written by our own process
        return port

    def start(self) -> None:
        """Start, and return when it listens."""
        self._process = subprocess.Popen(  # noqa: S603 - this interpreter, this package
            [sys.executable, "-m", "sims", "--until-eof", *self._arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            encoding="utf-8",
        )
        assert self._process.stdout is not None  # noqa: S101 - it is a pipe
        line = self._process.stdout.readline()
        if not line:
            code = self._process.wait()
            self.stop()
            raise ValueError(f"arguments={self._arguments}: the simulated site did not start: exit code {code}")
        self.ready = json.loads(line)

    def stop(self) -> int:
        """Stop, wait, and return the exit code."""
        process = self._process
        assert process is not None  # noqa: S101 - start() was called
        with process:
            assert process.stdin is not None  # noqa: S101 - it is a pipe
            process.stdin.close()
            try:
                return process.wait(STOPS_WITHIN_S)
            except subprocess.TimeoutExpired:
                process.kill()
                return process.wait()

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, exc_type: type[BaseException] | None, exc: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.stop()

    async def __aenter__(self) -> Self:
        await asyncio.to_thread(self.start)
        return self

    async def __aexit__(
        self, exc_type: type[BaseException] | None, exc: BaseException | None, traceback: TracebackType | None
    ) -> None:
        await asyncio.to_thread(self.stop)
