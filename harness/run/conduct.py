"""Raises the alarms of a plan one after the other, and waits for what each of them must do and must not do.

It decides when to go on, never what a result is: results come from the record alone. Waiting looks at the newest
samples, so that a healthy site is done quickly; where nothing shows, it waits for as long as the limits say.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from random import Random
from typing import Final, Protocol

from harness.core.errors import RecordError
from harness.core.instants import NS_PER_S, Bounds, Clock
from harness.core.model import Alarm, Behaviour, Expectation, Result, Site, Step
from harness.correlate.engine import correlate
from harness.links.person_reports import Reports
from harness.record.header import Json
from harness.record.writer import RecordWriter
from harness.run.attentive import rest_again
from harness.run.evidence import evidence_of
from harness.run.live import LiveMemory, LiveSource
from harness.run.order import READY_MAX_NS, Item, gap_ns, gone_within_ns, hold_ns, settle_ns, show_within_ns, usual_ns
from harness.run.order import needs as item_needs
from harness.run.persons import Persons
from harness.run.steps import STEP_EVENT, STOPPED_EVENT, StepDone, stimuli_of
from harness.run.waiting import QuietWindows, Waits, to_the_end
from harness.stimulus.armed import ArmedWriter, Performed, can_do

CONNECT_MAX_NS: Final = 10 * NS_PER_S
"""How long the start waits for links to come up; one that stays away is blind, and the others go on."""

QUIET_READY_MAX_NS: Final = 2 * NS_PER_S
"""How long a raise waits for points that must stay quiet to be off first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """Where a run is: ``number`` of ``total``, and how long the rest will take by what was measured so far."""

    number: int
    total: int
    left_ns: int


class View(Protocol):
    """Shows a run to a person. Calls are cheap and come from the event loop's thread."""

    def baseline(self, standing: Sequence[str], down: Sequence[str]) -> None:
        """Before anything is raised: points that are on already, and links that are not up."""

    def raising(self, item: Item, progress: Progress) -> None:
        """An alarm is raised now."""

    def phase(self, text: str) -> None:
        """What is being waited for."""

    def judged(self, item: Item, results: Sequence[Result]) -> None:
        """Results of one alarm so far: from memory, shown at once; the record is judged at the end."""

    def trouble(self, text: str) -> None:
        """Something a person should know now."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tools:
    """What a conductor works with; all handed in."""

    site: Site
    clock: Clock
    live: LiveSource
    journal: RecordWriter
    writer: ArmedWriter
    view: View
    random: Random
    reports: Mapping[str, Reports] = field(default_factory=dict)
    """By link, of the persons who watch."""


class Conductor:
    """Raises a plan. :meth:`conduct` can be cancelled at any time; what is raised then is cleared first."""

    def __init__(self, tools: Tools, items: Sequence[Item]) -> None:
        self._t = tools
        self._items = items
        self._done_ns: list[tuple[int, int]] = []
        self._waits = Waits(tools.site, tools.clock, tools.live)
        self._quiet = QuietWindows(tools.site, tools.clock, tools.live)
        self._persons = Persons(tools.site, tools.clock, tools.live, tools.reports)
        self.open_alarms: set[str] = set()

    async def conduct(self, start_ns: int) -> None:
        """Wait for the links, then raise alarm after alarm."""
        live, clock, view = self._t.live, self._t.clock, self._t.view
        links = {self._link(row.point) for item in self._items for row in item.rows}
        points = sorted(point.name for point in self._t.site.points.values() if point.link in links)
        view.phase("waiting for the links")
        awaited = [link for link in links if link not in self._t.reports]  # a person is there, or is not
        await live.wait_until(lambda: all(live.up[link] for link in awaited), clock() + CONNECT_MAX_NS)
        polled = [point for point in points if point in live.polled_points() and live.up[self._link(point)]]
        await live.wait_until(lambda: all(point in live.states for point in polled), clock() + READY_MAX_NS)
        await self._persons.ready([row for item in self._items for row in item.rows], "anything")
        standing = [point for point in points if point in live.states and live.states[point].on]
        down = [link for link in sorted(links) if not live.up[link]]
        view.baseline(standing, down)
        as_found: list[str] = [*standing]
        self._t.journal.event("as-found", clock(), {"on": as_found})
        try:
            await self._raise_all(start_ns)
        finally:
            await to_the_end(self._compare(standing, points))

    async def _raise_all(self, start_ns: int) -> None:
        """Alarm after alarm, then until the last quiet window is over."""
        live, clock, view = self._t.live, self._t.clock, self._t.view
        for number, item in enumerate(self._items):
            if self._t.journal.failing:
                raise RecordError(f"nothing more is raised, since it cannot be recorded: {self._t.journal.failing}")
            began = clock()
            view.raising(item, Progress(number=number, total=len(self._items), left_ns=self._left_ns(number)))
            if not any(self._waits.is_observed(row) for row in item.rows):
                await self._persons.back(item.rows)
            if not any(self._waits.is_observed(row) for row in item.rows):
                view.trouble(f"{item.alarm.name}: not raised, since none of its outputs can be observed now")
                continue
            until = self._quiet.moved_until(item)
            if until is not None:
                view.phase("waiting until points that must stay quiet have been")
                await self._waits.until(until)
            live.forget_before(min([began, *(later.raised.at.lo for later in self._quiet.open)]) - 2 * NS_PER_S)
            rest_again()
            raised = await self._one(item, f"{number + 1:04d}")
            self._done_ns.append((clock() - began, usual_ns(self._t.site, item)))
            view.judged(item, await self._judge(item.loud, raised, start_ns))
            self._quiet.enter(item, raised)
            await self._stayed(item, raised)
            await self._judge_quiet(start_ns)
        until = self._quiet.end()
        if until is not None:
            view.phase("waiting until points that must stay quiet have been")
            await self._waits.until(until)
            await self._quiet.outlast()
        await self._judge_quiet(start_ns, all_of_them=True)

    def _link(self, point: str) -> str:
        return self._t.site.points[point].link

    def _left_ns(self, number: int) -> int:
        """By the plan's own estimate, corrected by how the measured times so far compare with it."""
        planned = sum(usual_ns(self._t.site, item) for item in self._items[number:])
        measured, estimated = sum(it for it, _ in self._done_ns), sum(it for _, it in self._done_ns)
        return planned * measured // estimated if estimated else planned

    async def _judge_quiet(self, start_ns: int, *, all_of_them: bool = False) -> None:
        """Show the results of quiet rows whose windows are over."""
        for later in self._quiet.take(all_of_them=all_of_them):
            self._t.view.judged(later.item, await self._judge(later.item.quiet, later.raised, start_ns))

    async def _one(self, item: Item, stimulus: str) -> StepDone:
        """Raise one alarm, see it through, put it back. Returns the raise."""
        live, clock, view = self._t.live, self._t.clock, self._t.view
        alarm = item.alarm
        await self._persons.ready(item.rows, alarm.name)
        loud = [row for row in item.loud if self._waits.is_observed(row)]
        view.phase("waiting until its outputs are normal")
        await live.wait_until(lambda: all(live.is_off(row.point) for row in loud), clock() + READY_MAX_NS)
        quiet = [row for row in item.quiet if self._waits.is_observed(row)]
        await live.wait_until(lambda: all(live.is_off(row.point) for row in quiet), clock() + QUIET_READY_MAX_NS)
        await live.wait_for_news({row.point for row in loud}, clock(), clock() + READY_MAX_NS)
        until = self._waits.told_apart_from(loud)
        if until > clock():
            view.phase("waiting until what is told can be told apart from what was before")
            await self._waits.until(until)
        await self._waits.until(self._persons.looked_at(item.quiet))
        await self._random_phase(item)
        self._persons.look(item.rows, alarm.name)
        is_done = False
        try:
            raised = await self._step(alarm, Step.RAISE, stimulus)
            if raised.proven:
                await self._see_through(item, loud, raised, stimulus)
            else:
                view.trouble(f"{alarm.name}: the raise is not proven: {raised.note}")
            is_done = alarm.name not in self.open_alarms
        except BaseException:
            self._t.journal.event(STOPPED_EVENT, clock(), {"stimulus": stimulus})
            raise
        finally:
            if not is_done:
                await to_the_end(self._put_back(item, stimulus))
        if is_done:
            await self._settle(loud)
        return raised

    async def _stayed(self, item: Item, raised: StepDone) -> None:
        """Whoever watches what must stay off looks until its window is over, and then says whether it did."""
        rows = [row for row in item.quiet if self._persons.watches_quiet([row])]
        if rows and raised.proven:
            self._t.view.phase("waiting until what somebody watches has stayed off for long enough")
            await self._waits.until(self._quiet.end_of(rows))
            await self._persons.stayed(rows, raised.at.lo, item.alarm.name)

    async def _random_phase(self, item: Item) -> None:
        """Raise at a random phase of the polls: in step with them, every trial would meet the same sample instants."""
        polled = [row for row in item.rows if self._link(row.point) not in self._t.reports]
        gap = max((gap_ns(self._t.site, row) for row in polled), default=0)
        await self._waits.until(self._t.clock() + self._t.random.randrange(gap // 2 + 1))

    async def _see_through(self, item: Item, loud: Sequence[Expectation], raised: StepDone, stimulus: str) -> None:
        live, clock, view, site = self._t.live, self._t.clock, self._t.view, self._t.site
        alarm = item.alarm
        shown_by = {row.key: raised.at.hi + show_within_ns(site, row) for row in loud}
        view.phase("raised; waiting for its outputs")
        self._persons.held_since(raised.at.hi)
        await self._waits.each(loud, lambda row: live.was_on_since(row.point, raised.at.lo), shown_by)
        await self._persons.still(loud, raised.at.lo, alarm.name)
        if alarm.lasts_ns is None:
            if any(self._waits.is_out_of_sight(row) for row in loud):
                view.phase("raised and held; somebody walks to what is out of sight")
                # Whoever goes only now sees what showed in time; what does not show then has been missed.
                await self._waits.until(
                    max(at for row, at in ((r, shown_by[r.key]) for r in loud) if self._waits.is_out_of_sight(row))
                )
                await self._persons.walk(loud, alarm.name)
            visible = max((row.limits.visible_for_ns or 0 for row in loud), default=0)
            gap = max((gap_ns(site, row) for row in loud), default=0)
            stay_ns = max([hold_ns(site, loud), *(row.limits.leak_ns for row in item.quiet)])
            await self._waits.until(max(clock() + visible + gap if visible else clock(), raised.at.hi + stay_ns))
            if item_needs(item, Step.ACKNOWLEDGE):
                await self._acknowledge(alarm, loud, stimulus)
            cleared = await self._clear(alarm, stimulus)
            released = cleared.at.hi
            self._persons.cleared(alarm.name)
        else:
            released = raised.at.hi + alarm.lasts_ns.hi
        view.phase("cleared; waiting until its outputs are normal")
        following = [row for row in loud if row.behaviour in (Behaviour.FOLLOWS, Behaviour.PULSE)]
        await self._waits.each(
            following,
            lambda row: live.is_off(row.point) and clock() >= raised.at.hi + self._own_end(alarm),
            {row.key: released + gone_within_ns(site, row) for row in following},
        )
        await self._persons.gone(following, f"{alarm.name} is cleared")
        if alarm.lasts_ns is not None:
            await self._waits.until(clock() if following else released)
            if Step.CLEAR not in alarm.writes or all(live.is_off(row.point) for row in following):
                self.open_alarms.discard(alarm.name)
        if alarm.lasts_ns is not None and item_needs(item, Step.ACKNOWLEDGE):
            await self._acknowledge(alarm, loud, stimulus)
        elif can_do(alarm, Step.ACKNOWLEDGE) and not item_needs(item, Step.ACKNOWLEDGE):
            await self._step(alarm, Step.ACKNOWLEDGE, stimulus)  # no row waits for it, but a latch elsewhere may
        await self._acknowledge_brought(alarm)
        await self._acknowledge_left(alarm)
        if item_needs(item, Step.RESET):
            await self._step(alarm, Step.RESET, stimulus)
        now = clock()
        held = [row for row in loud if row not in following]
        await self._waits.each(
            held, lambda row: live.is_off(row.point), {row.key: now + gone_within_ns(site, row) for row in held}
        )
        far = [row.limits.dwell_ns + row.limits.settle_ns for row in loud if self._waits.is_out_of_sight(row)]
        await self._waits.until(now + max(far, default=0))  # nobody is sent to look at what had no time to go
        await self._persons.dark_again(loud, alarm.name)

    def _own_end(self, alarm: Alarm) -> int:
        """An alarm that clears by itself is not taken for gone before it can be."""
        return 0 if alarm.lasts_ns is None else alarm.lasts_ns.lo

    async def _acknowledge(self, alarm: Alarm, loud: Sequence[Expectation], stimulus: str) -> None:
        live, site = self._t.live, self._t.site
        self._t.view.phase("acknowledged; waiting for what it releases")
        done = await self._step(alarm, Step.ACKNOWLEDGE, stimulus)
        rows = [row for row in loud if row.behaviour is Behaviour.UNTIL_ACKNOWLEDGED]
        await self._waits.each(
            rows, lambda row: live.is_off(row.point), {row.key: done.at.hi + gone_within_ns(site, row) for row in rows}
        )
        await self._persons.gone(rows, f"{alarm.name} is acknowledged")

    async def _acknowledge_brought(self, alarm: Alarm) -> None:
        """Alarms that this one brought along are acknowledged too, or they would stay latched into the next test."""
        for name in self._t.site.brought_along(alarm.name):
            lower = self._t.site.alarms[name]
            if Step.ACKNOWLEDGE in lower.writes:
                done = await self._t.writer.perform(lower.writes[Step.ACKNOWLEDGE])
                data: dict[str, Json] = {"alarm": name, "step": "acknowledge", "proven": done.proven}
                self._t.journal.event("put-back", done.at.hi, data)

    async def _acknowledge_left(self, alarm: Alarm) -> None:
        """Events that still ask for it, such as the return to normal: each transition has one of its own.

        Also those of the alarms that it brought along.
        """
        names = (alarm.name, *self._t.site.brought_along(alarm.name))
        for lower in (self._t.site.alarms[name] for name in names):
            if lower.acknowledgements:
                done = await self._t.writer.acknowledge(lower.acknowledgements, self._messages)
                if done.is_sent:
                    data: dict[str, Json] = {"alarm": lower.name, "step": "acknowledge", "proven": done.proven}
                    self._t.journal.event("put-back", done.at.hi, data)

    def _messages(self, link: str) -> Iterable[bytes]:
        return (message.data for message in self._t.live.heard[link])

    async def _clear(self, alarm: Alarm, stimulus: str) -> StepDone:
        done = await self._step(alarm, Step.CLEAR, stimulus)
        if not done.proven:
            self._t.view.trouble(f"{alarm.name}: clearing is not proven: {done.note}; trying once more")
            done = await self._step(alarm, Step.CLEAR, stimulus)
        return done

    async def _put_back(self, item: Item, stimulus: str) -> None:
        """Clear, acknowledge and reset, whatever came in between: nothing may stay on, or latched.

        Outputs are slower than the answer to a write, so what is left is looked at only after they have settled.
        """
        alarm = item.alarm
        self._t.view.phase("putting it back")
        if alarm.name in self.open_alarms:
            await self._clear(alarm, stimulus)
        if can_do(alarm, Step.ACKNOWLEDGE):
            await self._step(alarm, Step.ACKNOWLEDGE, stimulus)
        await self._acknowledge_brought(alarm)
        await self._acknowledge_left(alarm)
        if item_needs(item, Step.RESET):
            await self._step(alarm, Step.RESET, stimulus)
        await self._settle(item.loud)

    async def _settle(self, loud: Sequence[Expectation]) -> None:
        """Stay until a second onset would have shown."""
        self._t.view.phase("settling")
        await self._waits.until(self._t.clock() + settle_ns(self._t.site, loud))

    async def _step(self, alarm: Alarm, step: Step, stimulus: str) -> StepDone:
        """Perform a step and enter it; one without writes, or without an answer, is entered as not proven.

        An alarm counts as open from before the raise is sent until a clear is proven: the answer may be lost, and the
        waiting for it may be cancelled.
        """
        writes = alarm.writes.get(step, ())
        now = self._t.clock()
        done = Performed(at=Bounds(now, now), proven=False, why=f"no way to {step.value} it", is_sent=False)
        if step is Step.RAISE:
            self.open_alarms.add(alarm.name)
        try:
            if writes:
                done = await self._t.writer.perform(writes)
            if step is Step.ACKNOWLEDGE and alarm.acknowledgements and (done.proven or not writes):
                events = await self._t.writer.acknowledge(alarm.acknowledgements, self._messages)
                done = events if not writes else replace(events, at=Bounds(done.at.lo, max(done.at.hi, events.at.hi)))
        except asyncio.CancelledError:
            done = Performed(at=Bounds(now, self._t.clock()), proven=False, why="stopped before it was answered")
            raise
        finally:
            entry = StepDone(
                stimulus=stimulus,
                alarm=alarm.name,
                step=step,
                at=done.at,
                proven=done.proven,
                how="written by farend",
                note=done.why,
            )
            self._t.journal.event(STEP_EVENT, done.at.hi, entry.to_data())
            if (step is Step.RAISE and not done.is_sent) or (step is Step.CLEAR and done.proven):
                self.open_alarms.discard(alarm.name)
        return entry

    async def _judge(self, rows: Sequence[Expectation], raised: StepDone, start_ns: int) -> tuple[Result, ...]:
        """Results of one alarm from memory, for the person who watches.

        Judged in a thread: in the loop it would be blind time of our own making.
        """
        site, end_ns = self._t.site, self._t.clock()
        stimuli = stimuli_of(self._t.live.events_of(raised.stimulus), site)
        points = {row.point for row in rows}
        points |= {it for stimulus in stimuli if (it := site.alarms[stimulus.alarm].reference) is not None}
        memory = LiveMemory(self._t.live, {site.points[name].link for name in points if name in site.points})
        keys = [row.key for row in rows]
        # What did not show may show at any other point; what must stay quiet is told by its own point alone.
        is_loud = any(row.behaviour is not Behaviour.QUIET for row in rows)
        asked = None if is_loud else points

        def judged() -> tuple[Result, ...]:
            return correlate(site, evidence_of(memory, site, stimuli, start_ns, end_ns, asked), keys).results

        return await asyncio.to_thread(judged)

    async def _compare(self, standing: Iterable[str], points: Sequence[str]) -> None:
        """As found and as left: every point that was tested."""
        live, clock, site = self._t.live, self._t.clock, self._t.site
        found = set(standing)
        polled = {point for point in points if live.up[site.points[point].link]}
        await live.wait_until(
            lambda: all(live.is_off(point) or point in found for point in polled), clock() + READY_MAX_NS
        )
        left = {point for point in points if point in live.states and live.states[point].on}
        differs: list[str] = sorted(found ^ left)
        still: list[str] = sorted(self.open_alarms)
        self._t.journal.event("as-left", clock(), {"on": sorted(left), "differs": differs, "not_cleared": still})
