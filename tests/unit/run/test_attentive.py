"""What exists before listening begins is left alone by the collector, and what comes after is still collected."""

from __future__ import annotations

import gc
import sys
import weakref

import pytest

from harness.run.attentive import TURN_S, heap_at_rest, listening_first, rest_again


class Knot:
    """Refers to itself, so that only the collector can free it."""

    def __init__(self) -> None:
        self.me = self


def test_what_came_before_is_left_alone_until_the_end() -> None:
    before = Knot()
    seen = weakref.ref(before)
    with heap_at_rest():
        assert gc.get_freeze_count() > 0
        del before
        gc.collect()
        assert seen() is not None
    assert gc.get_freeze_count() == 0
    gc.collect()
    assert seen() is None


def test_what_comes_within_is_collected() -> None:
    with heap_at_rest():
        within = Knot()
        seen = weakref.ref(within)
        del within
        gc.collect()
        assert seen() is None


def test_it_is_undone_after_an_error() -> None:
    with pytest.raises(IndexError), heap_at_rest():
        [].pop()
    assert gc.get_freeze_count() == 0


def test_threads_take_short_turns_only_while_listening() -> None:
    before = sys.getswitchinterval()
    with listening_first():
        assert sys.getswitchinterval() == pytest.approx(TURN_S)
        assert gc.get_freeze_count() > 0
    assert sys.getswitchinterval() == before
    assert gc.get_freeze_count() == 0


def test_turns_are_as_before_after_an_error() -> None:
    before = sys.getswitchinterval()
    with pytest.raises(IndexError), listening_first():
        [].pop()
    assert sys.getswitchinterval() == before


def test_what_is_left_of_an_alarm_is_left_alone_and_its_cycles_are_gone() -> None:
    with listening_first():
        within, garbage = Knot(), Knot()
        seen, gone = weakref.ref(within), weakref.ref(garbage)
        frozen = gc.get_freeze_count()
        del garbage
        rest_again()
        assert gone() is None
        assert gc.get_freeze_count() > frozen
        del within
        gc.collect()
        assert seen() is not None
    gc.collect()
    assert seen() is None
