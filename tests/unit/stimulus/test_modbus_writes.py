"""The write codec against the worked examples and limits of the MODBUS Application Protocol Specification V1.1b3."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest
from pymodbus.pdu import bit_message, register_message

from harness.core.places import Table
from harness.links.modbus_pdu import (
    ExceptionAnswer,
    ExceptionCode,
    Frame,
    GoodAnswer,
    Misfit,
    check_answer,
    parse_read_request,
)
from harness.stimulus.modbus_writes import WriteRequest, parse_write_request

COIL, HOLDING = Table.COIL, Table.HOLDING_REGISTER
EXAMPLES = [
    # (V1.1b3 clause and page, table, address, values, as functions 15 and 16, request PDU, answer PDU)
    ("6.5 p.18", COIL, 0xAC, (1,), False, "05 00 AC FF 00", "05 00 AC FF 00"),
    ("6.6 p.19", HOLDING, 1, (3,), False, "06 00 01 00 03", "06 00 01 00 03"),
    ("6.11 p.29", COIL, 0x13, (1, 0, 1, 1, 0, 0, 1, 1, 1, 0), False, "0F 00 13 00 0A 02 CD 01", "0F 00 13 00 0A"),
    ("6.12 p.30-31", HOLDING, 1, (0x0A, 0x102), False, "10 00 01 00 02 04 00 0A 01 02", "10 00 01 00 02"),
    ("6.5, off", COIL, 0xAC, (0,), False, "05 00 AC 00 00", "05 00 AC 00 00"),
    ("6.12, one", HOLDING, 1, (3,), True, "10 00 01 00 01 02 00 03", "10 00 01 00 01"),
]


@pytest.mark.parametrize(
    ("table", "address", "values", "multiple", "request_pdu", "answer_pdu"),
    [example[1:] for example in EXAMPLES],
    ids=[example[0] for example in EXAMPLES],
)
def test_worked_examples(
    table: Table, address: int, values: tuple[int, ...], multiple: bool, request_pdu: str, answer_pdu: str
) -> None:
    request = WriteRequest(unit=17, table=table, address=address, values=values, multiple=multiple)
    assert request.pdu == bytes.fromhex(request_pdu)
    assert request.answer_pdu == bytes.fromhex(answer_pdu)
    parsed = parse_write_request(17, request.pdu)
    assert isinstance(parsed, WriteRequest)
    assert (parsed.pdu, parsed.values) == (request.pdu, values)


def test_requests_equal_those_of_another_implementation() -> None:
    bits = [bool(at % 3) for at in range(1968)]
    coils = bit_message.WriteMultipleCoilsRequest(address=5, bits=bits, dev_id=1)
    ours = WriteRequest(unit=1, table=COIL, address=5, values=tuple(map(int, bits)))
    assert ours.pdu == b"\x0f" + coils.encode()
    words = [at * 517 % 65_536 for at in range(123)]
    registers = register_message.WriteMultipleRegistersRequest(address=900, registers=words, dev_id=1)
    assert WriteRequest(unit=1, table=HOLDING, address=900, values=tuple(words)).pdu == b"\x10" + registers.encode()


def answer(pdu: bytes, unit: int = 17) -> Frame:
    raw = b"\0\1\0\0" + (1 + len(pdu)).to_bytes(2, "big") + bytes((unit,)) + pdu
    return Frame(transaction=raw[:2], unit=unit, pdu=pdu, raw=raw)


def test_only_the_exact_echo_is_a_good_answer() -> None:
    request = WriteRequest(unit=17, table=HOLDING, address=900, values=(7, 1))
    assert check_answer(request, answer(request.answer_pdu)) == GoodAnswer(payload=b"")
    assert check_answer(request, answer(bytes.fromhex("90 04"))) == ExceptionAnswer(code=4)
    for pdu in ("10 03 84 00 01", "10 03 85 00 02", "10 03 84 00 02 00", "10", "06 03 84 00 02", "90"):
        assert isinstance(check_answer(request, answer(bytes.fromhex(pdu))), Misfit), pdu
    assert isinstance(check_answer(request, answer(request.answer_pdu, unit=1)), Misfit)


@pytest.mark.parametrize(("table", "count_max"), [(COIL, 1968), (HOLDING, 123)])
def test_limits_of_one_request(table: Table, count_max: int) -> None:
    """V1.1b3, 6.11 and 6.12: 1 to 7B0 hex coils, 1 to 7B hex registers; and 4.1: a PDU of at most 253 bytes."""
    request = WriteRequest(unit=1, table=table, address=0, values=(1,) * count_max)
    assert len(request.pdu) == 6 + 246
    for count in (0, count_max + 1):
        with pytest.raises(ValueError, match=f"{count} values: one request writes 1 to {count_max}"):
            WriteRequest(unit=1, table=table, address=0, values=(1,) * count)


@pytest.mark.parametrize(
    ("table", "address", "values", "unit", "message"),
    [
        (Table.DISCRETE_INPUT, 0, (1,), 1, "table=discrete-input: only coil and holding-register"),
        (Table.INPUT_REGISTER, 0, (1,), 1, "table=input-register: only coil and holding-register"),
        (COIL, 0, (2,), 1, "value=2: expected 0 to 1"),
        (HOLDING, 0, (1, 65_536), 1, "value=65536: expected 0 to 65535"),
        (HOLDING, 0, (-1,), 1, "value=-1: expected 0 to 65535"),
        (HOLDING, 65_535, (1, 2), 1, "address=65535 with 2 values"),
        (HOLDING, 0, (1,), 256, "unit=256: expected 0 to 255"),
    ],
)
def test_what_cannot_be_written(table: Table, address: int, values: tuple[int, ...], unit: int, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        WriteRequest(unit=unit, table=table, address=address, values=values)


@pytest.mark.parametrize(
    ("pdu", "code"),
    [
        ("", 1),
        ("03 00 00 00 01", 1),
        ("17 00 03 00 06 00 0E 00 03 06 00 FF 00 FF 00 FF", 1),
        ("05 00 00 FF", 3),
        ("05 00 00 FF 01", 3),
        ("05 00 00 00 01", 3),
        ("06 00 00 00 00 00", 3),
        ("0F 00 00 00 00 00", 3),
        ("0F 00 00 00 09 01 FF", 3),
        ("10 00 00 00 7C F8" + " 00" * 248, 3),
        ("10 FF FF 00 00 00", 3),  # both wrong: the quantity is looked at first
        ("10 FF FF 00 02 04 00 00 00 00", 2),
        ("0F FF FF 00 02 01 03", 2),
    ],
)
def test_order_of_checks(pdu: str, code: int) -> None:
    """V1.1b3, figures 15, 16, 21 and 22: function, then quantity, byte count and value, then address."""
    assert parse_write_request(1, bytes.fromhex(pdu)) == code


def test_what_listens_cannot_build_a_write() -> None:
    """The read codec knows no function above 4, and nothing in the listening code imports the write codec."""
    for function in range(256):
        if function not in (1, 2, 3, 4):
            assert parse_read_request(1, bytes((function, 0, 0, 0, 1))) is ExceptionCode.ILLEGAL_FUNCTION
    assert {table.read_function for table in Table} == {1, 2, 3, 4}
    links = Path(__file__).parents[3] / "harness" / "links"
    files = sorted(links.glob("*.py"))
    assert any(file.name == "modbus_client.py" for file in files)
    for file in files:
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not any(name.startswith("harness.stimulus") for name in names), file
