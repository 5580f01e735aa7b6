"""Each step on the way of an alarm against published values, against a simulation, and against its own inverse."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from math import exp, log
from random import Random

import numpy as np
import pytest

from harness.measure.budget import Chance, Hop, Watcher, Way, certain_from, chance_of, stages
from harness.measure.budget_damping import Damping
from harness.measure.budget_steps import (
    HELD,
    NANOSECOND,
    NOTHING,
    Case,
    Delay,
    Dwell,
    Need,
    Noticed,
    OnDelay,
    OwnLength,
    Poll,
    Range,
    Step,
    Told,
)

F = Fraction


def poll(period: str | Fraction, answer: Range = NOTHING) -> Poll:
    return Poll(period=Range.exactly(F(period)), answer=answer)


# --- polls, and polls of polls --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lasts", "periods", "chance"),
    [
        *(("0.2", ["1"], "0.2"), ("0.5", ["2"], "0.25"), ("3", ["5"], "0.6"), ("7", ["5"], "1")),
        *(("0.3", ["1", "5"], "0.06"), ("1.5", ["1", "5"], "0.30"), ("4.5", ["1", "5"], "0.90")),
        *(("0.3", ["1", "0.5"], "0.30"), ("2", ["5", "1"], "0.40"), ("6", ["5", "8"], "0.70")),
    ],
)
def test_what_polls_of_polls_see(lasts: str, periods: list[str], chance: str) -> None:
    """min(1, d/p), and for two polls (1-f) min(1, k p1/p2) + f min(1, (k+1) p1/p2): from the uniform phase, no table
    was found published. The last one is 0.75 by the second poll alone.
    """
    assert chance_of([poll(it) for it in periods], F(lasts)) == F(chance)


def test_latency_of_two_polls() -> None:
    """Periods 1 and 5, of a level that stays: mean 3, at most 6, as the sum of two uniform delays."""
    one, both = stages([poll("1"), poll("5")], [F(1)])
    assert one.latency == Range(least=F(0), usual=F(1, 2), most=F(1))
    assert [both.latency.usual, both.latency.most] == [3, 6]


def test_an_answer_takes_its_time() -> None:
    """Asked just before the onset and answered late, twice: nothing can be later than a period and a round trip."""
    (stage,) = stages([poll("1", Range.between(F("0.1"), F("0.3")))], [F(1)])
    assert stage.latency == Range(least=F(0), usual=F("0.6"), most=F("1.3"))


def simulated(steps: Sequence[Step], lasts: float, draws: int, rng: np.random.Generator) -> float:
    """On and off instants followed from step to step, with no formula of lengths."""
    on, off = np.zeros(draws), np.full(draws, lasts)
    for step in steps:
        if isinstance(step, Poll):
            period = float(step.period.usual)
            phase = rng.random(draws) * period
            on = np.ceil((on - phase) / period) * period + phase
            off = np.ceil((off - phase) / period) * period + phase
        elif isinstance(step, OnDelay):
            lasting = off - on > float(step.on)
            on = on + float(step.on)
            off = np.where(lasting, off + float(step.off), on)
        elif isinstance(step, Dwell):
            off = np.where(off > on, off + float(step.time), off)
    return float(np.mean(off > on))


@pytest.mark.parametrize("number", range(12))
def test_ways_are_what_a_simulation_finds(number: int) -> None:
    random = Random(number)
    steps: list[Step] = []
    for _ in range(random.randrange(1, 5)):
        kind = random.choice(["poll", "poll", "delay", "dwell"])
        time = F(random.randrange(3, 40), 10)
        if kind == "poll":
            steps.append(poll(time))
        elif kind == "delay":
            steps.append(OnDelay(on=time / 3, off=F(random.randrange(1, 20), 10)))
        else:
            steps.append(Dwell(time=time / 2))
    lasts = F(random.randrange(2, 60), 10)
    exact = float(chance_of(steps, lasts))
    found = simulated(steps, float(lasts), 100_000, np.random.default_rng(number))
    assert found == pytest.approx(exact, abs=5 * (exact * (1 - exact) / 100_000) ** 0.5 + 1e-9), (number, steps, lasts)


# --- Time_Delay -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("on", "off", "lasts", "shows"),
    [
        *(("5", "3", "4.9", None), ("5", "3", "5.1", "3.1"), ("0", "0", "0.2", "0.2"), ("5", "3", "3", None)),
        ("5", "5", "9", "9"),
    ],
)
def test_time_delay(on: str, off: str, lasts: str, shows: str | None) -> None:
    """ASHRAE 135, 13.3.6 (a) and (e), as the OUT_OF_RANGE algorithm of bacpypes3 has it with Time_Delay 5 and
    Time_Delay_Normal 3: 85 for 4.9 s gives no event; for 5.1 s from 1 s on, HIGH_LIMIT at 6.0 and NORMAL at 9.1.
    Visible = pulse - Time_Delay + Time_Delay_Normal.
    """
    behind = OnDelay(on=F(on), off=F(off)).after({F(lasts): F(1)}, Case.USUAL)
    assert behind == ({} if shows is None else {F(shows): F(1)})


def test_what_lasts_just_as_long_as_its_time_delay_is_not_promised() -> None:
    step = OnDelay(on=F(5), off=F(3))
    assert chance_of([step], F(5)) == 0
    assert step.needs(Need()) == Need(length=F(5))
    assert step.latency == Range.exactly(F(5))


def test_two_short_pulses_do_not_add_up() -> None:
    """Each is filtered by itself (as above: two of 3 s, 1 s apart, give none)."""
    assert chance_of([OnDelay(on=F(5), off=F(3))], F(3)) == 0


# --- damping --------------------------------------------------------------------------------------


def lagged(step: Damping, lasts: float, rest: float, dt: float = 1e-4) -> tuple[float | None, float]:
    """First time above the threshold and for how long, by stepping through the lag itself."""
    value, first, above, t = rest, None, 0.0, 0.0
    keep = exp(-dt / float(step.tau))
    while t < lasts + 12 * float(step.tau):
        to = step.driven_to if t < lasts else rest
        value = to + (value - to) * keep
        t += dt
        is_on = value > step.threshold if step.driven_to > step.threshold else value < step.threshold
        if is_on:
            first = t if first is None else first
            above += dt
    return first, above


@pytest.mark.parametrize(("rest", "driven", "threshold"), [(50.0, 92.0, 90.0), (50.0, 97.0, 90.0), (40.0, 3.0, 10.0)])
@pytest.mark.parametrize("lasts", ["1.5", "3", "8"])
def test_damping_is_what_the_lag_does(rest: float, driven: float, threshold: float, lasts: str) -> None:
    """The step response of a first-order system; stepped through at 0.1 ms."""
    step = Damping(tau=F("0.7"), rest=(rest, rest), driven_to=driven, threshold=threshold)
    first, above = lagged(step, float(lasts), rest)
    shown = step.after({F(lasts): F(1)}, Case.USUAL)
    assert sum(map(float, shown)) == pytest.approx(above, abs=5e-4)
    if first is not None:
        assert float(step.latency.usual) == pytest.approx(first, abs=5e-4)


def test_damping_takes_tau_ln_21_from_half_way_to_just_above() -> None:
    """From 50 to 92 the lag passes 90 after tau ln(42/2); a level held shorter never shows, and one held is held."""
    step = Damping(tau=F(2), rest=(50.0, 50.0), driven_to=92.0, threshold=90.0)
    assert float(step.latency.usual) == pytest.approx(2 * log(21))
    assert chance_of([step], F("6.08")) == 0
    assert chance_of([step], F("6.1")) == 1
    assert step.after({HELD: F(1)}, Case.SLOWEST) == {HELD: F(1)}


def test_a_rest_known_within_bounds_gives_bounds() -> None:
    step = Damping(tau=F(2), rest=(42.0, 58.0), driven_to=92.0, threshold=90.0)
    assert float(step.latency.least) == pytest.approx(2 * log(34 / 2))
    assert float(step.latency.most) == pytest.approx(2 * log(50 / 2))
    need = step.needs(Need())
    assert need is not None
    assert need.length == pytest.approx(2 * log(25), abs=1e-8)
    assert step.after({need.length + NANOSECOND: F(1)}, Case.SLOWEST)
    assert not step.after({need.length - 10 * NANOSECOND: F(1)}, Case.SLOWEST)


# --- delays, persons, what is held ----------------------------------------------------------------


def test_a_delay_that_varies_can_shorten() -> None:
    step = Delay(time=Range.between(F("0.15"), F("0.17")))
    (stage,) = stages([step], [F("0.01")])
    assert stage.chances == (Chance(slowest=F(0), usual=F(1), quickest=F(1)),)
    assert step.after({F(1): F(1)}, Case.SLOWEST) == {F("0.98"): F(1)}
    assert step.after({F(1): F(1)}, Case.QUICKEST) == {F("1.02"): F(1)}
    assert step.needs(Need()) == Need(length=F("0.02"))


def test_what_is_told_or_held_is_seen_whatever_its_length() -> None:
    told = Told(time=Range.between(F(0), F("0.3")))
    assert chance_of([told], F(1, 1000)) == 1
    assert chance_of([OwnLength(), poll("30")], F(1, 1000)) == 1
    assert certain_from([OwnLength(), poll("30")]) == Need()


def test_a_pulse_of_its_own_length_may_never_be_certain() -> None:
    pulse = OwnLength(length=F(2))
    assert chance_of([pulse, poll("5")], F(100)) == F(2, 5)
    assert certain_from([pulse, poll("5")]) is None
    assert certain_from([pulse, poll("2")]) == Need()


def test_a_person_surely_notices_only_what_lasts() -> None:
    step = Noticed(surely=F("1.125"), time=Range.between(F("0.1"), F(1)))
    short, long = stages([step], [F(1), F(2)])[0].chances
    assert [short.low, short.high] == [0, 1]
    assert [long.low, long.high] == [1, 1]
    away = Noticed(surely=HELD, time=NOTHING)
    assert stages([away], [F(3600)])[0].chances[0].low == 0
    assert stages([OwnLength(), away], [F(1)])[0:][1].chances[0].low == 1


# --- what is certain ------------------------------------------------------------------------------


@pytest.mark.parametrize("number", range(30))
def test_certain_from_is_where_the_chance_becomes_one(number: int) -> None:
    random = Random(number)
    steps: list[Step] = []
    for _ in range(random.randrange(1, 5)):
        a, b = F(random.randrange(1, 30), 10), F(random.randrange(1, 30), 10)
        kinds: list[Step] = [
            poll(a),
            poll(b),
            Delay(time=Range.between(min(a, b) / 4, max(a, b) / 4)),
            OnDelay(on=a, off=b),
            Dwell(time=a / 2),
        ]
        steps.append(random.choice(kinds))
    need = certain_from(steps)
    assert need is not None
    just = need.length + (F(1, 10**6) if need.longer else 0)
    for length in (just, just + F(1, 3), just * 2, just + 7):
        assert chance_of(steps, length, Case.SLOWEST) == 1, (need, length)
    if need.length > 0:
        assert chance_of(steps, need.length - F(1, 10**6), Case.SLOWEST) < 1, need


@pytest.mark.parametrize("number", range(20))
def test_bounds_hold_for_every_period_between(number: int) -> None:
    """A gateway whose own period is known within bounds only: none between sees less, or more, than the bounds say."""
    random = Random(number)
    least, most, behind = (F(random.randrange(3, 40), 10) for _ in range(3))
    least, most = min(least, most), max(least, most)
    ranged = [Poll(period=Range.between(least, most)), poll(behind)]
    need = certain_from(ranged)
    assert need is not None
    just = need.length + (F(1, 10**6) if need.longer else 0)
    for part in range(11):
        fixed = [poll(least + (most - least) * F(part, 10)), poll(behind)]
        assert chance_of(fixed, just) == 1
        for lasts in (F(3, 10), F(1), F(22, 10), F(47, 10)):
            low, high = chance_of(ranged, lasts, Case.SLOWEST), chance_of(ranged, lasts, Case.QUICKEST)
            assert low <= chance_of(fixed, lasts) <= high
    assert chance_of(ranged, just, Case.SLOWEST) == 1


def test_bounds_hold_for_a_period_that_varies() -> None:
    """Gaps drawn between 0.5 and 1.5 s, read by a second poll of 1.3 s: simulated as instants."""
    rng, ranged = np.random.default_rng(5), [Poll(period=Range.between(F("0.5"), F("1.5"))), poll("1.3")]
    ends = np.cumsum(rng.uniform(0.5, 1.5, 200_000))
    for lasts in (0.4, 1.2, 2.5):
        on = rng.uniform(10.0, ends[-1] - 10.0, 100_000)
        first, gone = ends[np.searchsorted(ends, on)], ends[np.searchsorted(ends, on + lasts)]
        phase = rng.random(len(on)) * 1.3
        seen = np.ceil((gone - phase) / 1.3) > np.ceil((first - phase) / 1.3)
        low, high = (float(chance_of(ranged, F(str(lasts)), it)) for it in (Case.SLOWEST, Case.QUICKEST))
        assert low - 0.01 <= float(np.mean(seen & (gone > first))) <= high + 0.01


def test_lengths_of_nothing_are_refused() -> None:
    with pytest.raises(ValueError, match="expected each above 0"):
        stages([poll("1")], [F(0)])


# --- a dead unit ----------------------------------------------------------------------------------


def test_a_dead_unit_takes_the_place_of_its_step() -> None:
    """0.2 s on the bus of eight slaves at 9,600 baud (MODBUS over Serial Line V1.02, 2.5.1): 201.6667 ms a cycle, and
    1185.625 ms with one dead and a time-out of 1 s; of 59 pulses 9.95 are seen then.
    """
    hop = Hop(words="bus", step=poll(8 * F(121, 4800)), with_dead=poll("1.185625"))
    watcher = Watcher(name="farend", hops=(hop,))
    way = Way(hops=(), watchers=(watcher,))
    assert way.has_bus(watcher)
    assert not way.has_bus()
    alive, dead = (chance_of(way.steps(watcher, dead=it), F("0.2")) for it in (False, True))
    assert float(alive) == pytest.approx(0.99174, abs=5e-6)
    assert float(dead) == pytest.approx(0.16869, abs=5e-6)
    assert float(59 * dead) == pytest.approx(9.95, abs=5e-3)
