"""What a run does when an alarm comes on that nothing raised explains: says so, clears what is raised, waits, decides.

Gone with the stimulus, it was ours in a wrong place; gone by itself, it was a stray: the run goes on. Still there, it
is real.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Final

from harness.core.model import Step
from harness.record.found import Event
from harness.record.header import Json
from harness.results.interrupting import Interruption, Why
from harness.results.steps import STEP_EVENT, UNEXPLAINED_EVENT, StepDone
from harness.run.raising import Raiser
from harness.run.still_shown import StillShown, enter_still_shown, still_shown, still_shown_words
from harness.run.tools import Tools
from harness.run.unexplained import HOLD_MAX_NS, Unexplained

PUTS_OFF_MAX: Final = 3
"""So often a raise is put off since something comes and goes; then somebody has to find out why (no source)."""


class Pausing:
    """Watches for alarms that nothing raised explains, from :meth:`watch` to :meth:`stop`."""

    def __init__(self, tools: Tools, raiser: Raiser) -> None:
        self._t = tools
        self._raiser = raiser
        self._put_off: Counter[str] = Counter()
        self._was_raised = False
        self._gone_ns: dict[str, int] = {}  # by alarm, the clear after which it was looked whether it has gone
        self._unexplained = Unexplained(tools.site, tools.clock, tools.live, raiser.open, raiser.closed_ns)

    def watch(self, standing: Collection[str]) -> None:
        """From now on. ``standing``: points that were on before."""
        self._unexplained.on_found = self._came_on
        self._unexplained.watch(standing)

    def stop(self) -> None:
        """No more."""
        self._unexplained.stop()

    @contextmanager
    def during(self, alarm: str, interrupt_in: Callable[[int, Interruption], None]) -> Iterator[None]:
        """While an alarm is tested: where something comes on, it is not raised any more, or cleared soon."""
        self._was_raised = False

        def found(point: str) -> None:
            text = f"{self._unexplained.named([point])} came on, and nothing that was raised explains it"
            told = text
            if alarm in self._raiser.open:
                told = f"{text}. {alarm} is cleared soon, to see whether it goes with it"
                if not self._raiser.by_itself:
                    told = (
                        f"{text}. Was another one raised than {alarm}? You are asked soon to clear what is raised, to "
                        "see whether it goes with it"
                    )
                interrupt_in(HOLD_MAX_NS, Interruption(why=Why.UNEXPLAINED, text=text))
            elif not self._was_raised:
                told = f"{text}. {alarm} is not raised before it has gone"
                interrupt_in(0, Interruption(why=Why.UNEXPLAINED, text=text))
            self._tell(told)

        self._unexplained.on_found = found
        try:
            yield
        finally:
            self._unexplained.on_found = self._came_on

    def while_stepping(self, interrupt_in: Callable[[int, Interruption], None]) -> None:
        """From now on, whichever alarms are raised: where something comes on, they are cleared soon."""

        def found(point: str) -> None:
            text = f"{self._unexplained.named([point])} came on, and nothing that was raised explains it"
            raised = ", ".join(sorted(self._raiser.open))
            self._tell(f"{text}. {raised} cleared soon, to see whether it goes with it" if raised else text)
            if raised:
                interrupt_in(HOLD_MAX_NS, Interruption(why=Why.UNEXPLAINED, text=text))

        self._unexplained.on_found = found

    def raised(self) -> None:
        """The alarm is about to be raised."""
        self._was_raised = True

    def may_try_again(self, alarm: str) -> bool:
        """Whether an alarm that was put off, since something came on before its raise, is to be raised after all."""
        self._put_off[alarm] += 1
        return self._put_off[alarm] <= PUTS_OFF_MAX

    @property
    def is_due(self) -> bool:
        """Whether something came on that nothing raised explains, and that nobody dealt with yet."""
        return bool(self._unexplained.found)

    async def pause(self, tested: str) -> str:
        """Wait until what came on has gone. Returns '' where the run may go on, else why it must not: then it is real.

        ``tested``: the alarm that was raised and has been cleared, '' where none was. What the controller still shows
        although it was cleared is taken for real as well.
        """
        return await self._wait_until_explained(tested) or await self._wait_until_gone()

    async def _wait_until_explained(self, tested: str) -> str:
        """Wait until what came on has gone. Returns why nothing more may be raised, '' where it may."""
        await self._wait_for_what_is_late()
        self._unexplained.look()
        points = list(self._unexplained.found)
        if not points:
            return ""
        live, clock, view = self._t.live, self._t.clock, self._t.view
        names = self._unexplained.named(points)
        view.phase(f"paused: {names} came on and nothing that was raised explains it")
        gone = await live.wait_until(
            lambda: all(live.is_off(point) for point in points), clock() + self._unexplained.gone_ns(points)
        )
        said: list[Json] = [*points]
        data: dict[str, Json] = {"points": said, "names": names, "alarm": tested, "gone": gone}
        self._t.journal.event(UNEXPLAINED_EVENT, clock(), data)
        self._unexplained.found.clear()
        if not gone:
            return (
                f"STOPPED: {names} came on, nothing that was raised explains it, and it is still on"
                f"{f' with {tested} cleared' if tested else ''}: TAKE IT FOR REAL. Nothing more is raised"
            )
        went = f"went when {tested} was cleared: it was ours, in the wrong place" if tested else "went by itself"
        view.trouble(f"{names} came on unexplained and {went}; see its result (crossed, leaked or stray)")
        return ""

    async def _wait_until_gone(self) -> str:
        """Wait until what was cleared since the last time is shown no more. Returns why nothing more may be raised, ''
        where it may.
        """
        raiser, events = self._raiser, self._t.live.events
        new = {it: at for it, at in raiser.closed_ns.items() if it not in raiser.open and self._gone_ns.get(it) != at}
        cleared = {it: (_raised_ns(events, it), at) for it, at in new.items()}
        self._gone_ns |= new
        points = [point for _, _, it in self._shown(cleared) for point in it.points]
        if not points:
            return ""
        clock = self._t.clock
        self._t.view.phase(f"{', '.join(cleared)} was cleared; waiting until {', '.join(points)} is off")
        until_ns = clock() + self._unexplained.gone_ns(points)
        await self._t.live.wait_until(lambda: not self._shown(cleared), until_ns)
        found = self._shown(cleared)
        for name, _, it in found:
            enter_still_shown(self._t.journal, clock(), name, it)
        told = "; ".join(still_shown_words(self._t.site, name, tested, it) for name, tested, it in found)
        if any(it.is_sure for _, _, it in found):
            return f"STOPPED: {told}. Nothing more is raised"
        if told:
            self._t.view.urgent(told)
        return ""

    def _shown(self, cleared: Mapping[str, tuple[int, int]]) -> list[tuple[str, str, StillShown]]:
        """What is still shown of alarms that were cleared, and of what came along: alarm, what was cleared, and where.

        ``cleared``: when each was raised, and when its clear was proven.
        """
        site = self._t.site
        found: dict[str, tuple[str, str, StillShown]] = {}
        for tested, (raised_ns, cleared_ns) in cleared.items():
            for name in (tested, *site.brought_along(tested)):
                it = still_shown(site, self._t.live, name, raised_ns, cleared_ns, self._unexplained.is_excused)
                if it is not None:
                    found.setdefault(name, (name, tested, it))
        return list(found.values())

    async def _wait_for_what_is_late(self) -> None:
        """Until what came on again after its alarm was cleared has gone, or is explained by nothing any more."""
        unexplained = self._unexplained
        if unexplained.late and not self._raiser.open:
            names = unexplained.named(unexplained.late)
            self._t.view.phase(f"{names} came on after it was cleared; waiting until it goes")
            await self._t.live.wait_until(lambda: not unexplained.late, unexplained.late_until_ns)

    def _came_on(self, point: str) -> None:
        self._tell(f"{self._unexplained.named([point])} came on, and nothing that was raised explains it")

    def _tell(self, text: str) -> None:
        """One bell for all that comes on at once; the pause names every point."""
        if len(self._unexplained.found) == 1:
            self._t.view.urgent(text)


def _raised_ns(events: Sequence[Event], alarm: str) -> int:
    """When an alarm was raised last, at the earliest."""
    steps = (StepDone.from_data(it.data) for it in reversed(events) if it.kind == STEP_EVENT)
    return next((it.at.lo for it in steps if it.alarm == alarm and it.step is Step.RAISE), 0)
