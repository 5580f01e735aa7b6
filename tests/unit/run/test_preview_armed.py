"""What a plan says of arming it."""

from __future__ import annotations

from harness.core.links import ModbusRtuLink
from harness.run.order import Selection, carried_links
from harness.run.preview import preview_of
from tests.peers.sites import site_of

NOT_GUARANTEED = (
    "CLEARING IS NOT GUARANTEED for {}: it hangs on this computer, on farend's process and on its link. Isolate what "
    "they act on before arming"
)

READ_TWICE = "everything that may be written is read once before the first raise and once at the end"


def test_what_is_not_guaranteed_is_said_with_the_request_to_isolate() -> None:
    assert preview_of(site_of(), Selection(only=("a.*",))).armed == (
        "holds off 3 s before the first raise",
        "cleared after 5 min at the latest",
        NOT_GUARANTEED.format("a.high-high, a.high, a.low"),
        "how that is isolated the site file does not say (isolated by:)",
        READ_TWICE,
    )


def test_an_alarm_that_the_controller_ends_needs_no_such_words() -> None:
    assert preview_of(site_of(), Selection(only=("b.leak",))).armed == (
        "holds off 3 s before the first raise",
        "ended by the controller itself: b.leak",
        READ_TWICE,
    )


def test_what_alarms_say_of_their_own_is_told_with_their_names() -> None:
    site = site_of(
        ("stimulus:\n", "stimulus:\n  hold off: 0 s\n  isolated by: pump off and tagged\n"),
        ("a.low: {text: A LOW,", "a.low: {text: A LOW, hold off: 10 s, raised at most: 20 s, isolated by: valve shut,"),
        ("holding register: 900-901}", "holding register: 900-901, read back: no, because: it is taken away}"),
    )
    assert preview_of(site, Selection(only=("a.low", "a.high"))).armed == (
        "no hold-off: the first raise comes as soon as it is armed and the outputs are normal: a.high",
        "holds off 10 s before the first raise: a.low",
        "cleared after 5 min at the latest: a.high",
        "cleared after 20 s at the latest: a.low",
        NOT_GUARANTEED.format("a.high, a.low"),
        "isolated by: pump off and tagged: a.high",
        "isolated by: valve shut: a.low",
        READ_TWICE,
        "not read back, so that the answer to the write is its only proof: it is taken away",
    )


def test_a_bus_that_is_only_written_to_is_opened_too() -> None:
    site = site_of(
        ("links:\n", 'links:\n  bus: {modbus-rtu+tcp: "127.0.0.1:10", numbering: from-0, poll every: 100 ms}\n'),
        ("writable:\n", "writable:\n  - {link: bus, coil: coil 1}\n"),
    )
    assert isinstance(site.links["bus"], ModbusRtuLink)
    assert carried_links(site) == ("bus",)
    bus = next(it for it in preview_of(site, Selection()).links if it.name == "bus")
    assert "while armed, writes and reading them back between the polls" in bus.cost
    assert carried_links(site_of()) == ()


def test_a_link_that_is_only_written_over_is_declared() -> None:
    site = site_of(
        ("links:\n", 'links:\n  io: {modbus-tcp: "127.0.0.1:10", numbering: from-0, poll every: 100 ms}\n'),
        ("writable:\n", "writable:\n  - {link: io, coil: coil 1}\n"),
    )
    io = next(it for it in preview_of(site, Selection()).links if it.name == "io")
    assert io.cost == "not listened to in this plan; one connection while armed, for writes and reading them back"
    assert io.requests == ()
