"""The options of the simulated building device, as given in Python and on a command line."""

from __future__ import annotations

import argparse

import pytest

from sims.building_options import BuildingOptions, add_arguments, take_arguments
from sims.durations import NS_PER_S


def parse(*words: str) -> BuildingOptions | None:
    parser = argparse.ArgumentParser(exit_on_error=False)
    add_arguments(parser)
    arguments = vars(parser.parse_args(words))
    options = take_arguments(arguments)
    assert arguments == {}, "everything that was added was taken"
    return options


def test_without_a_port_there_is_no_such_device() -> None:
    assert parse() is None
    assert parse("--building-recipient", "127.0.0.1:15028") is None


def test_everything_given() -> None:
    options = parse(
        *("--building-port", "15027", "--building-delay", "250ms", "--building-unconfirmed"),
        *("--building-recipient", "127.0.0.1:15028", "--building-recipient", "127.0.0.2:15029"),
        *("--building-time-delay", "sump-a.leak=2s", "--building-time-delay", "day=5s"),
    )
    assert options == BuildingOptions(
        port=15027,
        delay_ns=NS_PER_S // 4,
        confirmed=False,
        recipients=(("127.0.0.1", 15028), ("127.0.0.2", 15029)),
        time_delays_ns={"sump-a.leak": 2 * NS_PER_S, "day": 5 * NS_PER_S},
    )


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--building-recipient", "somewhere"), "'somewhere': expected an IPv4 address and a port, as 127.0.0.1:15028"),
        (("--building-recipient", "127.0.0.1:0"), "'127.0.0.1:0': expected an IPv4 address and a port"),
        (("--building-port", "70000"), "building port=70000: expected 0 to 65535; 0 lets the system choose"),
        (("--building-time-delay", "sump-a.leak=1500ms"), "sump-a.leak=1.5s: expected whole seconds"),
        (("--building-time-delay", "sump-x.leak=1s"), "sump-x.leak: no such object; expected one of bulk-a.high-high"),
        (("--building-time-delay", "printer.paper-low=1s"), "printer.paper-low: no such object"),
    ],
)
def test_what_is_wrong_is_said(words: tuple[str, str], message: str) -> None:
    with pytest.raises((argparse.ArgumentError, ValueError)) as wrong:
        parse("--building-port", "0", *words)
    assert message in str(wrong.value)
