"""What exists before listening begins is left alone by the collector, and what comes after is still collected."""

from __future__ import annotations

import gc
import weakref

import pytest

from harness.run.collector import heap_at_rest


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
