"""As found and as left: what counts as the same, and that what is not known never does."""

from __future__ import annotations

import json

import pytest

from harness.core.as_left import FoundValue, differences


def value(number: float | None, name: str = "a", **rest: object) -> FoundValue:
    return FoundValue(name=name, value=number, **rest)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("found", "left", "is_same"),
    [
        (value(1), value(1), True),
        (value(1), value(0), False),
        (value(None), value(None), True),
        (value(None), value(0), False),
        (value(0), value(None), False),
        (value(0, tolerance=5), value(None), False),
        (value(10, tolerance=2), value(12), True),
        (value(10, tolerance=2), value(8), True),
        (value(10, tolerance=2), value(12.001), False),
        (value(10), value(10.001, tolerance=2), False),
        (value(None, why="no answer"), value(None, why="no answer"), False),
        (value(1), value(None, why="no answer"), False),
        (value(None, why="no answer"), value(1), False),
        (value(None), value(None, why="no answer"), False),
        (value(1, may_differ=True), value(7), True),
        (value(1, may_differ=True), value(None, why="no answer"), True),
        (value(1), value(7, may_differ=True), False),
    ],
)
def test_what_is_the_same(found: FoundValue, left: FoundValue, is_same: bool) -> None:
    different = differences([found], [left])
    assert (different == ()) is is_same
    for it in different:
        assert it.is_known is (not found.why and not left.why)


def test_a_point_that_was_read_only_once_is_not_known() -> None:
    only_before, only_after = differences([value(1, "a")], [value(1, "b")])
    assert (only_before.name, only_before.left, only_before.is_known) == (
        "a", "not known (not among what was read)", False,
    )  # fmt: skip
    assert (only_after.name, only_after.found) == ("b", "not known (not among what was read)")
    assert differences([], [value(1, may_differ=True)]) == ()


def test_in_words() -> None:
    found = [value(1, "panel: coil 3"), value(None, "slot"), value(72.25, "limit", tolerance=0.5)]
    left = [value(None, "panel: coil 3", why="no answer within 200 ms"), value(1, "slot"), value(73, "limit")]
    assert [str(it) for it in differences(found, left)] == [
        "panel: coil 3: found 1, left not known (no answer within 200 ms)",
        "slot: found nothing, left 1",
        "limit: found 72.25, left 73",
    ]


@pytest.mark.parametrize("it", [value(1.5, tolerance=2.0), value(None), value(None, why="x", may_differ=True)])
def test_through_a_record_it_is_the_same(it: FoundValue) -> None:
    assert FoundValue.from_data(json.loads(json.dumps(it.to_data()))) == it
