"""Raising alarms by writing. Built only after the site's word was given; writes only what the site file lists."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Self

from harness.core.errors import LinkError, SafetyError
from harness.core.instants import NS_PER_S, Bounds, Clock
from harness.core.links import ModbusTcpLink
from harness.core.model import Site, Write
from harness.links.modbus_client import ExchangeError, ModbusClient, RequestRefusedError
from harness.links.modbus_pdu import ExceptionCode
from harness.stimulus.modbus_writes import WriteRequest

CONNECT_TRIES: Final = 2
NOT_DONE: Final = (
    ExceptionCode.ILLEGAL_FUNCTION,
    ExceptionCode.ILLEGAL_DATA_ADDRESS,
    ExceptionCode.ILLEGAL_DATA_VALUE,
)
"""Exceptions that a device answers before it does anything (Modbus Application Protocol V1.1b3, 6.12, figure 22)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Performed:
    """What became of a step: its true instant within ``at``; ``why`` says what is missing where it is not proven.

    ``is_sent``: False where the device surely did nothing, because nothing was sent to it or it refused.
    """

    at: Bounds
    proven: bool
    why: str = ""
    is_sent: bool = True


class ArmedWriter:
    """Performs the writes of stimuli, each device over one connection of its own. Use it in an ``async with``."""

    def __init__(self, site: Site, clock: Clock, word: str | None) -> None:
        """Raises SafetyError unless ``word`` is the site's own."""
        check_word(site, word)
        self._site = site
        self._clock = clock
        self._clients: dict[str, ModbusClient] = {}

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        for client in self._clients.values():
            client.close()

    async def perform(self, writes: Iterable[Write]) -> Performed:
        """Write in order. The step lies between the first byte out and the last answer in.

        A write without an answer proves nothing, and the ones behind it are not sent. Raises SafetyError for an
        address that the site file does not list, before anything is sent.
        """
        ordered = tuple(writes)
        for write in ordered:
            check_listed(self._site, write)
        first_ns = self._clock()
        last_ns = first_ns
        is_sent = False
        for write in ordered:
            try:
                client = await self._client(write.link)
            except LinkError as exc:
                at = Bounds(first_ns, max(first_ns, self._clock()))
                return Performed(at=at, proven=False, why=str(exc), is_sent=is_sent)
            try:
                answer = await client.exchange(_request(write), self._spec(write.link).timeout_ns)
            except RequestRefusedError as exc:
                at = Bounds(first_ns, max(first_ns, exc.given_up_ns))
                return Performed(at=at, proven=False, why=str(exc), is_sent=is_sent or exc.code not in NOT_DONE)
            except BaseException as exc:
                # The answers to a raise and to a clear look alike. Over a new connection a late one cannot come.
                client.close()
                if not isinstance(exc, ExchangeError):
                    raise
                return Performed(at=Bounds(first_ns, max(first_ns, exc.given_up_ns)), proven=False, why=str(exc))
            if write is ordered[0]:
                first_ns = answer.asked_ns
            last_ns, is_sent = answer.told_ns, True
        return Performed(at=Bounds(first_ns, last_ns), proven=True)

    async def _client(self, link: str) -> ModbusClient:
        client = self._clients.get(link)
        if client is None or not client.is_open:
            spec = self._spec(link)
            client = ModbusClient(spec.host, spec.port, self._clock)
            await client.connect(min(spec.timeout_ns * CONNECT_TRIES, 5 * NS_PER_S))
            self._clients[link] = client
        return client

    def _spec(self, link: str) -> ModbusTcpLink:
        spec = self._site.links[link]
        if not isinstance(spec, ModbusTcpLink):
            raise SafetyError(f"link={link}: a write needs a Modbus link; this one can only be listened to")
        return spec


def _request(write: Write) -> WriteRequest:
    return WriteRequest(
        unit=write.unit,
        table=write.table,
        address=write.address,
        values=write.values,
        multiple=len(write.values) > 1,
    )


def check_word(site: Site, word: str | None) -> None:
    """Raise SafetyError unless ``word`` is the site's own."""
    if word is None:
        raise SafetyError(
            f"site={site.name}: not armed, so nothing is raised; add '--arm {site.name}' once the plan was reviewed"
        )
    if word != site.name:
        raise SafetyError(
            f"--arm {word}: this site file is site={site.name}; the word to arm it is its own name, so that no "
            "other site is written to by mistake"
        )


def check_listed(site: Site, write: Write) -> None:
    """Raise SafetyError unless every address of ``write`` is on the site file's own list of writable ones."""
    last = write.address + len(write.values) - 1
    for allowed in site.writable:
        same = (allowed.link, allowed.unit, allowed.table) == (write.link, write.unit, write.table)
        if same and allowed.address <= write.address and last < allowed.address + allowed.count:
            return
    raise SafetyError(
        f"link={write.link} unit={write.unit} table={write.table.value} addresses {write.address} to {last} (from 0): "
        "not on the site file's list of writable points; add them under 'writable' if a stimulus may write there"
    )
