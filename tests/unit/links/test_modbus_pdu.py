"""The read codec against the worked examples and limits of the MODBUS Application Protocol Specification V1.1b3."""

from __future__ import annotations

import pytest
from pymodbus import pdu as pymodbus_pdu
from pymodbus.pdu import bit_message, register_message

from harness.core.places import Table
from harness.links.modbus_pdu import (
    ExceptionAnswer,
    ExceptionCode,
    Frame,
    FrameSplitter,
    GoodAnswer,
    Misfit,
    ReadRequest,
    check_answer,
    exception_name,
    parse_read_request,
)

EXAMPLES = [
    # (V1.1b3 clause and page, table, address, count, request PDU, answer PDU)
    ("6.1 p.12", Table.COIL, 0x13, 0x13, "01 00 13 00 13", "01 03 CD 6B 05"),
    ("6.2 p.13", Table.DISCRETE_INPUT, 0xC4, 0x16, "02 00 C4 00 16", "02 03 AC DB 35"),
    ("6.3 p.15", Table.HOLDING_REGISTER, 0x6B, 3, "03 00 6B 00 03", "03 06 02 2B 00 00 00 64"),
    ("6.4 p.16", Table.INPUT_REGISTER, 8, 1, "04 00 08 00 01", "04 02 00 0A"),
]
BY_CLAUSE = pytest.mark.parametrize(
    ("table", "address", "count", "request_pdu", "answer_pdu"),
    [example[1:] for example in EXAMPLES],
    ids=[example[0] for example in EXAMPLES],
)


def frame_of(pdu: bytes, unit: int = 17, transaction: int = 2) -> Frame:
    raw = transaction.to_bytes(2, "big") + b"\0\0" + (1 + len(pdu)).to_bytes(2, "big") + bytes((unit,)) + pdu
    (frame,) = FrameSplitter().feed(raw)
    return frame


def ask(table: Table = Table.HOLDING_REGISTER, address: int = 0, count: int = 1, unit: int = 17) -> ReadRequest:
    return ReadRequest(unit=unit, table=table, address=address, count=count)


@BY_CLAUSE
def test_requests_are_those_of_the_specification(
    table: Table, address: int, count: int, request_pdu: str, answer_pdu: str
) -> None:
    request = ask(table, address, count)
    assert request.pdu == bytes.fromhex(request_pdu)
    assert parse_read_request(17, bytes.fromhex(request_pdu)) == request


@BY_CLAUSE
def test_answers_of_the_specification_fit_their_requests(
    table: Table, address: int, count: int, request_pdu: str, answer_pdu: str
) -> None:
    answer = bytes.fromhex(answer_pdu)
    assert check_answer(ask(table, address, count), frame_of(answer)) == GoodAnswer(payload=answer[2:])


@pytest.mark.parametrize("table", list(Table))
@pytest.mark.parametrize("unit", [0, 1, 255])
def test_requests_equal_those_of_another_implementation(table: Table, unit: int) -> None:
    kinds: dict[Table, type[pymodbus_pdu.ModbusPDU]] = {
        Table.COIL: bit_message.ReadCoilsRequest,
        Table.DISCRETE_INPUT: bit_message.ReadDiscreteInputsRequest,
        Table.HOLDING_REGISTER: register_message.ReadHoldingRegistersRequest,
        Table.INPUT_REGISTER: register_message.ReadInputRegistersRequest,
    }
    for address, count in ((0, 1), (0xFFFF, 1), (300, table.count_max)):
        theirs = kinds[table](address=address, count=count, dev_id=unit)
        assert ask(table, address, count, unit).pdu == bytes((theirs.function_code,)) + theirs.encode()


def test_the_worked_exception() -> None:
    """V1.1b3, 7 p.47: coil 1185 does not exist. Function code plus 80 hex, exception code 02."""
    request = parse_read_request(17, bytes.fromhex("01 04 A1 00 01"))
    assert isinstance(request, ReadRequest)
    assert request.address == 1185
    assert check_answer(request, frame_of(bytes.fromhex("81 02"))) == ExceptionAnswer(code=2)


def test_the_mbap_header() -> None:
    """TCP guide V1.0b, 3.1.3: transaction, protocol 0, length = unit + PDU, unit. Example 6.2 as transaction 2."""
    request = ask(Table.DISCRETE_INPUT, 0xC4, 0x16)
    assert request.frame(2) == bytes.fromhex("00 02 00 00 00 06 11 02 00 C4 00 16")
    (frame,) = FrameSplitter().feed(request.frame(2))
    assert (frame.transaction, frame.unit, frame.pdu) == (b"\x00\x02", 17, request.pdu)


@pytest.mark.parametrize(("table", "count_max"), [(t, 2000 if t.is_bits else 125) for t in Table])
def test_limits_of_one_request(table: Table, count_max: int) -> None:
    """V1.1b3, 6.1 to 6.4: 1 to 7D0 hex bits, 1 to 7D hex registers."""
    assert ask(table, 0, count_max).count == count_max
    for count in (0, count_max + 1, -1):
        with pytest.raises(ValueError, match=f"count={count}: one request reads 1 to {count_max}"):
            ask(table, 0, count)


def test_a_full_answer_is_a_whole_pdu() -> None:
    """V1.1b3, 4.1: a PDU has at most 253 bytes; 125 registers take 252, 2,000 bits take 252."""
    for table in Table:
        request = ask(table, 0, table.count_max)
        assert request.answer_bytes == 7 + 252
        pdu = bytes((request.function, 250)) + bytes(250)
        assert check_answer(request, frame_of(pdu)) == GoodAnswer(payload=bytes(250))


@pytest.mark.parametrize(("address", "count"), [(-1, 1), (65_535, 2), (65_536, 1)])
def test_addresses_end_at_65535(address: int, count: int) -> None:
    assert ask(address=65_535).address == 65_535
    with pytest.raises(ValueError, match=f"address={address} count={count}: expected addresses 0 to 65535"):
        ask(address=address, count=count)


@pytest.mark.parametrize("unit", [-1, 256])
def test_a_unit_is_one_byte(unit: int) -> None:
    with pytest.raises(ValueError, match=f"unit={unit}: expected 0 to 255"):
        ask(unit=unit)


@pytest.mark.parametrize(
    ("pdu", "code"),
    [
        ("", ExceptionCode.ILLEGAL_FUNCTION),
        ("05 00 AC FF 00", ExceptionCode.ILLEGAL_FUNCTION),
        ("10 FF FF 00 00", ExceptionCode.ILLEGAL_FUNCTION),
        ("03 00 00 00", ExceptionCode.ILLEGAL_DATA_VALUE),
        ("03 00 00 00 00", ExceptionCode.ILLEGAL_DATA_VALUE),
        ("03 00 00 00 7E", ExceptionCode.ILLEGAL_DATA_VALUE),
        ("01 00 00 07 D1", ExceptionCode.ILLEGAL_DATA_VALUE),
        ("03 FF FF 00 7E", ExceptionCode.ILLEGAL_DATA_VALUE),  # both wrong: the quantity is looked at first
        ("03 FF FF 00 02", ExceptionCode.ILLEGAL_DATA_ADDRESS),
        ("02 FF 00 01 01", ExceptionCode.ILLEGAL_DATA_ADDRESS),
    ],
)
def test_order_of_checks(pdu: str, code: ExceptionCode) -> None:
    """V1.1b3, figures 11 to 14: function, then quantity, then address."""
    assert parse_read_request(1, bytes.fromhex(pdu)) is code


REQUEST = ask(count=2)
MISFITS = [
    ("another unit", frame_of(bytes.fromhex("03 04 00 01 00 02"), unit=16), "unit 16 answered, unit 17", False),
    ("another function", frame_of(bytes.fromhex("04 04 00 01 00 02")), "function 4 answered, function 3", False),
    ("exception of another", frame_of(bytes.fromhex("84 02")), "function 132 answered, function 3", False),
    ("fewer registers", frame_of(bytes.fromhex("03 02 00 01")), "2 bytes of values, expected 4", False),
    ("more registers", frame_of(bytes.fromhex("03 06 00 01 00 02 00 03")), "6 bytes of values, expected 4", False),
    ("byte count too big", frame_of(bytes.fromhex("03 06 00 01 00 02")), "byte count 6, but 4 bytes follow", True),
    ("byte count too small", frame_of(bytes.fromhex("03 02 00 01 00 02")), "byte count 2, but 4 bytes follow", True),
    ("no byte count", frame_of(bytes.fromhex("03")), "byte count no, but 0 bytes follow", True),
    ("empty exception", frame_of(bytes.fromhex("83")), "an exception of 1 bytes, expected 2", True),
    ("long exception", frame_of(bytes.fromhex("83 02 00")), "an exception of 3 bytes, expected 2", True),
]


@pytest.mark.parametrize(("frame", "what", "torn"), [m[1:] for m in MISFITS], ids=[m[0] for m in MISFITS])
def test_what_does_not_fit_is_no_answer(frame: Frame, what: str, torn: bool) -> None:
    event = check_answer(REQUEST, frame)
    assert isinstance(event, Misfit)
    assert what in event.what
    assert event.torn is torn


def test_exceptions_have_names() -> None:
    """V1.1b3, 7."""
    assert exception_name(2) == "exception 02 (illegal data address)"
    assert exception_name(11) == "exception 11 (gateway target failed to respond)"
    assert exception_name(0x7F) == "exception 127 (not in the specification)"


STREAM = (
    b"".join(
        ask(table, address, count).frame(transaction)
        for transaction, (_, table, address, count, *_) in enumerate(EXAMPLES, start=65_533)
        if transaction < 65_536
    )
    + frame_of(bytes((3, 250)) + bytes(range(250)), transaction=7).raw
)


def split_in_pieces(stream: bytes, size: int) -> list[bytes]:
    splitter, raws = FrameSplitter(), []
    for at in range(0, len(stream), size):
        raws += [frame.raw for frame in splitter.feed(stream[at : at + size])]
        assert len(splitter.held) < 260
    assert splitter.broken is None
    return raws


def test_a_stream_gives_the_same_frames_however_it_is_cut() -> None:
    whole = split_in_pieces(STREAM, len(STREAM))
    assert len(whole) == 4
    assert b"".join(whole) == STREAM
    for size in range(1, len(STREAM)):
        assert split_in_pieces(STREAM, size) == whole


def test_trailing_data_waits_for_its_end() -> None:
    splitter = FrameSplitter()
    (first,) = splitter.feed(STREAM[:15])
    assert first.raw == STREAM[:12]
    assert splitter.held == STREAM[12:15]
    assert [frame.raw for frame in splitter.feed(STREAM[15:24])] == [STREAM[12:24]]
    assert splitter.held == b""


@pytest.mark.parametrize(
    ("header", "why"),
    [
        ("00 01 00 01 00 03", "protocol identifier 1 in the MBAP header, expected 0"),
        ("00 01 FF FF 00 03", "protocol identifier 65535 in the MBAP header, expected 0"),
        ("00 01 00 00 00 00", "length 0 in the MBAP header, expected 2 to 254"),
        ("00 01 00 00 00 01", "length 1 in the MBAP header, expected 2 to 254"),
        ("00 01 00 00 00 FF", "length 255 in the MBAP header, expected 2 to 254"),
        ("00 01 00 00 FF FF", "length 65535 in the MBAP header, expected 2 to 254"),
    ],
)
@pytest.mark.parametrize("size", [1, 5, 1000])
def test_a_header_that_cannot_be_one_breaks_the_stream_for_good(header: str, why: str, size: int) -> None:
    good = STREAM[:12]
    stream = good + bytes.fromhex(header) + good * 50
    splitter, raws = FrameSplitter(), []
    for at in range(0, len(stream), size):
        raws += [frame.raw for frame in splitter.feed(stream[at : at + size])]
    assert raws == [good]
    assert splitter.broken == why
    assert len(splitter.held) <= 260
