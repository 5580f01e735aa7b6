"""Alarm histories by hand: healthy, missing, twice, foreign, clocks that are off or set, and what cannot be told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.measure.alarm_history import Clock, Entry, Found, History, Need, Reconciled, Simulated
from harness.measure.reconcile import offset_words, reconcile

S, MS = NS_PER_S, NS_PER_MS
RUN = Bounds(0, 1000 * S)
CLOCK = Clock(middle_ns=500 * S)
MATCHED, MISSING, TWICE, FOREIGN, UNTOLD, OUTSIDE = list(Found)[:6]
AT = (20.3, 61.7, 105.2, 177.9, 240.1, 333.6)
NAMES = ("a.high", "a.low", "b.high", "b.low", "c.leak", "a.high")


def raised(stimulus: int, alarm: str, seconds: float, *, lasts: float = 8) -> Simulated:
    at, cleared = int(seconds * S), int((seconds + lasts) * S)
    return Simulated(
        stimulus=f"{stimulus:04d}",
        alarm=alarm,
        at=Bounds(at, at + 20 * MS),
        cleared=Bounds(cleared, cleared + 20 * MS),
    )


def six() -> list[Simulated]:
    return [raised(number, name, at) for number, (name, at) in enumerate(zip(NAMES, AT, strict=True), 1)]


def entry(alarm: str, seconds: float, offset_s: float = 0, delay_s: float = 0.4, resolution_ns: int = S) -> Entry:
    """As a controller writes it whose clock cuts to its resolution."""
    read = int((seconds + offset_s + delay_s) * S)
    alarms = frozenset({alarm}) if alarm else frozenset()
    written = read // resolution_ns * resolution_ns
    return Entry(where=f"h.csv:{alarm}", text=alarm, alarms=alarms, written_ns=written, resolution_ns=resolution_ns)


def healthy(simulated: Sequence[Simulated], offset_s: float = 0) -> list[Entry]:
    return [entry(it.alarm, it.at.lo / S, offset_s) for it in simulated]


def told(found: Reconciled) -> tuple[list[Found], list[Found]]:
    return [it.found for it in found.simulated], [it.found for it in found.entries]


def of(entries: Sequence[Entry], simulated: Sequence[Simulated] | None = None, clock: Clock = CLOCK) -> Reconciled:
    return reconcile(six() if simulated is None else simulated, History(raised=tuple(entries)), clock, RUN)


def test_a_healthy_history() -> None:
    found = of(healthy(six()))
    assert told(found) == ([MATCHED] * 6, [MATCHED] * 6)
    assert [it.entry for it in found.simulated] == list(range(6))
    assert (found.is_certain, found.differs, found.why_untold) == (True, False, "")
    (regime,) = found.regimes
    assert regime.agreeing == 6
    assert 0 in regime.offset


@pytest.mark.parametrize("order", ["reversed", "by name"])
def test_the_order_in_the_file_does_not_matter(order: str) -> None:
    entries = healthy(six())
    entries = entries[::-1] if order == "reversed" else sorted(entries, key=lambda it: it.text)
    assert of(entries).is_certain


@pytest.mark.parametrize("offset_s", [178.6, -178.6, 0.5, 890])
def test_a_clock_that_is_off(offset_s: float) -> None:
    found = of(healthy(six(), offset_s))
    assert found.is_certain
    (regime,) = found.regimes
    assert int(offset_s * S) in regime.offset
    assert regime.offset.width < 4 * S


@pytest.mark.parametrize("left_out", range(6))
def test_one_that_is_missing(left_out: int) -> None:
    entries = healthy(six(), 178)
    del entries[left_out]
    found = of(entries)
    assert found.simulated[left_out].found is MISSING
    assert [it.found for it in found.simulated].count(MATCHED) == 5
    assert (found.differs, found.is_certain) == (True, False)


def test_none_is_there() -> None:
    found = of([])
    assert told(found) == ([MISSING] * 6, [])
    assert found.differs


def test_one_that_is_there_twice() -> None:
    entries = healthy(six())
    entries.insert(3, entry("b.high", AT[2], delay_s=1.4))
    found = of(entries)
    assert found.simulated[2].found is TWICE
    assert [it.found for it in found.simulated].count(MATCHED) == 5
    assert [it.found for it in found.entries].count(TWICE) == 1
    assert found.differs


def test_one_more_while_it_is_raised_is_twice_and_later_is_foreign() -> None:
    found = of([*healthy(six()), entry("b.high", AT[2] + 6)])
    assert (found.simulated[2].found, found.entries[6].found) == (TWICE, TWICE)
    found = of([*healthy(six()), entry("b.high", AT[2] + 60)])
    assert (found.simulated[2].found, found.entries[6].found) == (MATCHED, FOREIGN)
    assert found.differs


@pytest.mark.parametrize("alarm", ["d.other", ""])
def test_one_that_nobody_raised(alarm: str) -> None:
    found = of([*healthy(six(), 178), entry(alarm, 150, 178)])
    assert told(found) == ([MATCHED] * 6, [MATCHED] * 6 + [FOREIGN])
    assert found.differs


def test_what_is_not_of_this_test_is_left_alone_and_what_is_at_its_edge_cannot_be_told() -> None:
    entries = [
        entry("a.high", -500, 178),
        *healthy(six(), 178),
        entry("d.other", 1800, 178),
        entry("a.low", 999.7, 178),
    ]
    found = of(entries)
    assert told(found)[1] == [OUTSIDE, *[MATCHED] * 6, OUTSIDE, UNTOLD]
    assert not found.differs
    assert not found.is_certain


# --- clocks ---------------------------------------------------------------------------------------


def test_a_clock_that_was_set_in_between() -> None:
    found = of(healthy(six()[:3], 10) + healthy(six()[3:], 130))
    assert found.is_certain
    assert [regime.since for regime in found.regimes] == [0, 3]
    assert [10 * S in found.regimes[0].offset, 130 * S in found.regimes[1].offset] == [True, True]


@pytest.mark.parametrize("hour_s", [3600, -3600])
def test_daylight_saving_begins_or_ends(hour_s: int) -> None:
    """Beyond what a clock may be off, but by an hour, in the middle of the run."""
    found = of(healthy(six()[:3], 10) + healthy(six()[3:], 10 + hour_s))
    assert found.is_certain
    assert (10 + hour_s) * S in found.regimes[1].offset


def test_a_clock_that_is_set_by_more_than_it_may_be_off_is_not_made_up() -> None:
    found = of(healthy(six()[:3], 10) + healthy(six()[3:], 5000))
    assert not found.is_certain
    assert MISSING in {it.found for it in found.simulated}


def test_a_step_is_not_made_up_for_one_alarm() -> None:
    """One is missing, and the same alarm was real two minutes later: that is no clock that was set."""
    entries = healthy(six())
    entries[5] = entry("a.high", AT[5] + 120)
    found = of(entries)
    assert (found.simulated[5].found, found.entries[5].found) == (MISSING, FOREIGN)
    assert len(found.regimes) == 1
    assert found.differs


def test_a_clock_that_is_further_off_than_said_is_not_taken_for_granted() -> None:
    found = of(healthy(six(), 7200))
    assert {it.found for it in found.simulated} == {UNTOLD}
    assert not found.differs
    assert "with its clock 1 h 59 min" in found.why_untold
    assert "6 of 6 simulated alarms would be in the history" in found.why_untold
    read = replace(CLOCK, within=Bounds(7190 * S, 7210 * S), is_known=True)
    assert of(healthy(six(), 7200), clock=read).is_certain


@pytest.mark.parametrize("offset_s", [1300, -1300])
def test_the_same_test_at_another_time_does_not_pass_for_this_one(offset_s: int) -> None:
    """Its entries are gone, and those of the same plan, raised again, are there: only a clock that was read helps."""
    wide = replace(CLOCK, within=Bounds(-9000 * S, 9000 * S))
    found = of(healthy(six(), offset_s), clock=wide)
    assert {it.found for it in found.simulated} == {UNTOLD}
    assert "these may be the entries of another test" in found.why_untold
    assert not found.is_certain


def test_one_entry_alone_confirms_no_clock() -> None:
    """A real alarm of the same name ten minutes before would do as well."""
    one = [raised(1, "a.high", 500)]
    found = of([entry("a.high", 500, -200)], one)
    assert told(found) == ([UNTOLD], [UNTOLD])
    assert "rests on one entry alone" in found.why_untold
    known = replace(CLOCK, within=Bounds(-202 * S, -198 * S), is_known=True)
    assert of([entry("a.high", 500, -200)], one, known).is_certain
    assert told(of([entry("a.high", 500, 10)], one, known)) == ([MISSING], [FOREIGN])


def test_its_clearing_confirms_the_clock_too() -> None:
    one = [raised(1, "a.high", 500)]
    history = History(raised=(entry("a.high", 500, -200),), cleared=(entry("a.high", 508, -200),))
    assert reconcile(one, history, CLOCK, RUN).is_certain
    history = replace(history, cleared=(entry("a.high", 530, -200),))  # it was up for another time
    assert told(reconcile(one, history, CLOCK, RUN)) == ([UNTOLD], [UNTOLD])


def test_a_clearing_that_nothing_explains_is_no_pass() -> None:
    cleared = (entry("b.high", 600),)
    found = reconcile(six(), History(raised=tuple(healthy(six())), cleared=cleared), CLOCK, RUN)
    assert [it.found for it in found.clears] == [UNTOLD]
    assert not found.is_certain
    assert not found.differs


def test_a_clock_drifts_over_a_night() -> None:
    """50 ppm over twelve hours are 2.2 s."""
    run = Bounds(0, 43_200 * S)
    simulated = [raised(number, f"n.{number % 20}", 30 + number * 60.7) for number in range(700)]
    entries = [entry(it.alarm, it.at.lo / S * 1.000_05, 3) for it in simulated]
    clock = Clock(middle_ns=21_600 * S)
    assert reconcile(simulated, History(raised=tuple(entries)), clock, run).is_certain


# --- what cannot be told -----------------------------------------------------------------------------


def test_two_of_one_alarm_close_together_and_one_entry() -> None:
    """Which of the two is missing cannot be told; that one is, is certain."""
    pair = [*six(), raised(7, "c.high", 500, lasts=0.4), raised(8, "c.high", 501, lasts=0.4)]
    found = of([*healthy(six()), entry("c.high", 501)], pair)
    assert [it.found for it in found.simulated[6:]] == [UNTOLD, UNTOLD]
    assert found.simulated[6].reason == "one of 0007, 0008 is missing"
    assert found.differs


def test_a_history_that_repeats_itself_fits_two_clocks() -> None:
    """Raised every 100 s, the first and the last entry gone in turn: shifted by 100 s it fits as well."""
    regular = [raised(number, "a.high", 100 + 100 * number) for number in range(4)]
    entries = [entry("a.high", 200), entry("a.high", 300), entry("a.high", 400)]
    clock = replace(CLOCK, within=Bounds(-150 * S, 150 * S))
    found = of(entries, regular, clock)
    assert [it.found for it in found.simulated] == [UNTOLD, MATCHED, MATCHED, UNTOLD]
    assert found.differs  # one is missing, by either


def test_an_entry_without_a_time_that_can_be_read() -> None:
    entries = healthy(six())
    entries[2] = replace(entries[2], written_ns=None)
    found = of(entries)
    assert found.simulated[2].found is UNTOLD
    assert not found.differs
    assert not found.is_certain


def test_the_raise_was_not_proven() -> None:
    two = raised(7, "d.high", 500), raised(8, "d.low", 600)
    simulated = [*six(), *(replace(it, need=Need.MAY, doubt="the raise is not proven") for it in two)]
    found = of([*healthy(six()), entry("d.high", 500)], simulated)
    assert [it.found for it in found.simulated[6:]] == [MATCHED, UNTOLD]
    assert found.simulated[7].reason == "no entry of it: the raise is not proven"
    assert not found.differs


def test_what_comes_along_has_to_be_there_and_may_be_later() -> None:
    along = replace(raised(1, "a.higher", 20.3), at=Bounds(int(20.3 * S), int(28.3 * S)), is_timed=False)
    simulated = [six()[0], along, *six()[1:]]
    entries = [*healthy(six()), entry("a.higher", 25)]
    assert of(entries, simulated).is_certain
    found = of(healthy(six()), simulated)
    assert found.simulated[1].found is MISSING
    assert found.differs


def test_what_need_not_be_there_is_no_difference() -> None:
    simulated = [*six(), replace(raised(7, "d.quiet", 500), need=Need.OPTIONAL)]
    found = of(healthy(six()), simulated)
    assert found.simulated[6].found is Found.NOT_EXPECTED
    assert found.is_certain


def test_texts_of_two_alarms() -> None:
    """An entry that may be of two alarms is of the one that lacks one."""
    both = frozenset({"b.high", "b.low"})
    entries = [replace(it, alarms=both) if it.alarms & both else it for it in healthy(six())]
    assert of(entries).is_certain


def test_nothing_was_raised() -> None:
    found = of([entry("a.high", 500)], [])
    assert found.why_untold.startswith("nothing was raised")
    assert not found.is_certain
    assert not found.differs


def test_times_in_whole_minutes_are_told_apart_less_finely() -> None:
    entries = [entry(it.alarm, it.at.lo / S, 178, resolution_ns=60 * S) for it in six()]
    found = of(entries)
    assert found.is_certain
    assert 178 * S in found.regimes[0].offset


@pytest.mark.parametrize(
    ("offset", "text"),
    [
        (Bounds(178_100 * MS, 181_900 * MS), "2 min 58 s to 3 min 2 s ahead"),
        (Bounds(-3_602 * S, -3_599 * S), "59 min 59 s to 1 h 2 s behind"),
        (Bounds(-1500 * MS, 2 * S), "between 2 s behind and 2 s ahead"),
        (Bounds(2_678_400 * S, 2_678_402 * S), "31 d to 31 d 2 s ahead"),
    ],
)
def test_offsets_in_words(offset: Bounds, text: str) -> None:
    assert offset_words(offset) == text
