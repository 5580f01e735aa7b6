"""How one more way out of the site is plugged in: what an output is given, and what it has to do.

The controller's three original faces (panel, bms, printer) live in ``sims.faces``. Every other output is an object of
its own that fits ``Output``; ``sims.site`` makes the ones that are asked for and does the rest:

1. ``meant`` is asked in every scan that changed anything: what each point should show now.
2. Defects move, invert, lose, delay and shorten it, all by the points' places, so that an output need not know them.
3. After ``delay_ns`` the output's ``show`` is called with the values that are due, in the event loop.
4. The output makes them visible, and tells ``Surroundings.shown`` between which two instants that happened.

An output that learns its values by itself (a gateway that polls) has an empty ``meant``, and hands them to
``Surroundings.offer`` when it has some; steps 2 to 4 are then the same.

To add one: its points in ``sims.points`` (``ALARM_POINTS``, ``COMMON_POINTS``), its options in ``sims.options``, itself
in ``sims.site._outputs``, and its places in the kinds of defects that it can have (``sims.defect_kinds``).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol

from sims.alarm_states import AlarmState
from sims.controller import Action, Situation
from sims.defects import Defect
from sims.points import Place, Point

__all__ = ["Action", "AlarmState", "Output", "Situation", "Surroundings", "Value"]


class Log(Protocol):
    """Puts an entry into the truth log."""

    def __call__(self, kind: str, **entry: Any) -> None: ...


class Value(NamedTuple):
    """What a point is to show now."""

    point: Point
    value: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What an output is given at its start. Every callable is for the event loop's own thread.

    ``started_ns``: the start of the site on the monotonic clock. ``defects``: those of this output's places.
    ``seed``: from which all its dice must come. ``initial``: what it shows from the start, other than 0, already
    delayed and spoiled; it is to be visible before the first client can look, and needs no ``shown``.
    """

    host: str
    seed: int
    started_ns: int
    defects: tuple[Defect, ...]
    initial: tuple[Value, ...]
    shown: Callable[[Point, int, int, int], None]
    """``shown(point, value, before_ns, after_ns)``: the new value became readable between the two instants."""
    offer: Callable[[Mapping[Point, int]], None]
    """Values for all points of the output, found by itself: they take the way of every other output from here. What
    is due at once has been shown when it returns."""
    is_still: Callable[[Place], bool]
    """Whether a defect keeps a block as it is now, whatever happens (nothing of it reaches ``show`` then)."""
    fault: Callable[[Place, str, str], None]
    """``fault(place, what, detail)``: something that was done on purpose to an answer, a message or a connection."""
    press: Callable[[str | None, Action, str], bool]
    """``press(alarm, action, by)``: what a button does; no alarm means every alarm. False: the controller refused."""
    log: Log
    """``log(kind, **entry)``: anything else that the truth log has to know, as a notification that was sent."""
    changed: Callable[[], None]
    """Something that ``SimulatedSite.until`` may wait for has happened, as a client that came or went."""


class Output(Protocol):
    """One way out of the site."""

    @property
    def name(self) -> str:
        """The device: ``Place.device`` of all its places."""

    @property
    def delay_ns(self) -> int:
        """From the scan (or the offer) until it is due."""

    def meant(self, situation: Situation) -> Mapping[Point, int]:
        """What each of its points should show; always the same points. Empty if it finds its values by itself."""

    async def start(self, surroundings: Surroundings) -> None:
        """Listen. Raises OSError if a port is taken, NotImplementedError for what this system cannot do."""

    async def run(self) -> None:
        """Work until cancelled, or return at once if there is nothing to do. What it raises stops the site."""

    async def stop(self) -> None:
        """Close everything; also called where ``start`` failed or was never called."""

    def show(self, values: Sequence[Value]) -> None:
        """Make values visible, in their order. Never waits. Repeated values may come: they are no change."""

    def ready(self) -> Mapping[str, object]:
        """Its ports and paths, for the ready line and the header of the truth log: ``{"bus_port": 15024}``."""
