"""The steps of a stimulus, each entered in the journal: what is about to be done, and what was done.

Whoever performs a step is a :class:`Hand`: farend by writing, or a person at the panel. The intent to raise is on the
disk before anything is sent, so that a record tells of every alarm that may be raised, whenever farend was killed.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import TYPE_CHECKING, Protocol

from harness.core.instants import Bounds, Clock
from harness.core.model import Alarm, Step
from harness.links.base import Link
from harness.links.modbus_rtu import ModbusRtuListener
from harness.record.header import Json
from harness.record.writer import RecordWriter
from harness.results.steps import INTENT_EVENT, PUT_BACK_EVENT, STEP_EVENT, UNSENT_EVENT, StepDone
from harness.run.live import LiveSource
from harness.stimulus.performed import Performed

if TYPE_CHECKING:
    from harness.stimulus.armed import ArmedWriter


class UnsentError(asyncio.CancelledError):
    """Stopped before anything was done: the alarm is not raised."""


class Hand(Protocol):
    """Who performs the steps of stimuli."""

    @property
    def how(self) -> str:
        """By whom or what, in words; goes into the record."""

    @property
    def by_itself(self) -> bool:
        """True where a step can be performed without a person: then a dead-man limit can clear."""

    def can_do(self, alarm: Alarm, step: Step) -> bool:
        """Whether it can perform a step of an alarm."""

    async def perform(self, alarm: Alarm, step: Step) -> Performed:
        """Perform it. When it is cancelled, whoever cancels must take the step for perhaps done."""

    async def acknowledge_left(self, alarm: Alarm) -> Performed | None:
        """Acknowledge what still asks for it after the alarm went; None where there was nothing."""


class Written:
    """farend itself, by the writes and acknowledgements that the site file lists."""

    how = "written by farend"
    by_itself = True

    def __init__(self, writer: ArmedWriter, live: LiveSource, clock: Clock) -> None:
        self._writer = writer
        self._live = live
        self._clock = clock

    def over(self, links: Iterable[Link]) -> None:
        """The links that are listened to: what is written to a serial bus travels between its polls."""
        self._writer.over(link for link in links if isinstance(link, ModbusRtuListener))

    def can_do(self, alarm: Alarm, step: Step) -> bool:
        """See ``Hand.can_do``."""
        return alarm.can_be_done(step)

    async def perform(self, alarm: Alarm, step: Step) -> Performed:
        """See ``Hand.perform``."""
        writes = alarm.writes.get(step, ())
        now = self._clock()
        done = Performed(at=Bounds(now, now), proven=False, why=f"no way to {step.value} it", is_sent=False)
        if writes:
            done = await self._writer.perform(writes, all_of_them=step in (Step.CLEAR, Step.RESET))
        if step is Step.ACKNOWLEDGE and alarm.acknowledgements and (done.proven or not writes):
            events = await self._writer.acknowledge(alarm.acknowledgements, self._messages)
            done = events if not writes else replace(events, at=Bounds(done.at.lo, max(done.at.hi, events.at.hi)))
        return done

    async def acknowledge_left(self, alarm: Alarm) -> Performed | None:
        """Events that still ask for it, such as the return to normal: each transition has one of its own."""
        if not alarm.acknowledgements:
            return None
        done = await self._writer.acknowledge(alarm.acknowledgements, self._messages)
        return done if done.is_sent else None

    def _messages(self, link: str) -> Iterable[bytes]:
        return (message.data for message in self._live.heard[link])


class Raiser:
    """Performs steps through a hand, enters them, and knows which alarms may be raised now."""

    def __init__(self, hand: Hand, journal: RecordWriter, clock: Clock) -> None:
        self._hand = hand
        self._journal = journal
        self._clock = clock
        self.open: dict[str, str] = {}
        """Alarms that may be raised, and their stimulus: from before the raise is sent until a clear is proven."""
        self.closed_ns: dict[str, int] = {}
        """By alarm, when it last ceased to be one of them."""
        self.on_raise: Callable[[], None] | None = None
        """Called just before a raise."""

    def can_do(self, alarm: Alarm, step: Step) -> bool:
        """Whether the hand can perform a step of an alarm."""
        return self._hand.can_do(alarm, step)

    @property
    def by_itself(self) -> bool:
        """True where no person is needed for a step."""
        return self._hand.by_itself

    async def step(self, alarm: Alarm, step: Step, stimulus: str) -> StepDone:
        """Perform a step and enter it; one that cannot be done, or gets no answer, is entered as not proven.

        An alarm counts as open from before the raise is sent until a clear is proven: the answer may be lost, and the
        waiting for it may be cancelled. RecordError, and nothing done, where the intent to raise cannot be recorded.
        """
        if step is Step.RAISE:
            await self._intend(alarm, stimulus)
            self.open[alarm.name] = stimulus
            if self.on_raise is not None:
                self.on_raise()
        began = self._clock()
        done = Performed(at=Bounds(began, began), proven=False, why="it was not performed")
        try:
            done = await self._hand.perform(alarm, step)
        except UnsentError:
            self.open.pop(alarm.name, None)  # it never was raised, so what comes on from now on is not explained by it
            self._journal.event(UNSENT_EVENT, self._clock(), {"stimulus": stimulus, "alarm": alarm.name})
            raise
        except asyncio.CancelledError:
            why = "stopped before it was answered"
            self._entered(alarm, step, stimulus, Performed(at=Bounds(began, self._clock()), proven=False, why=why))
            raise
        except BaseException:
            self._entered(alarm, step, stimulus, done)
            raise
        return self._entered(alarm, step, stimulus, done)

    def _entered(self, alarm: Alarm, step: Step, stimulus: str, done: Performed) -> StepDone:
        entry = StepDone(
            stimulus=stimulus,
            alarm=alarm.name,
            step=step,
            at=done.at,
            proven=done.proven,
            how=self._hand.how,
            note=done.why or done.proof,
            is_sent=done.is_sent,
            finest_ns=done.finest_ns,
        )
        self._journal.event(STEP_EVENT, done.at.hi, entry.to_data())
        if (step is Step.RAISE and not done.is_sent) or (step is Step.CLEAR and done.proven):
            self.forget(alarm)
        return entry

    async def put_back(self, alarm: Alarm, step: Step) -> None:
        """A step that is none of any stimulus: for what another alarm brought along, or an earlier run left."""
        self._enter_put_back(alarm, step, await self._hand.perform(alarm, step))

    async def acknowledge_left(self, alarm: Alarm) -> None:
        """Acknowledge what still asks for it."""
        done = await self._hand.acknowledge_left(alarm)
        if done is not None:
            self._enter_put_back(alarm, Step.ACKNOWLEDGE, done)

    def forget(self, alarm: Alarm) -> None:
        """It is not raised any more: it was cleared, or cleared by itself, or was never taken."""
        if self.open.pop(alarm.name, None) is not None:
            self.closed_ns[alarm.name] = self._clock()

    async def _intend(self, alarm: Alarm, stimulus: str) -> None:
        data: dict[str, Json] = {"stimulus": stimulus, "alarm": alarm.name, "how": self._hand.how}
        self._journal.event(INTENT_EVENT, self._clock(), data)
        await asyncio.to_thread(self._journal.flush)

    def _enter_put_back(self, alarm: Alarm, step: Step, done: Performed) -> None:
        data: dict[str, Json] = {"alarm": alarm.name, "step": step.value, "proven": done.proven}
        self._journal.event(PUT_BACK_EVENT, done.at.hi, data)
