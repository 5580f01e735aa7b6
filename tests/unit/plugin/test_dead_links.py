"""Whether links that were down still are, at real sockets."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from dataclasses import replace

import pytest

from harness.core.links import ModbusTcpLink, TextLink
from harness.core.model import Site
from harness.plugin.dead_links import all_still_down
from harness.site.profiles import profiles_folder
from harness.site.reading import gather, read_site


@pytest.fixture
def listening() -> Iterator[int]:
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server.getsockname()[1]


@pytest.fixture
def nobody() -> Iterator[int]:
    """A port that is taken, so that nobody else takes it, and at which nobody listens."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        yield taken.getsockname()[1]


def site_at(bms: int, printer: int) -> Site:
    documents = gather(profiles_folder() / "demo" / "site.yaml")
    site = read_site(documents.files, documents.entry)[0]
    modbus, text = site.links["bms"], site.links["printer"]
    assert isinstance(modbus, ModbusTcpLink)
    assert isinstance(text, TextLink)
    modbus, text = replace(modbus, host="127.0.0.1", port=bms), replace(text, tcp_port=printer)
    return replace(site, links={**site.links, "bms": modbus, "printer": text})


def test_where_nobody_listens_all_are_down(nobody: int) -> None:
    assert all_still_down(site_at(nobody, nobody), ["bms", "printer"])


def test_one_that_can_be_had_again_is_enough(nobody: int, listening: int) -> None:
    assert not all_still_down(site_at(nobody, listening), ["bms", "printer"])
    assert not all_still_down(site_at(listening, nobody), ["bms", "printer"])


def test_what_cannot_be_told_is_tried(nobody: int) -> None:
    """BACnet/IP has no connection: only whoever asks the device learns whether it is there."""
    assert not all_still_down(site_at(nobody, nobody), ["bms", "building"])
    assert not all_still_down(site_at(nobody, nobody), [])
