"""What can be chosen of the simulated building device, in Python and on a command line."""

from __future__ import annotations

import argparse
import ipaddress
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from sims.building_alarming import NotificationClass
from sims.durations import NS_PER_MS, NS_PER_S, format_duration, parse_duration
from sims.points import REMOTE, TANKS


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildingOptions:
    """``port``: 0 is any free one. ``recipients``: IPv4 addresses and UDP ports of the Recipient_List.

    ``recipients_elsewhere``: those of the class to which a defect moves an object; None for the same.
    ``time_delays_ns``: Time_Delay by alarm, or by tank for its level; whole seconds, as BACnet has it.
    ``clock_set``: (ns after the start, by how much it is set ahead) of the device's clock.
    ``test_objects``: for each alarm a commandable binary-value from 201, which raises it while it is active.
    """

    port: int = 0
    delay_ns: int = 100 * NS_PER_MS
    recipients: tuple[tuple[str, int], ...] = ()
    recipients_elsewhere: tuple[tuple[str, int], ...] | None = None
    confirmed: bool = True
    time_delays_ns: Mapping[str, int] = field(default_factory=dict)
    notification_class: NotificationClass = field(default_factory=NotificationClass)
    apdu_timeout_s: float = 3.0
    apdu_retries: int = 3
    test_objects: bool = False
    clock_offset_ns: int = 0
    clock_drift_ppm: int = 0
    clock_set: tuple[tuple[int, int], ...] = ()

    def __post_init__(self) -> None:
        """Raises ValueError with name=value, what was expected and the remedy."""
        if self.delay_ns < 0:
            raise ValueError(f"building delay={self.delay_ns}: expected 0 or more")
        known = (*(alarm.name for alarm in REMOTE), *TANKS)
        for name, delay_ns in self.time_delays_ns.items():
            if name not in known:
                raise ValueError(f"building time delay: {name}: no such object; expected one of {', '.join(known)}")
            if delay_ns < 0 or delay_ns % NS_PER_S:
                raise ValueError(
                    f"building time delay: {name}={format_duration(delay_ns)}: expected whole seconds: "
                    "Time_Delay of a BACnet object has no smaller unit"
                )


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the building device. Without ``--building-port`` there is none."""
    defaults = BuildingOptions()
    add = parser.add_argument
    add("--building-port", type=int, metavar="PORT", help="UDP port of the BACnet/IP device (default: no such device)")
    add(
        "--building-delay",
        type=_duration,
        default=defaults.delay_ns,
        metavar="TIME",
        help=f"time from a scan until its objects show it (default: {format_duration(defaults.delay_ns)})",
    )
    add(
        "--building-recipient",
        type=_recipient,
        action="append",
        default=[],
        metavar="HOST:PORT",
        help="who is in the Recipient_List of its notification class; may be repeated (default: nobody)",
    )
    add("--building-unconfirmed", action="store_true", help="its event notifications are unconfirmed")
    add(
        "--building-time-delay",
        type=_time_delay,
        action="append",
        default=[],
        metavar="NAME=TIME",
        help="Time_Delay of an alarm's object, or of a tank's level (default: 0s); may be repeated",
    )


def take_arguments(arguments: dict[str, Any]) -> BuildingOptions | None:
    """Take what ``add_arguments`` added out of parsed arguments. Raises ValueError."""
    port = arguments.pop("building_port")
    delay_ns = arguments.pop("building_delay")
    recipients = tuple(arguments.pop("building_recipient"))
    unconfirmed = arguments.pop("building_unconfirmed")
    time_delays_ns = dict(arguments.pop("building_time_delay"))
    if port is None:
        return None
    if not 0 <= port <= 65535:
        raise ValueError(f"building port={port}: expected 0 to 65535; 0 lets the system choose")
    return BuildingOptions(
        port=port,
        delay_ns=delay_ns,
        recipients=recipients,
        confirmed=not unconfirmed,
        time_delays_ns=time_delays_ns,
    )


def _duration(text: str) -> int:
    try:
        return parse_duration(text)
    except ValueError as exc:
        raise argparse.ArgumentTypeError(str(exc)) from exc


def _recipient(text: str) -> tuple[str, int]:
    host, _, port = text.rpartition(":")
    try:
        address = str(ipaddress.IPv4Address(host))
    except ValueError:
        address = ""
    if not address or not port.isdecimal() or not 0 < int(port) <= 65535:
        raise argparse.ArgumentTypeError(f"{text!r}: expected an IPv4 address and a port, as 127.0.0.1:15028")
    return address, int(port)


def _time_delay(text: str) -> tuple[str, int]:
    name, _, duration = text.partition("=")
    return name, _duration(duration)
