"""What the one list of checks needs to know of a link: its peer, its wire, and one point whose truth is known."""

from __future__ import annotations

import asyncio
import time
from abc import ABC, abstractmethod
from collections.abc import AsyncIterator, Mapping
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from typing import Final

from harness.core.errors import Origin
from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.core.links import LinkSpec
from harness.core.model import (
    Alarm,
    AlarmClass,
    Behaviour,
    Expectation,
    Hold,
    Limits,
    Point,
    Result,
    Site,
    Stimulus,
)
from harness.core.places import Place
from harness.core.trace import Trace
from harness.correlate.engine import correlate
from harness.correlate.outline import Outline, outline
from harness.links.base import Link, LinkState
from harness.results.evidence import evidence_of
from harness.run.listening import listeners
from harness.run.live import LiveMemory, LiveSource, PointState
from tests.peers.virtual_time import VirtualTimeLoop

ORIGIN: Final = Origin(file="conformance", line=1)
HOLD_NS: Final = 200 * NS_PER_MS
DEADLINE_NS: Final = 20 * NS_PER_S
OWN_INSTANT_S: Final = 0.000_1
"""In virtual time much happens at one instant; what a test does happens at one of its own."""
POINT: Final = "output"
LINK: Final = "link"


def clock() -> int:
    """The clock of listener, peer and wire: real, or virtual where everything runs in one process."""
    return time.monotonic_ns()


def stand_still(duration_ns: int) -> None:
    """The event loop is kept from its work for so long."""
    loop = asyncio.get_running_loop()
    if isinstance(loop, VirtualTimeLoop):
        loop.now_ns += duration_ns
        return
    until_ns = clock() + duration_ns
    while clock() < until_ns:
        pass


class Passage:
    """When nothing at all could pass a wire, as the wire itself knows it."""

    def __init__(self) -> None:
        self._reasons: set[str] = set()
        self._since_ns = 0
        self._spans: list[Bounds] = []

    def forget(self) -> None:
        """Of what is over."""
        self._spans.clear()

    def shut(self, reason: str) -> None:
        """Nothing passes from now on."""
        if not self._reasons:
            self._since_ns = clock()
        self._reasons.add(reason)

    def open(self, reason: str) -> None:
        """As far as this reason goes, it may pass again."""
        if self._reasons == {reason}:
            self._spans.append(Bounds(self._since_ns, clock()))
        self._reasons.discard(reason)

    def spans(self) -> list[Bounds]:
        """All times in which nothing could pass, in order."""
        return [*self._spans, Bounds(self._since_ns, clock())] if self._reasons else list(self._spans)


class Rig(ABC):
    """One kind of link between farend and a peer, over a wire that can be made to fail.

    ``is_pushed``: the peer tells changes by itself; a link that polls asks for them.
    ``in_process``: peer and wire run in the test's own event loop, so that time can be virtual.
    ``left_out``: checks that cannot apply to it, and why; by the name of the check.
    """

    name: str
    is_pushed = False
    in_process = True
    left_out: Mapping[str, str] = {}
    proves_quiet = True
    """While it is alive, silence is evidence."""
    faults: tuple[str, ...] = ("refuse", "hold", "slow", "tear", "garbage", "cut")
    """What may happen to it at random, without that it was promised not to happen (``unnoticed``)."""
    unnoticed: Mapping[str, str] = {}
    """Faults that nobody at its end of the wire can notice, and who has to rule them out."""
    stays_silent: bool = False
    """True where the listener may not send a single byte."""
    flood_bytes = 8 * 1024 * 1024
    instants = 50
    """At so many of its life a listener is ended; fewer where a life takes long."""
    cycles = 150
    """Of up and down in the check of memory: so many that one object left in each of them shows."""
    slow_s = 0.002
    """Between two bytes of a slow peer; no slower than that the next thing it says is not held up by the one before."""

    passage: Passage
    """What the wire knows of itself."""
    shown: list[tuple[Bounds, bool]]
    """Every state that the peer's output took, and when; it is off at the start."""

    @abstractmethod
    def running(self) -> AbstractAsyncContextManager[None]:
        """Peer and wire are there for the length of a ``with`` block."""

    @abstractmethod
    def spec(self) -> LinkSpec:
        """The link as a site file would describe it. Its name is ``LINK``."""

    @abstractmethod
    def place(self) -> Place:
        """Where the one point is."""

    @abstractmethod
    async def set_output(self, *, on: bool) -> Bounds:
        """Let the peer's output take a state. Returns closed bounds of the instant at which it did."""

    async def show(self, *, on: bool) -> Bounds:
        """As :meth:`set_output`; and it is remembered in ``shown``."""
        await asyncio.sleep(OWN_INSTANT_S)
        bounds = await self.set_output(on=on)
        await asyncio.sleep(OWN_INSTANT_S)
        self.shown.append((bounds, on))
        return bounds

    # --- faults; the wire of most rigs does them -----------------------------------------------------

    @abstractmethod
    async def refuse(self) -> None:
        """The peer is not there: connecting is refused, what is connected is lost."""

    @abstractmethod
    async def admit(self) -> None:
        """It is there again."""

    @abstractmethod
    def cut(self) -> None:
        """Connections are lost at once; new ones are welcome."""

    @abstractmethod
    def hold(self) -> None:
        """Half-open: nothing arrives on either side, and nobody is told."""

    @abstractmethod
    def release(self) -> None:
        """What is sent arrives again, and whole."""

    @abstractmethod
    def slow(self, seconds: float) -> None:
        """What the peer sends arrives in the smallest pieces, with this time between two; 0: no longer."""

    @abstractmethod
    def tear(self) -> None:
        """Of what the peer sends next only the first half arrives."""

    @abstractmethod
    def inject(self, data: bytes) -> None:
        """Bytes to the listener that the peer never sent."""

    @abstractmethod
    async def be_somebody_else(self) -> None:
        """From now on another unit, device or client answers in place of the right one, with the point on."""

    @abstractmethod
    def attempts_ns(self) -> list[int]:
        """When the listener tried to connect (as far as the wire can know)."""

    @abstractmethod
    def sent_by_listener(self) -> bytes:
        """All bytes that the listener ever sent."""

    @abstractmethod
    async def until_left(self) -> None:
        """Wait until the peer knows that the listener has gone, if it ever was there."""

    # --- what a rig may know better -------------------------------------------------------------------

    def lost_unnoticed(self) -> bool:
        """Whether bytes were lost on what stands, so that :meth:`release` resets it."""
        return False

    async def heal(self, ears: Ears) -> None:
        """After any faults: everything passes again, and the link observes again."""
        downs, is_reset = ears.downs(), ears.live.up[LINK] and self.lost_unnoticed()
        self.slow(0)
        self.release()
        await self.admit()
        if is_reset:
            await ears.until_back(downs)
        await self.until_well(ears)

    def meet(self, link: Link) -> None:  # noqa: B027 - a wire comes to know its listener by itself
        """A listener was made for this rig."""

    async def begin(self, ears: Ears) -> None:
        """Let the listener see the point on and off; who tells of changes only has told its state then."""
        for on in (True, False):
            await self.show(on=on)
            await ears.until_seen(on=on)
            await asyncio.sleep(HOLD_NS / NS_PER_S)

    async def until_joined(self, ears: Ears) -> None:  # noqa: B027 - most peers need not know anybody
        """Wait until the peer knows a listener that is connected to its wire."""

    async def until_well(self, ears: Ears) -> None:
        """Wait until the link observes again after a fault."""
        await ears.until_up()

    async def prove_alive(self, ears: Ears, instant: int) -> None:
        """Let the peer say something behind ``instant`` plus the longest delay of its path (pushed links only)."""
        raise NotImplementedError

    def forget(self) -> None:
        """Keep nothing of what was noted so far."""
        self.shown.clear()
        self.passage.forget()

    def held_by_wire(self) -> int:
        """Bytes that the wire holds for a listener that reads slowly."""
        return 0

    def check_sent(self, sent: bytes) -> None:  # noqa: B027 - a silent link has nothing to check
        """Raise AssertionError where the listener sent what it may not."""

    # --- what follows from it -------------------------------------------------------------------------

    def site(self) -> Site:
        """A site of one link, one point and one alarm, expected to follow and expected to stay quiet."""
        point = Point(
            name=POINT,
            link=LINK,
            place=self.place(),
            hold=Hold(on_ns=HOLD_NS, off_ns=HOLD_NS, on_declared=True, off_declared=True),
            origin=ORIGIN,
        )
        alarms = {
            name: Alarm(name=name, alarm_class=AlarmClass.ALARM, priority=1, text=name, side_effects=(), origin=ORIGIN)
            for name in ("shown", "hidden")
        }
        quiet = Expectation(
            key="hidden@output",
            alarm="hidden",
            point=POINT,
            behaviour=Behaviour.QUIET,
            limits=Limits(search_ns=NS_PER_MS, settle_ns=NS_PER_MS, leak_ns=HOLD_NS),
            origin=ORIGIN,
        )
        return Site(
            name="conformance",
            title="conformance",
            controller="peer",
            firmware="",
            links={LINK: self.spec()},
            points={POINT: point},
            alarms=alarms,
            side_effects={},
            writable=(),
            expectations=(quiet,),
        )


class Ears:
    """A listener at work on a rig, and everything that it observed."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.site = rig.site()
        self.start_ns = clock()
        self.live = LiveSource(self.site, clock, self._shown)
        self.ever_on = False
        self.link: Link = listeners(self.site, self.live, clock)[0]
        rig.meet(self.link)

    @asynccontextmanager
    async def listening(self) -> AsyncIterator[asyncio.Task[None]]:
        """The listener runs for the length of a ``with`` block; what it raises is raised at the end."""
        task = asyncio.create_task(self.link.run(), name="listener")
        try:
            yield task
        finally:
            task.cancel()
            await asyncio.wait([task])
        if not task.cancelled():
            task.result()

    def _shown(self, point: Point, state: PointState) -> None:
        self.ever_on |= state.on

    # --- waiting --------------------------------------------------------------------------------------

    async def until_up(self) -> None:
        """Wait until the link observes."""
        assert await self.live.wait_until(lambda: self.live.up[LINK], clock() + DEADLINE_NS), self.states()
        await self.rig.until_joined(self)

    def downs(self) -> int:
        """How often the link has said that it is down."""
        return sum(state is LinkState.DOWN for state, _ in self.states())

    async def until_back(self, downs: int) -> None:
        """Wait until the link went down once more than ``downs`` times, and came up again."""
        is_back = lambda: self.downs() > downs and self.live.up[LINK]  # noqa: E731 - asked often, in one place
        assert await self.live.wait_until(is_back, clock() + DEADLINE_NS), self.states()
        await self.rig.until_joined(self)

    async def until_down(self) -> None:
        """Wait until the link says that it does not."""
        assert await self.live.wait_until(lambda: not self.live.up[LINK], clock() + DEADLINE_NS), self.states()

    async def until_seen(self, *, on: bool) -> None:
        """Wait until the point was seen in a state."""

        def is_seen() -> bool:
            state = self.live.states.get(POINT)
            return state is not None and state.on is on

        assert await self.live.wait_until(is_seen, clock() + DEADLINE_NS), (self.states(), self.live.states)

    async def until_heard_since(self, instant: int) -> None:
        """Wait until something was observed that lies wholly behind ``instant``."""
        point, live = POINT, self.live

        def is_heard() -> bool:
            state = live.states.get(point)
            return state is not None and state.asked_ns > instant

        assert await live.wait_until(is_heard, clock() + DEADLINE_NS), (self.states(), live.states)

    def blind(self) -> list[Bounds]:
        """When the link was not observed, as the evidence says."""
        evidence = evidence_of(LiveMemory(self.live), self.site, (), self.start_ns, clock())
        return [it.span for it in evidence.blind]

    # --- what is made of it -----------------------------------------------------------------------------

    def states(self) -> list[tuple[LinkState, str]]:
        """How the link went up and down, in order."""
        return [(it.state, it.why) for it in self.live.link_changes[LINK]]

    def trace(self) -> Trace:
        """The evidence about the point so far, decoded as for a record."""
        evidence = evidence_of(LiveMemory(self.live), self.site, (), self.start_ns, clock())
        assert POINT in evidence.traces, (self.states(), "nothing was observed")
        return evidence.traces[POINT]

    def outline(self) -> Outline:
        """Its sightings."""
        return outline(self.trace(), self.site.points[POINT].hold)

    def quiet(self, window: Bounds) -> Result:
        """The verdict on an alarm that had to leave the point alone from ``window.lo`` to ``window.hi``."""
        raised, cleared = Bounds(window.lo, window.lo), Bounds(window.hi, window.hi)
        stimulus = Stimulus(id="1", alarm="hidden", raised=raised, cleared=cleared)
        evidence = evidence_of(LiveMemory(self.live), self.site, (stimulus,), self.start_ns, clock())
        return correlate(self.site, evidence).results[0]
