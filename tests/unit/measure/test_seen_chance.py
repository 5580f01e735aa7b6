"""Pulses that polls and polls of polls see: exact values against a simulation that knows no formula."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from tests.peers.polls_of_polls import seen_chance


def exactly(*values: str) -> list[Fraction]:
    return [Fraction(it) for it in values]


@pytest.mark.parametrize(
    ("visible", "period", "chance"),
    [("0.2", "1", "0.2"), ("0.5", "2", "0.25"), ("1", "5", "0.2"), ("3", "5", "0.6"), ("5", "5", "1"), ("7", "5", "1")],
)
def test_one_poll(visible: str, period: str, chance: str) -> None:
    """min(1, d/p): elementary, no published table was found."""
    assert seen_chance(Fraction(visible), exactly(period)) == Fraction(chance)


def test_a_short_pulse_on_a_serial_bus() -> None:
    """0.2 s against eight slaves at 9600 baud, 8 x 121/4800 s, and with one dead, 1.185625 s: 9.95 of 59 are seen."""
    assert float(seen_chance(Fraction("0.2"), [8 * Fraction(121, 4800)])) == pytest.approx(0.99174, abs=5e-6)
    dead = seen_chance(Fraction("0.2"), [Fraction("1.185625")])
    assert float(dead) == pytest.approx(0.16869, abs=5e-6)
    assert float(59 * dead) == pytest.approx(9.95, abs=5e-3)


CASCADES = [
    *(("0.3", "1", "5", "0.06"), ("1.5", "1", "5", "0.30"), ("4.5", "1", "5", "0.90")),
    *(("0.3", "1", "0.5", "0.30"), ("2", "5", "1", "0.40"), ("6", "5", "8", "0.70")),
]


@pytest.mark.parametrize(("visible", "first", "second", "chance"), CASCADES)
def test_a_poll_of_a_poll(visible: str, first: str, second: str, chance: str) -> None:
    assert seen_chance(Fraction(visible), exactly(first, second)) == Fraction(chance)


def test_a_slower_second_poll_decides_alone_until_the_first_fills_it() -> None:
    """For ceil(d/p1) p1 <= p2 the first stage changes nothing."""
    for tenths in range(1, 51):
        visible = Fraction(tenths, 10)
        assert seen_chance(visible, exactly("1", "5")) == visible / 5


def simulated(visible: float, periods: list[float], draws: int, rng: np.random.Generator) -> float:
    """Images followed from stage to stage as instants: a poll reads the image before it, and holds what it read."""
    on, off = np.zeros(draws), np.full(draws, visible)
    for period in periods:
        phase = rng.random(draws) * period
        on = np.ceil((on - phase) / period) * period + phase
        off = np.ceil((off - phase) / period) * period + phase
    return float(np.mean(on < off))


@pytest.mark.parametrize(
    ("visible", "periods"),
    [(0.3, [1, 0.5]), (6, [5, 8]), (2, [5, 1]), (1.7, [1, 3, 2]), (4.2, [2, 1, 3, 5]), (0.9, [0.4, 0.7])],
)
def test_cascades_are_what_a_simulation_finds(visible: float, periods: list[float]) -> None:
    exact = float(seen_chance(Fraction(str(visible)), [Fraction(str(it)) for it in periods]))
    found = simulated(visible, periods, 200_000, np.random.default_rng(1))
    assert found == pytest.approx(exact, abs=5 * (exact * (1 - exact) / 200_000) ** 0.5 + 1e-9)
