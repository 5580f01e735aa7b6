"""The annunciator: a lamp, a horn, a text display and three buttons; what a person would see, over a raw TCP port.

The lamp is on while any alarm is active, or was and nobody acknowledged it. The horn sounds from each new alarm until
it is silenced or acknowledged, or the alarm goes; a new alarm sounds it again. The display shows the text of the alarm
that was raised last of those that are active. Lamp and horn walk as in the annunciator sequences of ISA-18.1 (from
memory), with a steady lamp in place of a flashing one.

On connecting, and at each change, a line: ``LAMP ON``, ``HORN OFF``, ``SHOWS BULK A HIGH``, ``SHOWS -``. A line that is
sent there presses a button: ``silence``, ``acknowledge`` (every alarm), ``reset``.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from sims.alarms import BY_NAME
from sims.controller import Action, Situation
from sims.options import SiteOptions
from sims.output import Surroundings, Value
from sims.points import ANNUNCIATOR_HORN, DISPLAY, LAMP, Place, Point

LINE_MAX: Final = 64  # no button has a longer name; whoever sends longer lines is no finger
CLIENTS_MAX: Final = 16
CLIENT_BACKLOG_MAX: Final = 64 * 1024  # thousands of changes: a client that is this far behind has stopped reading

BUTTONS: Final = {
    "silence": Action.SILENCE,
    "acknowledge": Action.ACKNOWLEDGE,
    "reset": Action.RESET,
}


class _Watcher(asyncio.Protocol):
    """One connection: sees the face, and has a finger."""

    def __init__(self, annunciator: Annunciator) -> None:
        self._annunciator = annunciator
        self._received = b""
        self.transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)  # noqa: S101 - a stream server makes no other
        self.transport = transport
        self._annunciator.joined(self)

    def data_received(self, data: bytes) -> None:
        *lines, self._received = (self._received + data).split(b"\n")
        for line in lines:
            self._annunciator.press(line.strip().decode("ascii", "replace"))
        if len(self._received) > LINE_MAX and self.transport is not None:
            self.transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002
        self._annunciator.left(self)


class Annunciator:
    """The output ``annunciator``."""

    name: Final = "annunciator"

    def __init__(self, options: SiteOptions) -> None:
        self._options = options
        self.delay_ns = options.annunciator_delay_ns
        self._on: dict[Point, int] = {}
        self._watchers: dict[_Watcher, asyncio.Transport] = {}
        self._surroundings: Surroundings | None = None
        self._server: asyncio.Server | None = None
        self._port: int | None = None
        self._left = asyncio.Event()

    @property
    def watchers(self) -> int:
        """How many are connected."""
        return len(self._watchers)

    def meant(self, situation: Situation) -> Mapping[Point, int]:
        """The lamp, the horn, and for each alarm whether the display shows it."""
        face = {point: int(point.signal == situation.newest) for point in DISPLAY}
        return {LAMP: int(situation.open), ANNUNCIATOR_HORN: int(situation.horn), **face}

    async def start(self, surroundings: Surroundings) -> None:
        """Listen."""
        self._surroundings = surroundings
        self._on = dict(surroundings.initial)
        loop = asyncio.get_running_loop()
        port = self._options.annunciator_port or 0
        self._server = await loop.create_server(lambda: _Watcher(self), surroundings.host, port)
        self._port = int(self._server.sockets[0].getsockname()[1])

    async def run(self) -> None:
        """Nothing to do by itself."""

    async def stop(self) -> None:
        """Close everything."""
        if self._server is not None:
            self._server.close()
            self._server = None
        for transport in list(self._watchers.values()):
            transport.abort()
        while self._watchers:
            self._left.clear()
            await self._left.wait()

    def show(self, values: Sequence[Value]) -> None:
        """Change the face, and tell everybody of what looks or sounds otherwise than before."""
        assert self._surroundings is not None  # noqa: S101 - started
        before, face_before = self._visible(), self._face()
        self._on.update(values)
        lines = [line for line, was in zip(self._face(), face_before, strict=True) if line != was]
        before_ns = time.monotonic_ns()
        self._tell("".join(f"{line}\r\n" for line in lines), self._watchers.values())
        after_ns = time.monotonic_ns()
        for point, value in self._visible().items():
            if value != before[point]:
                self._surroundings.shown(point, value, before_ns, after_ns)

    def ready(self) -> Mapping[str, object]:
        """Where it is."""
        return {"annunciator_port": self._port}

    def joined(self, watcher: _Watcher) -> None:
        """Somebody connected: the whole face as it is."""
        assert watcher.transport is not None  # noqa: S101 - it has just been made
        assert self._surroundings is not None  # noqa: S101 - started
        if len(self._watchers) >= CLIENTS_MAX:
            watcher.transport.abort()
            return
        self._watchers[watcher] = watcher.transport
        self._tell("".join(f"{line}\r\n" for line in self._face()), (watcher.transport,))
        self._surroundings.changed()

    def left(self, watcher: _Watcher) -> None:
        """Somebody is gone."""
        self._watchers.pop(watcher, None)
        self._left.set()
        if self._surroundings is not None:
            self._surroundings.changed()

    def press(self, button: str) -> None:
        """A button, by its name. What is no button does nothing, and the truth log is told of it."""
        assert self._surroundings is not None  # noqa: S101 - started
        action = BUTTONS.get(button.lower())
        if action is None or not self._surroundings.press(None, action, self.name):
            self._surroundings.fault(Place.ANNUNCIATOR, "no-button", button)

    def _visible(self) -> dict[Point, int]:
        """What can be seen and heard of each point: the display has room for one alarm."""
        shown = [point for point in DISPLAY if self._on.get(point, 0)][-1:]
        return {
            LAMP: int(bool(self._on.get(LAMP, 0))),
            ANNUNCIATOR_HORN: int(bool(self._on.get(ANNUNCIATOR_HORN, 0))),
            **{point: int(point in shown) for point in DISPLAY},
        }

    def _face(self) -> list[str]:
        visible = self._visible()
        shown = next((BY_NAME[point.signal].text for point in DISPLAY if visible[point]), "-")
        return [
            f"LAMP {'ON' if visible[LAMP] else 'OFF'}",
            f"HORN {'ON' if visible[ANNUNCIATOR_HORN] else 'OFF'}",
            f"SHOWS {shown}",
        ]

    def _tell(self, text: str, transports: Iterable[asyncio.Transport]) -> None:
        for transport in list(transports):
            if transport.get_write_buffer_size() > CLIENT_BACKLOG_MAX:
                transport.abort()
            elif text:
                transport.write(text.encode("ascii"))
