"""The ledger of a site: who was told of the test (notices), and what was bypassed for it (inhibits). Pure.

Entries are only ever added; what is open follows from all of them in their order.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from enum import StrEnum, unique
from typing import Any, TypeVar


@unique
class Act(StrEnum):
    """What an entry says was done. ``RUN``: a test began; ``CONFIRM``: an inhibit is still in place, and meant."""

    NOTICE = "notice"
    INHIBIT = "inhibit"
    CONFIRM = "confirm"
    RELEASE = "release"
    RUN = "run"


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One line. ``name``: who was told, what was bypassed, or the record of a run.

    ``at_utc_ns``: when it was done. ``entered_utc_ns``: when it was written down. ``proven``: how it was shown that the
    bypass holds, or that what was bypassed acts again; '' where it was not.
    """

    act: Act
    name: str
    by: str
    at_utc_ns: int
    entered_utc_ns: int
    until_utc_ns: int | None = None
    proven: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """Somebody was told: first ``at_utc_ns``, by the latest word ``until_utc_ns``. Open until told that it is over."""

    name: str
    by: str
    at_utc_ns: int
    until_utc_ns: int
    note: str = ""
    over_by: str = ""
    over_at_utc_ns: int | None = None

    @property
    def is_open(self) -> bool:
        """True until they were told that it is over; that its time has run out does not close it."""
        return self.over_at_utc_ns is None


@dataclass(frozen=True, slots=True, kw_only=True)
class Inhibit:
    """Something was bypassed. Open until it is released.

    ``seen_utc_ns``: when somebody last said that it is in place. ``is_carried``: a run began since then.
    """

    name: str
    by: str
    at_utc_ns: int
    note: str = ""
    proven: str = ""
    proven_by: str = ""
    seen_utc_ns: int
    is_carried: bool = False
    released_by: str = ""
    released_at_utc_ns: int | None = None
    release_proven: str = ""

    @property
    def is_open(self) -> bool:
        """True until it is released."""
        return self.released_at_utc_ns is None


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerState:
    """Every notice and inhibit, in the order in which they began."""

    notices: tuple[Notice, ...] = ()
    inhibits: tuple[Inhibit, ...] = ()

    @property
    def open_notices(self) -> tuple[Notice, ...]:
        """Those that were not told that it is over."""
        return tuple(it for it in self.notices if it.is_open)

    @property
    def open_inhibits(self) -> tuple[Inhibit, ...]:
        """Those that were not released."""
        return tuple(it for it in self.inhibits if it.is_open)

    @property
    def is_open(self) -> bool:
        """True while there is anything left to do."""
        return bool(self.open_notices or self.open_inhibits)

    def notice(self, name: str) -> Notice | None:
        """The open notice of that name."""
        return next((it for it in self.open_notices if same(it.name, name)), None)

    def inhibit(self, name: str) -> Inhibit | None:
        """The open inhibit of that name."""
        return next((it for it in self.open_inhibits if same(it.name, name)), None)

    def since(self, utc_ns: int) -> LedgerState:
        """What is open, or was closed at or after an instant: what concerns a run that began then."""
        return LedgerState(
            notices=tuple(it for it in self.notices if it.over_at_utc_ns is None or it.over_at_utc_ns >= utc_ns),
            inhibits=tuple(
                it for it in self.inhibits if it.released_at_utc_ns is None or it.released_at_utc_ns >= utc_ns
            ),
        )

    def to_data(self) -> dict[str, Any]:
        """As a journal keeps it."""
        return {"notices": [asdict(it) for it in self.notices], "inhibits": [asdict(it) for it in self.inhibits]}

    @classmethod
    def from_data(cls, data: Mapping[str, Any]) -> LedgerState:
        """The opposite of ``to_data``."""
        return cls(
            notices=tuple(Notice(**it) for it in data["notices"]),
            inhibits=tuple(Inhibit(**it) for it in data["inhibits"]),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerTold:
    """What the record of a run says of the ledger, or a ledger of later says of that run.

    ``file``: its name; ``later``: '' for the record's own word, else which ledger of later was read, in words.
    ``demanded``: whom the site file wanted told. ``problems``: why it is not known what is open.
    """

    file: str
    demanded: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
    state: LedgerState
    later: str = ""

    @property
    def is_settled(self) -> bool:
        """True where everybody was told that it is over, every inhibit is released, and this is known."""
        return not self.problems and not self.state.is_open


def same(name: str, other: str) -> bool:
    """True where two names are the same but for case and blanks: people write them by hand."""
    return " ".join(name.split()).casefold() == " ".join(other.split()).casefold()


def state_of(entries: Iterable[Entry]) -> LedgerState:
    """What is open and what is closed after all entries. An entry that fits nothing that is open changes nothing."""
    notices: list[Notice] = []
    inhibits: list[Inhibit] = []
    for entry in entries:
        if entry.act is Act.RUN:
            inhibits = [replace(it, is_carried=True) if it.is_open else it for it in inhibits]
        elif entry.act is Act.NOTICE:
            _tell(notices, entry)
        elif entry.act is Act.INHIBIT:
            _inhibit(inhibits, entry)
        elif entry.act is Act.CONFIRM:
            _change(inhibits, entry, lambda it, by: replace(it, seen_utc_ns=by.at_utc_ns, is_carried=False))
        else:
            _change(notices, entry, lambda it, by: replace(it, over_by=by.by, over_at_utc_ns=by.at_utc_ns))
            _change(inhibits, entry, _released)
    return LedgerState(notices=tuple(notices), inhibits=tuple(inhibits))


def later_state(known: LedgerState, later: LedgerState) -> tuple[LedgerState, tuple[str, ...]]:
    """What became of what was known, by a ledger of later; and the names of what was open and is not in it."""
    lost: list[str] = []
    notices = tuple(_later(it, later.notices, lost) for it in known.notices)
    inhibits = tuple(_later(it, later.inhibits, lost) for it in known.inhibits)
    return LedgerState(notices=notices, inhibits=inhibits), tuple(lost)


T = TypeVar("T", Notice, Inhibit)


def _later(one: T, among: Sequence[T], lost: list[str]) -> T:
    """The same thing later. Times are kept to the second: of two that began in one, it is the last."""
    same_one = (it for it in reversed(among) if it.at_utc_ns == one.at_utc_ns and same(it.name, one.name))
    found = next(same_one, None)
    if found is None and one.is_open:
        lost.append(one.name)
    return one if found is None else found


def _tell(notices: list[Notice], entry: Entry) -> None:
    """A new notice, or a longer one where it is open already."""
    until = entry.at_utc_ns if entry.until_utc_ns is None else entry.until_utc_ns
    if not _change(notices, entry, lambda it, by: replace(it, until_utc_ns=until, by=by.by, note=by.note or it.note)):
        told = Notice(name=entry.name, by=entry.by, at_utc_ns=entry.at_utc_ns, until_utc_ns=until, note=entry.note)
        notices.append(told)


def _inhibit(inhibits: list[Inhibit], entry: Entry) -> None:
    """A new inhibit; where it is open already: it is still in place, and perhaps proven now."""

    def again(it: Inhibit, by: Entry) -> Inhibit:
        seen = replace(it, seen_utc_ns=by.at_utc_ns, is_carried=False, note=by.note or it.note)
        return replace(seen, proven=by.proven, proven_by=by.by) if by.proven else seen

    if not _change(inhibits, entry, again):
        inhibits.append(
            Inhibit(
                name=entry.name,
                by=entry.by,
                at_utc_ns=entry.at_utc_ns,
                note=entry.note,
                proven=entry.proven,
                proven_by=entry.by if entry.proven else "",
                seen_utc_ns=entry.at_utc_ns,
            )
        )


def _released(it: Inhibit, by: Entry) -> Inhibit:
    """Released once it was shown to act again, and not before."""
    if not by.proven:
        return it
    return replace(it, released_by=by.by, released_at_utc_ns=by.at_utc_ns, release_proven=by.proven)


def _change(several: list[T], entry: Entry, change: Callable[[T, Entry], T]) -> bool:
    """Change what is open under the name of an entry. True where there was such a thing."""
    for index, it in enumerate(several):
        if it.is_open and same(it.name, entry.name):
            several[index] = change(it, entry)
            return True
    return False
