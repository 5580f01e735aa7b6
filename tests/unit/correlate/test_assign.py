"""Which sighting belongs to which raise of a point."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from harness.core.errors import Origin
from harness.core.instants import NS_PER_MS, Bounds
from harness.core.model import Behaviour, Expectation, Hold, Limits, Stimulus
from harness.core.trace import Trace
from harness.correlate.assign import Assignment, Window, assign
from harness.correlate.demand import demand_of
from harness.correlate.outline import Outline, outline

MS = NS_PER_MS
AT = Origin(file="test", line=1)


def seen(*onsets_ms: float, lasting: float = 50, period: float = 10, until: float = 12_000) -> Outline:
    """A point polled every ``period``, which came on at these times."""
    asked = np.arange(0, until, period)
    on = np.zeros(len(asked), dtype=np.bool_)
    for onset in onsets_ms:
        on |= (asked >= onset) & (asked < onset + lasting)
    at = (asked * MS).astype(np.int64)
    return outline(Trace.from_states("p", at, at, on), Hold(on_ns=MS, off_ns=MS))


def window(
    ms: float,
    *,
    number: int = 0,
    alarm: str = "a",
    within: float | None = 500,
    search: float = 500,
    clear: float | None = None,
    implied: bool = False,
    behaviour: Behaviour = Behaviour.PULSE,
    next_ms: float | None = None,
) -> Window:
    """The window of a raise."""
    stimulus = Stimulus(
        id=f"s{number}",
        alarm=alarm,
        raised=Bounds.exactly(round(ms * MS)),
        cleared=None if clear is None else Bounds.exactly(round(clear * MS)),
    )
    limits = Limits(appears_within_ns=None if within is None else round(within * MS), search_ns=round(search * MS))
    row = Expectation(key=alarm, alarm=alarm, point="p", behaviour=behaviour, limits=limits, origin=AT)
    following = None if next_ms is None else round(next_ms * MS)
    return Window(stimulus=stimulus, expectation=row, demand=demand_of(stimulus, row, following), implied=implied)


def assigned(sketch: Outline, windows: Sequence[Window]) -> Assignment:
    """The assignment of windows that are in the order of their starts."""
    assert [it.start for it in windows] == sorted(it.start for it in windows)
    return assign(sketch, windows)


def test_each_raise_takes_the_sighting_behind_it() -> None:
    found = assigned(seen(1100, 3100, 5100), [window(1000), window(3000), window(5000)])
    assert found.own == (0, 1, 2)
    assert found.ambiguous == (False, False, False)


def test_events_within_a_tolerance() -> None:
    """Raises at 1, 2, 3, 10 s and sightings at 1.4, 2.9, 3.1, 10.6 s, half a second allowed.

    A maximum bipartite matching pairs two of them (mir_eval.util.match_events; Raffel et al., ISMIR 2014). It is an
    upper bound: causal windows in order can never pair more.
    """
    found = assigned(seen(1400, 2900, 3100, 10_600), [window(1000), window(2000), window(3000), window(10_000)])
    assert sum(own is not None for own in found.own) <= 2
    assert found.own == (0, None, 2, None)


def test_a_greedy_nearest_first_matcher_would_lose_one() -> None:
    """Raises at 0 and 1 s, sightings at 0.9 and 1.8 s, a second allowed: both are paired, as by mir_eval 0.8.2."""
    raises = [window(0, within=1000, search=1000), window(1000, within=1000, search=1000)]
    assert assigned(seen(900, 1800), raises).own == (0, 1)


def test_one_dead_and_one_stray_are_not_a_row_of_lates() -> None:
    """The greatest number of pairs would take every sighting for the raise before it, all late."""
    raises = [window(1000 * at, within=300, search=3000) for at in range(1, 6)]
    found = assigned(seen(2100, 3100, 4100, 5100, 6100), raises)
    assert found.own == (None, 0, 1, 2, 3)
    assert not any(found.ambiguous)


def test_late_is_one_deviation_and_missed_with_stray_are_two() -> None:
    assert assigned(seen(1900), [window(1000, within=300, search=1500)]).own == (0,)


def test_beyond_the_search_limit_they_do_not_belong_together() -> None:
    assert assigned(seen(1900), [window(1000, within=300, search=800)]).own == (None,)


def test_a_sighting_before_the_raise_is_no_candidate() -> None:
    assert assigned(seen(900, lasting=80), [window(1000)]).own == (None,)


def test_the_next_raise_of_the_same_alarm_ends_the_search() -> None:
    raises = [window(1000, within=None, search=5000, next_ms=2000), window(2000, within=None, search=5000)]
    assert assigned(seen(2100), raises).own == (None, 0)


def test_one_sighting_and_two_raises_at_the_same_time_are_ambiguous() -> None:
    """Alignments of the same cost must be reported and not hidden: which of the two was missed is not known."""
    found = assigned(seen(1100), [window(1000, alarm="a"), window(1000, alarm="b", number=1)])
    assert found.ambiguous == (True, True)


def test_the_nearer_of_two_raises_takes_the_sighting_without_doubt() -> None:
    found = assigned(seen(1300), [window(1000, alarm="a"), window(1200, alarm="b", number=1)])
    assert found.own == (None, 0)
    assert found.ambiguous == (False, False)


def test_a_brought_alarm_takes_a_late_sighting_at_no_cost_and_owes_none() -> None:
    late = window(1000, within=100, search=2000, implied=True)
    assert assigned(seen(2100), [late]).own == (0,)
    assert assigned(seen(), [late]).own == (None,)


def test_a_raise_while_another_may_hold_the_point_owes_no_sighting() -> None:
    """The first holds the point from 1.1 to 5 s, so the second cannot come on anew; the third can, and is missed."""
    raises = [
        window(1000, alarm="a", clear=5000, behaviour=Behaviour.FOLLOWS),
        window(3000, alarm="b", clear=4000, number=1, behaviour=Behaviour.FOLLOWS),
        window(8000, alarm="c", clear=9000, number=2, behaviour=Behaviour.FOLLOWS),
    ]
    assert assigned(seen(1100, lasting=3900), raises).own == (0, None, None)


def test_what_an_earlier_window_may_hold_counts_across_clusters() -> None:
    """A late onset under a held point is a stray rather than the late answer to a raise that owed none.

    The two windows have no sighting in common, and the first one's hold must be known to the second all the same.
    """
    raises = [
        window(1000, alarm="a", clear=9000, within=200, search=500, behaviour=Behaviour.FOLLOWS),
        window(5000, alarm="b", clear=6000, within=200, search=2000, number=1, behaviour=Behaviour.FOLLOWS),
    ]
    assert assigned(seen(1100, 6500), raises).own == (0, None)


@pytest.mark.parametrize("count", [50, 200])
def test_only_compatible_pairs_are_looked_at(count: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """The band is as narrow as the windows: the number of pairs looked at grows with the number of raises."""
    from harness.correlate import assign as module

    looked_at: list[int] = []
    real = module._Band._pair_cost

    def counting(self: object, of: Window, number: int) -> object:
        looked_at.append(number)
        return real(self, of, number)  # type: ignore[arg-type]

    monkeypatch.setattr(module._Band, "_pair_cost", counting)
    sketch = seen(*(1000 * at + 100 for at in range(1, count + 1)), until=1000 * count + 3000)
    raises = [window(1000 * at, number=at, search=2500) for at in range(1, count + 1)]
    assert assigned(sketch, raises).own == tuple(range(count))
    # Three sightings lie in each search window; each pair is met once on the way there and once on the way back,
    # from at most three states.
    assert len(looked_at) <= 2 * 3 * 3 * count
