"""Durations, addresses, names and the other values of a site file, read and written."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.core.places import Numbering, Table
from harness.site import kinds
from harness.site.addresses import Address, read_address, write_address
from harness.site.durations import LONGEST_NS, read_duration, read_span, write_duration
from harness.site.names import did_you_mean, nearest, shown
from harness.site.problems import Mismatch


@pytest.mark.parametrize(
    ("text", "nanoseconds"),
    [
        ("200 ms", 200 * NS_PER_MS),
        ("200ms", 200 * NS_PER_MS),
        ("1.5 s", 1500 * NS_PER_MS),
        ("2 min", 120 * NS_PER_S),
        ("1 h", 3600 * NS_PER_S),
        ("250 us", 250_000),
        ("250 \u00b5s", 250_000),
        ("0.000000001 s", 1),
        ("0 s", 0),
        ("744 h", LONGEST_NS),
    ],
)
def test_duration(text: str, nanoseconds: int) -> None:
    assert read_duration(text) == nanoseconds


@pytest.mark.parametrize(
    "text",
    [
        "200",
        "",
        "ms",
        "1,5 s",
        "-1 s",
        "1 s 2 ms",
        "1e3 ms",
        "0x10 ms",
        "1 day",
        "745 h",
        "0.0000000001 s",
        "1 S",
        "\u0661 s",
    ],
)
def test_no_duration(text: str) -> None:
    with pytest.raises(Mismatch):
        read_duration(text)


@given(st.integers(min_value=0, max_value=LONGEST_NS))
def test_a_written_duration_reads_back(nanoseconds: int) -> None:
    assert read_duration(write_duration(nanoseconds)) == nanoseconds


def test_span() -> None:
    assert read_span("1.5 s +/- 200 ms") == Bounds(1300 * NS_PER_MS, 1700 * NS_PER_MS)
    assert read_span("1.5 s \u00b1 0.2 s") == Bounds(1300 * NS_PER_MS, 1700 * NS_PER_MS)
    assert read_span("800 ms") == Bounds.exactly(800 * NS_PER_MS)


# MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.4: the examples' numbers and the addresses in the requests.
@pytest.mark.parametrize(
    ("table", "number", "address"),
    [
        (Table.COIL, "20", 0x13),
        (Table.DISCRETE_INPUT, "197", 0xC4),
        (Table.HOLDING_REGISTER, "108", 0x6B),
        (Table.INPUT_REGISTER, "9", 0x08),
    ],
)
def test_numbers_of_the_specification(table: Table, number: str, address: int) -> None:
    assert read_address(number, numbering=Numbering.FROM_ONE, table=table).address == address
    digit = {Table.COIL: 0, Table.DISCRETE_INPUT: 1, Table.INPUT_REGISTER: 3, Table.HOLDING_REGISTER: 4}[table]
    for digits in (4, 5):
        reference = f"{digit}{int(number):0{digits}d}"
        read = read_address(reference, numbering=Numbering.REFERENCE, table=None)
        assert (read.table, read.address) == (table, address)


@given(
    table=st.sampled_from(Table),
    address=st.integers(0, 65535),
    numbering=st.sampled_from(Numbering),
    bits_from=st.sampled_from([0, 1]),
    data=st.data(),
)
def test_a_written_address_reads_back(
    table: Table, address: int, numbering: Numbering, bits_from: int, data: st.DataObject
) -> None:
    bit = None if table.is_bits else data.draw(st.none() | st.integers(0, 15))
    count = 1 if bit is None else data.draw(st.integers(1, 16 - bit))
    written = Address(table=table, address=address, bit=bit, bit_count=count)
    text = write_address(written, numbering, bits_from)
    assert read_address(text, numbering=numbering, table=None, bits_from=bits_from) == written


@pytest.mark.parametrize("text", ["", "coil", "1.2.3", "-1", "+1", "1e3", "0x10", "99999999999", "10001.", "1.16"])
@pytest.mark.parametrize("numbering", list(Numbering))
def test_no_address(text: str, numbering: Numbering) -> None:
    with pytest.raises(Mismatch):
        read_address(text, numbering=numbering, table=Table.HOLDING_REGISTER)


def test_a_spreadsheet_ate_the_zeros_of_a_coil() -> None:
    read = read_address("17", numbering=Numbering.REFERENCE, table=Table.COIL)
    assert (read.table, read.address) == (Table.COIL, 16)
    with pytest.raises(Mismatch):
        read_address("17", numbering=Numbering.REFERENCE, table=None)


def test_did_you_mean() -> None:
    assert nearest("poll_every", ["poll every", "unit"]) == "poll every"
    assert nearest("zzz", ["poll every", "unit"]) is None
    assert did_you_mean("hgih", ["tank.high"], otherwise="add it") == "add it"
    assert did_you_mean("tank.hgih", ["tank.high", "tank.low"]) == "did you mean tank.high?"


def test_shown_values_cannot_move_the_cursor() -> None:
    assert shown("a\x1b[2Jb\u202e") == "a\\x1b[2Jb\\u202e"
    assert len(shown("x" * 1000)) == 60


@pytest.mark.parametrize(("text", "value"), [("yes", True), ("no", False), ("Yes", True), ("false", False)])
def test_yes_no(text: str, value: object) -> None:
    assert kinds.YES_NO.read(text) is value


@pytest.mark.parametrize(
    ("text", "host", "port"),
    [("127.0.0.1", "127.0.0.1", 502), ("plc-1.local:1502", "plc-1.local", 1502), ("[::1]:1502", "::1", 1502)],
)
def test_host_port(text: str, host: str, port: int) -> None:
    assert kinds.host_port(502).read(text) == kinds.HostPort(host=host, port=port)


@pytest.mark.parametrize("text", ["", ":502", "host:", "host:0", "host:65536", "a b:1", "::1:502", "host:\u0661"])
def test_no_host_port(text: str) -> None:
    with pytest.raises(Mismatch):
        kinds.host_port(502).read(text)
