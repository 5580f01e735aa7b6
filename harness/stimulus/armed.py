"""Raising alarms by writing. Built only after the site's word was given; writes only what the site file lists.

What was written is read back, and only a right read-back makes a step proven: a device may answer and not hold it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Final, Self

from harness.core.errors import LinkError, SafetyError
from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds, Clock
from harness.core.links import BacnetLink
from harness.core.model import Acknowledgement, Site
from harness.core.places import ObjectType
from harness.core.writing import AnyWritable, AnyWrite, PropertyWrite, Write
from harness.links.modbus_client import ExchangeError, RequestRefusedError
from harness.links.modbus_pdu import ExceptionCode
from harness.site.permission import check_acknowledgeable, check_listed, check_word
from harness.stimulus.devices import Carrier, Devices
from harness.stimulus.performed import Performed

if TYPE_CHECKING:
    from harness.stimulus.bacnet_acknowledge import BacnetAcknowledger

NOT_DONE: Final = (
    ExceptionCode.ILLEGAL_FUNCTION,
    ExceptionCode.ILLEGAL_DATA_ADDRESS,
    ExceptionCode.ILLEGAL_DATA_VALUE,
)
"""Exceptions that a device answers before it does anything (Modbus Application Protocol V1.1b3, 6.12, figure 22)."""

READ_BACK_WITHIN_NS: Final = 2 * NS_PER_S
"""For so long what was written is read again until it is right: a device may show it only with its next scan, and a
gateway only with its next poll (common practice, no source)."""
READ_BACK_EVERY_NS: Final = 50 * NS_PER_MS


class _NotWrittenError(LinkError):
    """A write that is not proven to have been taken."""

    def __init__(self, why: str, given_up_ns: int, *, is_sent: bool) -> None:
        self.given_up_ns = given_up_ns
        self.is_sent = is_sent
        super().__init__(why)


class ArmedWriter:
    """Performs the writes of stimuli, each device over one connection of its own. Use it in an ``async with``."""

    def __init__(self, site: Site, clock: Clock, word: str | None) -> None:
        """Raises SafetyError unless ``word`` is the site's own."""
        check_word(site, word)
        self._site = site
        self._clock = clock
        self.devices = Devices(site, clock)
        """The connections; reading as found and as left may share them."""
        self._acknowledger: BacnetAcknowledger | None = None
        self._ours: set[tuple[str, ObjectType, int, int | None]] = set()
        """Slots of Priority_Arrays in which a command of ours may stand."""

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.devices.close()

    def over(self, carriers: Iterable[Carrier]) -> None:
        """Serial buses that farend polls in this run: writes there go through their sessions, never beside them."""
        self.devices.over(carriers)

    async def perform(self, writes: Iterable[AnyWrite], *, all_of_them: bool = False) -> Performed:
        """Write in order, and read each back before the next one is sent.

        The step lies between the first byte out and the last answer in; later where a value was read back right only
        after it had been read wrong. A write without an answer, or not held, proves nothing, and the ones behind it are
        not sent; with ``all_of_them``, for what puts back, they are, since each may be the one that matters.
        Raises SafetyError for what the site file does not list, before anything is sent.
        """
        ordered = [(write, check_listed(self._site, write)) for write in writes]
        first_ns = last_ns = self._clock()
        is_sent = False
        wrong: list[str] = []
        for number, (write, listed) in enumerate(ordered):
            try:
                asked_ns, told_ns = await self._write(write)
                first_ns = asked_ns if number == 0 else first_ns
                is_sent = True
                held_ns = await self._read_back(write, told_ns) if listed.read_back else told_ns
                last_ns = max(last_ns, held_ns)
                if isinstance(write, PropertyWrite) and write.value is None:
                    self._ours.discard(_slot(write))
            except _NotWrittenError as exc:
                wrong.append(str(exc))
                is_sent = is_sent or exc.is_sent
                last_ns = max(last_ns, exc.given_up_ns)
                if not all_of_them:
                    break
        at = Bounds(first_ns, max(first_ns, last_ns))
        if wrong:
            return Performed(at=at, proven=False, why="; ".join(wrong), is_sent=is_sent)
        return Performed(at=at, proven=True, proof=_proof(it for _, it in ordered))

    async def _write(self, write: AnyWrite) -> tuple[int, int]:
        """When it was asked and answered. Raises _NotWrittenError."""
        if isinstance(write, PropertyWrite):
            await self._may_command(write)
        try:
            if isinstance(write, Write):
                from harness.stimulus.modbus_values import write_values

                answer = await write_values(self.devices, write)
                return answer.asked_ns, answer.told_ns
            from harness.stimulus.bacnet_property import write_property  # a protocol stack

            answered = await write_property(self.devices, write)
        except LinkError as exc:
            at_ns: int = getattr(exc, "given_up_ns", self._clock())
            raise _NotWrittenError(str(exc), at_ns, is_sent=_may_be_done(exc)) from exc
        return answered.asked_ns, answered.told_ns

    async def _may_command(self, write: PropertyWrite) -> None:
        """Raises _NotWrittenError where a slot holds a command of somebody else's, or could not be given back."""
        from harness.stimulus.bacnet_property import objection  # a protocol stack

        slot = _slot(write)
        if write.value is None or slot in self._ours:
            return
        try:
            why = await objection(self.devices, write)
        except LinkError as exc:
            why = f"not written, since it cannot be read first: {exc}"
        if why:
            raise _NotWrittenError(why, self._clock(), is_sent=False)
        self._ours.add(slot)

    async def _read_back(self, write: AnyWrite, told_ns: int) -> int:
        """From when on the write surely held. Raises _NotWrittenError where it does not in time."""
        until_ns = told_ns + READ_BACK_WITHIN_NS
        was_wrong = False
        while True:
            try:
                wrong, held_ns = await self._read_again(write)
            except LinkError as exc:
                wrong, held_ns = f"it cannot be read back: {exc}", self._clock()
            else:
                was_wrong = was_wrong or bool(wrong)
            if not wrong:
                return held_ns if was_wrong else told_ns
            if self._clock() >= until_ns:
                why = f"answered, but {wrong}"
                if isinstance(write, Write):
                    why += "; where the controller takes away what was written, list it with read back: no"
                raise _NotWrittenError(why, max(held_ns, self._clock()), is_sent=True)
            await asyncio.sleep(READ_BACK_EVERY_NS / NS_PER_S)

    async def _read_again(self, write: AnyWrite) -> tuple[str, int]:
        if isinstance(write, Write):
            from harness.stimulus.modbus_values import read_again

            return await read_again(self.devices, write)
        from harness.stimulus.bacnet_property import read_again as read_property_again  # as above

        return await read_property_again(self.devices, write)

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

            self._acknowledger = Acknowledger(self._clock, self.devices.apps)
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


def _slot(write: PropertyWrite) -> tuple[str, ObjectType, int, int | None]:
    return write.link, write.object_type, write.instance, write.priority


def _may_be_done(exc: LinkError) -> bool:
    """Whether the device may have done what got no good answer."""
    if isinstance(exc, RequestRefusedError):
        return exc.code not in NOT_DONE
    if isinstance(exc, ExchangeError):
        return True
    # Of BACnet: a refusal says that nothing was done; without an answer, nobody knows.
    return hasattr(exc, "given_up_ns") and not hasattr(exc, "refusal")


def _proof(listed: Iterable[AnyWritable]) -> str:
    """On what it rests that writes took effect."""
    because = dict.fromkeys(it.because for it in listed if not it.read_back)
    return "answered and read back" if not because else f"answered, not read back ({'; '.join(because)})"
