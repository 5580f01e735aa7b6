"""Raising alarms by writing. Built only after the site's word was given; writes only what the site file lists."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Self

from harness.core.errors import LinkError, SafetyError
from harness.core.instants import NS_PER_S, Bounds, Clock
from harness.core.links import BacnetLink, ModbusTcpLink
from harness.core.model import Acknowledgement, Alarm, Site, Step
from harness.core.writing import AnyWrite, Write, written_words
from harness.links.modbus_client import ExchangeError, ModbusClient, RequestRefusedError
from harness.links.modbus_pdu import ExceptionCode
from harness.stimulus.modbus_writes import WriteRequest

if TYPE_CHECKING:
    from harness.stimulus.bacnet_acknowledge import BacnetAcknowledger

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
        self._acknowledger: BacnetAcknowledger | None = None

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        if self._acknowledger is not None:
            await self._acknowledger.close()
        for client in self._clients.values():
            client.close()

    async def perform(self, writes: Iterable[AnyWrite]) -> Performed:
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
            if not isinstance(write, Write):
                raise SafetyError(f"link={write.link} {written_words(write)}: properties cannot be written yet")
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

    async def acknowledge(
        self, acknowledgements: Iterable[Acknowledgement], messages: Callable[[str], Iterable[bytes]]
    ) -> Performed:
        """Acknowledge in order what BACnet objects notified last; ``messages``: what a link was told so far.

        The step lies between the first byte out and the last answer in; where one fails, the ones behind it are not
        sent. Raises SafetyError for a link that the site file does not list, before anything is sent.
        """
        from harness.links.bacnet_messages import EventNotice, decode

        ordered = tuple(acknowledgements)
        for it in ordered:
            check_acknowledgeable(self._site, it)
        if self._acknowledger is None:
            from harness.stimulus.bacnet_acknowledge import BacnetAcknowledger as Acknowledger  # a protocol stack

            self._acknowledger = Acknowledger(self._clock)
        at: Bounds | None = None
        is_sent = False
        for it in ordered:
            spec = self._site.links[it.link]
            if not isinstance(spec, BacnetLink):
                raise SafetyError(f"link={it.link}: events are acknowledged over a BACnet link, and this is none")
            notices = [notice for data in messages(it.link) if isinstance(notice := decode(data), EventNotice)]
            done = await self._acknowledger.acknowledge(spec, it, notices)
            at = done.at if at is None else Bounds(at.lo, max(at.hi, done.at.hi))
            is_sent = is_sent or done.is_sent
            if not done.proven:
                return Performed(at=at, proven=False, why=done.why, is_sent=is_sent)
        now = self._clock()
        return Performed(at=Bounds(now, now) if at is None else at, proven=True, is_sent=is_sent)

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


def can_do(alarm: Alarm, step: Step) -> bool:
    """True where farend can do a step of an alarm: by writing, or by acknowledging events."""
    return step in alarm.writes or (step is Step.ACKNOWLEDGE and bool(alarm.acknowledgements))


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


def check_acknowledgeable(site: Site, it: Acknowledgement) -> None:
    """Raise SafetyError unless events of the link may be acknowledged by the site file's own list."""
    if it.link not in site.acknowledgeable:
        raise SafetyError(
            f"link={it.link} object={it.object_type.value} {it.instance}: its events may not be acknowledged; add "
            f"'{{link: {it.link}, acknowledge: yes}}' under 'writable' if a stimulus may do that"
        )


def check_listed(site: Site, write: AnyWrite) -> None:
    """Raise SafetyError unless all of ``write`` is on the site file's own list of what may be written."""
    if any(it.covers(write) for it in site.writable):
        return
    raise SafetyError(
        f"link={write.link} {written_words(write)}: not on the site file's list of writable points; add them under "
        "'writable' if a stimulus may write there"
    )
