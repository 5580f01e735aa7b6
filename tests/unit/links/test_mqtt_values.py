"""Payloads as on and off, by hand."""

from __future__ import annotations

import pytest

from harness.core.places import MqttPlace, OnWhen
from harness.links.mqtt_values import is_on, sequence_of, value_of


def place(**rest: object) -> MqttPlace:
    return MqttPlace(topic="a", **rest)  # type: ignore[arg-type]


ACTIVE = place(pointer="/active")
WORDS = place(pattern="state=(?P<value>[A-Z]+)", on_values=("ALARM", "FAULT"), off_values=("OK",))
LEVEL = place(pointer="/level", on_when=OnWhen.ABOVE, threshold=95.0)


@pytest.mark.parametrize(
    ("where", "payload", "on"),
    [
        (ACTIVE, b'{"active": true}', True),
        (ACTIVE, b'{"active": false}', False),
        (ACTIVE, b'{"active": 1}', True),
        (ACTIVE, b'{"active": 0.0}', False),
        (ACTIVE, b'{"active": "true"}', True),
        (ACTIVE, b'{"active": "yes"}', None),
        (ACTIVE, b'{"active": null}', None),
        (ACTIVE, b'{"active": [true]}', None),
        (ACTIVE, b'{"other": true}', None),
        (ACTIVE, b'{"active": true, "active": false}', None),
        (ACTIVE, b'{"active": tr', None),
        (ACTIVE, b'{"active": NaN}', None),
        (ACTIVE, b'{"active": 1e400000000}', None),
        (ACTIVE, b'{"active": 1' + b"0" * 5000 + b"}", None),
        (ACTIVE, b"[" * 100_000, None),
        (ACTIVE, b"\xff\xfe", None),
        (ACTIVE, b"", None),
        (place(pointer="/active", on_when=OnWhen.CLEAR), b'{"active": true}', False),
        (place(pointer="/0/x"), b'[{"x": true}]', True),
        (place(pointer=""), b"true", True),
        (place(), b"true", True),
        (place(), b"0", False),
        (place(), b"ON", None),
        (place(on_values=("ON",)), b"ON", True),
        (place(on_values=("ON",)), b"on", False),
        (place(on_values=("ON",)), b"\xff", None),
        (place(off_values=("OFF",)), b"OFF", False),
        (place(off_values=("OFF",)), b"anything", True),
        (place(pointer="/state", on_values=("1", "2")), b'{"state": 2.0}', True),
        (place(pointer="/state", on_values=("1", "2")), b'{"state": 3}', False),
        (place(pointer="/state", on_values=("1", "2")), b'{"state": true}', False),
        (place(pointer="/state", on_values=("true",)), b'{"state": true}', True),
        (place(pointer="/state", off_values=("null",)), b'{"state": null}', False),
        (place(pointer="/state", on_values=("true",)), b'{"state": null}', None),
        (place(pointer="/state", off_values=("OK",)), b'{"state": null}', None),
        (place(on_values=("ON",)), b"", None),
        (place(off_values=("",)), b"", False),
        (WORDS, b"unit 3 state=ALARM", True),
        (WORDS, b"unit 3 state=OK", False),
        (WORDS, b"unit 3 state=TEST", None),
        (WORDS, b"unit 3", None),
        (place(pattern="^RAISED", on_values=("RAISED",)), b"RAISED 1", True),
        (LEVEL, b'{"level": 95.0}', False),
        (LEVEL, b'{"level": 95.00000000000001}', True),
        (LEVEL, b'{"level": "97.5"}', True),
        (LEVEL, b'{"level": true}', None),
        (LEVEL, b'{"level": "high"}', None),
        (place(on_when=OnWhen.BELOW, threshold=3.6), b" 3.5 ", True),
        (place(on_when=OnWhen.EQUAL, threshold=2), b"2", True),
        (place(on_when=OnWhen.EQUAL, threshold=2), b"2.5", False),
    ],
)  # fmt: skip
def test_on_off_or_neither(where: MqttPlace, payload: bytes, on: bool | None) -> None:
    assert is_on(where, payload) is on


def test_the_value_itself() -> None:
    assert value_of(place(), b"ON") == "ON"
    assert value_of(WORDS, b"state=OK") == "OK"
    assert value_of(ACTIVE, b'{"active": true}') is True


@pytest.mark.parametrize(
    ("payload", "number"),
    [
        (b'{"seq": 17}', 17), (b'{"seq": 17.0}', 17), (b'{"seq": -1}', -1), (b'{"seq": 1.5}', None),
        (b'{"seq": "17"}', None), (b'{"seq": true}', None), (b"{}", None), (b"17", None), (b"\xff", None),
    ],
)  # fmt: skip
def test_sequence_numbers(payload: bytes, number: int | None) -> None:
    assert sequence_of("/seq", payload) == number
