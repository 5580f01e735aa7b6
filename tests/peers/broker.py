"""A real mosquitto on a free port of the loopback interface: started, killed, started again, frozen."""

from __future__ import annotations

import asyncio
import os
import shutil
import signal
import socket
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path

import aiomqtt
import pytest

from tests.peers.free_ports import free_tcp_port
from tests.peers.recorder import DEADLINE_S, eventually

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")

needs_mosquitto = pytest.mark.skipif(MOSQUITTO is None, reason="mosquitto, the MQTT broker, is not installed")

SECURITY_PLUGIN = next(Path("/usr/lib").glob("**/mosquitto_dynamic_security.so"), None)

needs_security_plugin = pytest.mark.skipif(
    SECURITY_PLUGIN is None, reason="mosquitto's own security plugin, which refuses subscriptions, is not installed"
)


class Broker:
    """One mosquitto. Its port stays the same over restarts; nothing is kept on disk."""

    def __init__(self, folder: Path, settings: Sequence[str] = (), *, plain: bool = True) -> None:
        """``settings``: further lines of its configuration, which follow the listener's own."""
        self.port = free_tcp_port()
        self._file = folder / "mosquitto.conf"
        anyone = ["allow_anonymous true"] if plain else []
        if os.geteuid() == 0:
            anyone.append("user root")  # else it gives up its rights, and cannot read the test's files
        lines = [f"listener {self.port} 127.0.0.1", *anyone, "persistence false", "set_tcp_nodelay true", *settings]
        self._file.write_text("\n".join(lines) + "\n", encoding="utf-8")
        self._process: asyncio.subprocess.Process | None = None

    async def start(self) -> None:
        """Returns when it takes connections."""
        assert MOSQUITTO is not None
        nowhere = asyncio.subprocess.DEVNULL
        self._process = await asyncio.create_subprocess_exec(
            MOSQUITTO, "-c", str(self._file), stdout=nowhere, stderr=nowhere
        )
        await eventually(self._listens)

    def _listens(self) -> bool:
        assert self._process is not None
        assert self._process.returncode is None, "mosquitto ended by itself"
        with socket.socket() as one:
            return one.connect_ex(("127.0.0.1", self.port)) == 0

    async def kill(self) -> None:
        """End it as a power cut would."""
        assert self._process is not None
        if self._process.returncode is None:
            self._process.kill()
        await self._process.wait()

    def freeze(self) -> None:
        """Stop it in the middle of whatever it does; its connections stay open."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)


@asynccontextmanager
async def broker(folder: Path, settings: Sequence[str] = (), *, plain: bool = True) -> AsyncIterator[Broker]:
    """A broker for the length of a ``with`` block."""
    one = Broker(folder, settings, plain=plain)
    await one.start()
    try:
        yield one
    finally:
        await one.kill()


@asynccontextmanager
async def publisher(port: int, **settings: object) -> AsyncIterator[aiomqtt.Client]:
    """Another client of the broker; ``settings`` are aiomqtt's."""
    async with aiomqtt.Client(
        "127.0.0.1",
        port,
        timeout=DEADLINE_S,
        socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
        **settings,  # type: ignore[arg-type]
    ) as client:
        yield client
