"""The order in which outputs come on, in two runs."""

from __future__ import annotations

from harness.core.instants import Bounds
from harness.measure.compare_order import OrderChange, compare_orders


def onsets(**at: tuple[int, int]) -> dict[str, Bounds]:
    return {name: Bounds(*it) for name, it in at.items()}


LAMP_FIRST, HORN_FIRST = onsets(lamp=(0, 4), horn=(5, 9)), onsets(lamp=(6, 9), horn=(1, 5))
OPEN = onsets(lamp=(0, 5), horn=(5, 9))


def test_a_change_is_certain_in_both() -> None:
    found = compare_orders({"a": [LAMP_FIRST, LAMP_FIRST, OPEN]}, {"a": [HORN_FIRST, OPEN]})
    assert found.changes == (OrderChange(alarm="a", first="lamp", second="horn", before=(2, 3), after=(1, 2)),)
    assert (found.same, found.open) == (0, 0)
    back = compare_orders({"a": [HORN_FIRST]}, {"a": [LAMP_FIRST]})
    assert [(it.first, it.second) for it in back.changes] == [("horn", "lamp")]


def test_what_may_be_either_way_is_no_order() -> None:
    """Instants that can be the same, and trials that contradict each other."""
    for before, after in (([OPEN], [HORN_FIRST]), ([LAMP_FIRST], [OPEN]), ([LAMP_FIRST, HORN_FIRST], [HORN_FIRST])):
        found = compare_orders({"a": before}, {"a": after})
        assert (found.changes, found.same, found.open) == ((), 0, 1)


def test_an_order_that_is_kept() -> None:
    found = compare_orders({"a": [LAMP_FIRST]}, {"a": [LAMP_FIRST, OPEN]})
    assert (found.changes, found.same, found.open) == ((), 1, 0)


def test_what_only_one_run_shows_is_not_compared() -> None:
    found = compare_orders({"a": [LAMP_FIRST], "b": [LAMP_FIRST]}, {"a": [onsets(lamp=(0, 1))]})
    assert (found.changes, found.same, found.open) == ((), 0, 0)
