"""The model: what it refuses, and what hangs together in it."""

from __future__ import annotations

import pytest

from harness.core.instants import Bounds
from harness.core.model import Hold, Stimulus
from harness.core.places import ModbusPlace, Table, ValueType


def test_a_step_wholly_before_the_raise_is_refused() -> None:
    with pytest.raises(ValueError, match=r"cleared"):
        Stimulus(id="7", alarm="a", raised=Bounds(10, 12), cleared=Bounds(5, 9))


def test_steps_that_only_touch_are_taken() -> None:
    stimulus = Stimulus(id="7", alarm="a", raised=Bounds(10, 12), acknowledged=Bounds(12, 14), cleared=Bounds(20, 21))
    assert stimulus.proven


def test_a_hold_is_an_assumption_until_declared() -> None:
    hold = Hold()
    assert not hold.on_declared
    assert not hold.off_declared
    assert hold.on_ns > 0


@pytest.mark.parametrize(
    ("table", "function", "most", "bits"),
    [
        (Table.COIL, 1, 2000, True),
        (Table.DISCRETE_INPUT, 2, 2000, True),
        (Table.HOLDING_REGISTER, 3, 125, False),
        (Table.INPUT_REGISTER, 4, 125, False),
    ],
)
def test_tables_are_read_as_specified(table: Table, function: int, most: int, bits: bool) -> None:
    """Modbus Application Protocol V1.1b3, 6.1 to 6.4: function codes and the most that one request may read."""
    assert (table.read_function, table.count_max, table.is_bits) == (function, most, bits)


@pytest.mark.parametrize(
    ("table", "value_type", "count"),
    [
        (Table.COIL, ValueType.BIT, 1),
        (Table.HOLDING_REGISTER, ValueType.BITS, 1),
        (Table.HOLDING_REGISTER, ValueType.S16, 1),
        (Table.INPUT_REGISTER, ValueType.U32, 2),
        (Table.INPUT_REGISTER, ValueType.F32, 2),
    ],
)
def test_how_much_is_read_for_a_place(table: Table, value_type: ValueType, count: int) -> None:
    assert ModbusPlace(unit=1, table=table, address=0, value_type=value_type).count == count
