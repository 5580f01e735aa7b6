"""What could explain a measured value outside the prediction, and what was predicted for the trials of a record."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from harness.core.errors import UsageError
from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.core.model import Behaviour, Site, Stimulus
from harness.core.verdicts import Verdict
from harness.measure.trials import RowTrial, RowTrials, Shown
from harness.site.reading import read_site
from harness.studies import budget_measured
from harness.studies.budget import Asked, budget_of
from harness.studies.budget_measured import predicted_latency, with_measured
from tests.peers.records import RecordMaker

S = NS_PER_S
SITE = """
site: small
controller: {name: panel}
links:
  bus:
    modbus-rtu: /dev/ttyUSB0
    baud: 9600
    way: receive-only
    numbering: reference
    timeout: 1 s
    poll every: 2 s
    output delay: 100 ms to 300 ms
loops:
  level:
    link: bus
    address: 30001
    raw at 4 mA: 819
    raw at 20 mA: 4095
    input from: 0 mA
    input to: 22 mA
    damping: 0 s
alarms:
  tank.high: {side effects: none}
  tank.fault: {side effects: none}
points:
  - {alarm: tank.high, link: bus, address: 10001, behaviour: follows}
  - {alarm: tank.fault, loop: level, on when: failure low, behaviour: follows}
"""


def site(text: str = SITE) -> Site:
    return read_site({"site.yaml": text.encode()}, "site.yaml")[0]


def compared(lasts_s: list[Fraction], phases: tuple[float, ...] = (), text: str = SITE) -> budget_measured._Compared:
    """Trials of tank.high, each cleared after so long, known exactly."""
    group = next(it for it in budget_of(site(text), Asked()).groups if it.rows[0].alarm == "tank.high")
    stimuli, trials = {}, []
    for number, lasts in enumerate(lasts_s):
        raised = Bounds.exactly(10 * number * S)
        cleared = Bounds.exactly(raised.lo + int(lasts * S))
        stimuli[str(number)] = Stimulus(id=str(number), alarm="tank.high", raised=raised, cleared=cleared)
        trials.append(
            RowTrial(record=0, stimulus=str(number), verdict=Verdict.ON_TIME, shown=Shown.SHOWN, raised=raised)
        )
    row = RowTrials(
        key="tank.high@bus:10001", alarm="tank.high", point="bus:10001", trials=tuple(trials), phases=phases
    )
    return budget_measured._Compared(
        row=row, group=group, watcher=group.way.watchers[0], stimuli=[stimuli], behaviour=Behaviour.FOLLOWS
    )


def test_the_mean_of_unlike_trials() -> None:
    """1 s and 4 s on a cycle of 2 s, shortened or lengthened by up to 200 ms: 0.4 to 0.6, and 1."""
    it = compared([Fraction(1), Fraction(4)])
    low, high = budget_measured._mean_chances(it, it.row.measured)
    assert low == (Fraction(4, 10) + 1) / 2
    assert high == (Fraction(6, 10) + 1) / 2


def test_an_alarm_that_was_never_cleared_stays() -> None:
    it = compared([Fraction(1)])
    never = {name: replace(stimulus, cleared=None) for name, stimulus in it.stimuli[0].items()}
    it = replace(it, stimuli=[never])
    assert budget_measured._mean_chances(it, it.row.measured) == (Fraction(1), Fraction(1))


def test_raises_in_step_with_the_polls_are_named_and_random_ones_are_not() -> None:
    locked = compared([Fraction(1)] * 20, phases=(0.31,) * 20)
    spread = compared([Fraction(1)] * 20, phases=tuple((number * 0.618034) % 1 for number in range(20)))
    word = "raises in step with the polls"
    assert any(text.startswith(word) for text in budget_measured._why_seldom(locked))
    assert any(text.startswith(word) for text in budget_measured._why_often(locked))
    assert not any(text.startswith(word) for text in budget_measured._why_seldom(spread))


def test_a_dead_unit_is_named_where_it_makes_it_later() -> None:
    """The declared cycle of 2 s has room for a time-out of 1 s, one of 5 s makes it longer."""
    short, long = (
        " ".join(
            budget_measured._why_late(compared([Fraction(1)], text=SITE.replace("timeout: 1 s", f"timeout: {it}")))
        )
        for it in ("1 s", "5 s")
    )
    assert "did not answer" not in short
    assert "a unit of the bus that did not answer: then it may be seen up to 5." in long


def test_a_failure_current_is_measured_from_when_it_has_lasted() -> None:
    """The judge takes its onset there (NAMUR NE 43: 4 s), so the prediction beside it does too."""
    groups = {it.rows[0].alarm: it for it in budget_of(site(), Asked()).groups}
    fault, high = groups["tank.fault"], groups["tank.high"]
    assert predicted_latency(fault, fault.way.watchers[0]) == Bounds(4100 * NS_PER_MS, 4300 * NS_PER_MS)
    assert predicted_latency(high, high.way.watchers[0]) == Bounds(100 * NS_PER_MS, 300 * NS_PER_MS)


def test_what_was_measured_elsewhere_or_is_named_twice_is_not_put_beside_a_prediction(tmp_path: Path) -> None:
    maker = RecordMaker(tmp_path / "r.farend", seconds=20, up=("bms",))
    maker.plan("a.low")
    maker.stimulus("0001", "a.low", 5, 10)
    path = maker.close()
    with pytest.raises(UsageError, match="site=ashby: this site file is site=small"):
        with_measured(budget_of(site(), Asked()), site(), [path])
    own = maker.site
    assert with_measured(budget_of(own, Asked()), own, [path]).measured is not None
    with pytest.raises(UsageError, match="the same record"):
        with_measured(budget_of(own, Asked()), own, [path, path])
