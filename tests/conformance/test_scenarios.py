"""Faults and changes at random: what truly happened must be a possible reading of the evidence; no more is claimed.

Each scenario is one listener's life on one rig: changes while all is well, faults with changes under them, healing.
Afterwards the evidence is held against what the output truly did, and against the wire's own log of when nothing could
pass.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Awaitable, Callable
from itertools import pairwise
from typing import Final

from harness.core.instants import FOREVER, NS_PER_MS, NS_PER_S, Bounds
from harness.core.verdicts import VerdictClass
from tests.conformance.listing import check
from tests.conformance.rig import HOLD_NS, Ears, Rig, clock
from tests.conformance.test_conformance import QUIET_NS, at_work, changes, contains, told

SEEDS: Final = (1,)
"""More of them find more, and take a minute each for the slowest links."""
EPISODES: Final = 8
MARGIN_NS: Final = 20 * NS_PER_MS
STATE_S: Final = (HOLD_NS + 50 * NS_PER_MS) / NS_PER_S
"""No state is shorter than the point's hold."""

Fault = Callable[["Scenario"], Awaitable[None]]


class Scenario:
    """One life."""

    def __init__(self, rig: Rig, ears: Ears, seed: int) -> None:
        self.rig = rig
        self.ears = ears
        self.dice = random.Random(f"{rig.name} {seed}")
        self.on = False
        self.certain: list[tuple[Bounds, bool]] = []
        """Changes while all was well: the listener has to have seen each."""

    async def change(self) -> Bounds:
        """The output takes the other state, and stays in it for a while."""
        self.on = not self.on
        shown = await self.rig.show(on=self.on)
        await asyncio.sleep(STATE_S + self.dice.random() * 0.3)
        return shown

    async def all_is_well(self) -> None:
        """Some changes, each seen. The first one may only tell a state."""
        self.on = not self.on
        await self.rig.show(on=self.on)
        await self.ears.until_seen(on=self.on)
        await asyncio.sleep(STATE_S)
        for _ in range(self.dice.randrange(1, 4)):
            shown = await self.change()
            await self.ears.until_seen(on=self.on)
            self.certain.append((shown, self.on))

    async def under(self, begin: Awaitable[None] | None, end: Callable[[], Awaitable[None]] | None = None) -> None:
        """Changes while a fault lasts."""
        if begin is not None:
            await begin
        await asyncio.sleep(self.dice.random() * 0.5)
        for _ in range(self.dice.randrange(3)):
            await self.change()
        await asyncio.sleep(self.dice.random() * 1.5)
        if end is not None:
            await end()

    async def fault(self, name: str) -> None:
        """One fault from its beginning to its end."""
        rig, dice = self.rig, self.dice
        match name:
            case "refuse":
                await self.under(rig.refuse(), rig.admit)
            case "hold":
                rig.hold()
                await self.under(None)
                rig.release()
            case "slow":
                rig.slow(rig.slow_s)
                await self.under(None)
                rig.slow(0)
            case "tear":
                rig.tear()
                await self.under(None)
            case "garbage":
                rig.inject(dice.randbytes(dice.randrange(1, 200)))
                await self.under(None)
            case "cut":
                rig.cut()
                await self.under(None)


@check
async def test_faults_and_changes_at_random(rig: Rig) -> None:
    for seed in SEEDS:
        told(seed)
        again = type(rig)()
        async with at_work(again) as ears:
            one = Scenario(again, ears, seed)
            await one.all_is_well()
            for _ in range(EPISODES if rig.in_process else EPISODES // 4):
                for _ in range(one.dice.randrange(1, 3)):
                    await one.fault(one.dice.choice(again.faults))
                await again.heal(ears)
                await one.all_is_well()
            if again.is_pushed and again.proves_quiet:
                await again.prove_alive(ears, clock())
            judge(one)


def judge(one: Scenario) -> None:
    """The truth is one of the worlds that the evidence leaves; what could not be observed proves nothing."""
    truth = [(Bounds(0, 0), False), *one.rig.shown]
    truth = [it for it, before in zip(truth[1:], truth, strict=False) if it[1] is not before[1]]
    truth.insert(0, (Bounds(0, 0), False))
    every_sample_is_true(one.ears, truth)
    nothing_is_sealed_over_a_change(one.ears, truth)
    nothing_was_seen_while_nothing_could_pass(one.ears, one.rig.passage.spans())
    seen = changes(one.ears)
    for shown, on in one.certain:
        found = any(to is on and contains(bounds, shown) for bounds, to in seen)
        assert found, (shown, on, near(seen, shown.lo, shown.hi))
    for span in one.rig.passage.spans():
        if span.hi - span.lo >= QUIET_NS:
            result = one.ears.quiet(span)
            assert result.verdict.verdict_class is VerdictClass.UNKNOWN, (span, result)
    for (begun, on), (ended, _) in pairwise(truth[1:]):
        around = Bounds(begun.lo - MARGIN_NS, ended.hi + MARGIN_NS)
        if on:
            result = one.ears.quiet(around)
            assert result.verdict.verdict_class is not VerdictClass.PASS, (begun, ended, result)
        else:
            result = one.ears.quiet(Bounds(begun.hi + MARGIN_NS, ended.lo - MARGIN_NS))
            assert result.verdict.verdict_class is not VerdictClass.FAIL, (begun, ended, result)


def every_sample_is_true(ears: Ears, truth: list[tuple[Bounds, bool]]) -> None:
    """At some instant of each sample the output was as it says; of an edge, it changed to it."""
    trace = ears.trace()
    ends = [it[0].hi for it in truth[1:]] + [FOREVER]
    times = {
        state: [(it[0].lo, end) for it, end in zip(truth, ends, strict=True) if it[1] is state]
        for state in (True, False)
    }
    for run in range(len(trace.starts)):
        on = trace.run_is_on(run)
        for at in range(int(trace.starts[run]), trace.run_last(run) + 1):
            lo, hi = int(trace.lo[at]), int(trace.hi[at])
            assert any(begin <= hi and lo <= end for begin, end in times[on]), (at, lo, hi, on, near(truth, lo, hi))
        if trace.edges[run]:
            at = int(trace.starts[run])
            bounds = Bounds(int(trace.lo[at]), int(trace.hi[at]))
            assert any(to is on and contains(bounds, shown) for shown, to in truth), (bounds, on, truth)


def near(truth: list[tuple[Bounds, bool]], lo: int, hi: int) -> list[tuple[Bounds, bool]]:
    """What the output did around a time, for a message."""
    return [it for it in truth if it[0].hi > lo - 3 * NS_PER_S and it[0].lo < hi + 3 * NS_PER_S]


def nothing_is_sealed_over_a_change(ears: Ears, truth: list[tuple[Bounds, bool]]) -> None:
    """Where silence is said to prove that nothing happened, nothing did."""
    trace = ears.trace()
    if trace.sealed is None:
        return
    for at in range(1, len(trace)):
        if trace.sealed[at]:
            lo, hi = int(trace.hi[at - 1]), int(trace.lo[at])
            for (begun, on), (ended, _) in pairwise(truth):
                assert not (on and lo < begun.lo and ended.hi < hi), (lo, hi, begun, ended)


def nothing_was_seen_while_nothing_could_pass(ears: Ears, shut: list[Bounds]) -> None:
    """No sample lies in such a time; and where blind time is claimed for it, no sample lies in that either."""
    trace = ears.trace()
    samples = [(int(lo), int(hi)) for lo, hi in zip(trace.lo, trace.hi, strict=True)]
    for span in shut:
        assert not [it for it in samples if span.lo < it[0] and it[1] < span.hi], span
        for blind in ears.blind():
            if blind.lo < span.hi and span.lo < blind.hi:
                assert not [it for it in samples if blind.lo < it[0] and it[1] < blind.hi], (blind, span)
