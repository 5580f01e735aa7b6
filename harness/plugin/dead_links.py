"""Whether links that were all down in one test still are: then the next one need not wait for them to come up."""

from __future__ import annotations

import socket
from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

from harness.core.links import LinkSpec, ModbusRtuLink, ModbusTcpLink, MqttLink, TextLink

if TYPE_CHECKING:
    from harness.core.model import Site

CONNECT_S: Final = 0.5
"""How long it is tried to connect: what is alive in a plant's own network answers sooner (common practice, no
source). What answers later is found by nobody here, and is in the refusal by its name."""


def all_still_down(site: Site, links: Iterable[str]) -> bool:
    """True where surely none of these links can be had now. False where one can, or where that cannot be told."""
    addresses = [_address(site.links[link]) for link in links]
    return bool(addresses) and all(it is not None and not _answers(*it) for it in addresses)


def _address(link: LinkSpec) -> tuple[str, int] | None:
    """Where a connection says whether anybody is there; None for a serial port, for UDP, and for a person."""
    match link:
        case ModbusTcpLink() | MqttLink():
            return link.host, link.port
        case ModbusRtuLink() | TextLink():
            return None if link.host is None or link.tcp_port is None else (link.host, link.tcp_port)
        case _:
            return None


def _answers(host: str, port: int) -> bool:
    try:
        with socket.create_connection((host, port), timeout=CONNECT_S):
            return True
    except OSError:
        return False
