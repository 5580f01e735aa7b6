"""The safety gate's part for notices and inhibits, and what of the ledger goes into the record of a run.

A test is refused while somebody whom the site file wants told was not told, or not for long enough; while a bypass was
never shown to hold; and while one was left in place by an earlier run, or day, that nobody named for this one.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from harness.core.errors import RecordError, SafetyError
from harness.core.instants import NS_PER_S
from harness.core.ledger import Act, Entry, Inhibit, LedgerState, same, state_of
from harness.core.model import Site
from harness.results.ledger import Ledger, append, ledger_beside, read_ledger
from harness.run.gate import CLOCKS_APART_MAX_NS
from harness.site.moments import moment_of, moment_text, utc_ns_of
from harness.site.names import did_you_mean


def check_ledger(
    site: Site, ledger: Ledger, inhibited: Collection[str], takes_ns: int, now: datetime | None = None
) -> None:
    """Raise SafetyError with everything in the ledger that refuses a test.

    ``takes_ns``: how long the plan takes at the most; a notice has to last until then. ``inhibited``: names of inhibits
    that were left in place and are meant for this run. ``now`` knows its zone; default: that of this computer.
    """
    now = now or datetime.now(UTC).astimezone()
    refusals = [
        *_of_another_site(site, ledger),
        *_of_another_time(ledger, now),
        *(str(problem) for problem in ledger.problems),
        *_notices(site, ledger, utc_ns_of(now) + takes_ns, now),
        *_inhibits(ledger, inhibited, now),
    ]
    if refusals:
        raise SafetyError("nothing is raised:\n" + "\n".join(refusals))


def needs_naming(inhibit: Inhibit, now: datetime) -> bool:
    """True for one that was left in place: a run began since somebody last saw it, or the day is another one."""
    return inhibit.is_carried or moment_of(inhibit.seen_utc_ns, now.tzinfo).date() != now.date()


def _of_another_site(site: Site, ledger: Ledger) -> Iterator[str]:
    """Whoever was told of another site's test was not told of this one."""
    if ledger.path.stem != site.name:
        yield (
            f"--ledger {ledger.path}: by its name this is the ledger of site={ledger.path.stem}, and this site file is "
            f"site={site.name}; give {ledger_beside(ledger.path.parent, site.name)}"
        )


def _of_another_time(ledger: Ledger, now: datetime) -> Iterator[str]:
    """With the clock set back, no notice would ever run out."""
    latest = max((entry.entered_utc_ns for entry in ledger.entries), default=0)
    if latest > utc_ns_of(now) + CLOCKS_APART_MAX_NS:
        yield (
            f"{ledger.path.name}: entered={moment_text(latest, now.tzinfo)}: this is still to come, since now it is "
            f"{now:%Y-%m-%d %H:%M}; set the clock of this computer"
        )


def _notices(site: Site, ledger: Ledger, end_utc_ns: int, now: datetime) -> Iterator[str]:
    for name in site.notices:
        notice = ledger.state.notice(name)
        enter = f"{_enter(ledger)} notice {shlex.quote(name)} --until"
        if notice is None:
            yield (
                f"notice={name}: the site file wants them told before a test, and {ledger.path.name} does not say that "
                f"they were; tell them, then enter it: {enter} {_clock(end_utc_ns, now)}"
            )
        elif notice.until_utc_ns < end_utc_ns:
            has = "ran out" if notice.until_utc_ns < utc_ns_of(now) else "runs out"
            yield (
                f"notice={name}: what {notice.by} told them {has} at {_clock(notice.until_utc_ns, now)}, and the test "
                f"takes until {_clock(end_utc_ns, now)} at the most; tell them a later time, "
                f"then enter it: {enter} {_clock(end_utc_ns, now)}"
            )


def _inhibits(ledger: Ledger, inhibited: Collection[str], now: datetime) -> Iterator[str]:
    state = ledger.state
    for name in inhibited:
        if state.inhibit(name) is None:
            hint = did_you_mean(name, [it.name for it in state.open_inhibits], otherwise="none is open")
            yield f"--inhibited {name}: {ledger.path.name} has no open inhibit of this name; {hint}"
    for it in state.open_inhibits:
        name = shlex.quote(it.name)
        if not it.proven:
            yield (
                f"inhibit={it.name}: bypassed by {it.by}, and nothing says that it was shown to hold; try it, then "
                f"enter how: {_enter(ledger)} inhibit {name} --proven 'HOW'"
            )
        if needs_naming(it, now) and not any(same(it.name, other) for other in inhibited):
            since = f"{moment_of(it.at_utc_ns, now.tzinfo):%Y-%m-%d %H:%M}"
            yield (
                f"inhibit={it.name}: left open since {since} by {it.by}, in an earlier run or on an earlier day; look "
                f"whether it is still in place and still meant, then name it: --inhibited {name}; or release it: "
                f"{_enter(ledger)} release {name} --proven 'HOW'"
            )


def _enter(ledger: Ledger) -> str:
    return f"farend ledger {shlex.quote(str(ledger.path))}"


def _clock(utc_ns: int, now: datetime) -> str:
    """A time of today, or with its day; rounded up to the minute, so that it can be typed as it stands."""
    moment = moment_of(utc_ns + 59 * NS_PER_S, now.tzinfo)
    return f"{moment:%H:%M}" if moment.date() == now.date() else f"'{moment:%Y-%m-%d %H:%M}'"


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptLedger:
    """The ledger of one run: says in it that the run began, and tells the record what is open before and after."""

    path: Path
    site: Site
    began_utc_ns: int
    began: LedgerState

    @classmethod
    def begin(
        cls, ledger: Ledger, site: Site, record: Path, who: str, inhibited: Collection[str], utc: Callable[[], int]
    ) -> KeptLedger:
        """Enter the run, and each inhibit that it takes over by name. RecordError where the file cannot be written."""
        now = utc() // NS_PER_S * NS_PER_S  # as precise as the file
        taken = (it for it in ledger.state.open_inhibits if any(same(it.name, name) for name in inhibited))
        confirmed = [(Act.CONFIRM, it.name, f"for {record.name}") for it in taken]
        entries = [
            Entry(act=act, name=name, by=who or "not stated", at_utc_ns=now, entered_utc_ns=now, note=note)
            for act, name, note in ((Act.RUN, record.name, ""), *confirmed)
        ]
        append(ledger.path, *entries)
        began = state_of((*ledger.entries, *entries)).since(now)
        return cls(path=ledger.path, site=site, began_utc_ns=now, began=began)

    def told(self, when: str) -> dict[str, Any]:
        """What the record keeps of it now: all that is open, and what was closed since the run began.

        Where it cannot be read any more, what was open in the beginning, and why.
        """
        try:
            ledger = read_ledger(self.path)
            problems, state = [str(problem) for problem in ledger.problems], ledger.state.since(self.began_utc_ns)
        except RecordError as exc:
            problems, state = [str(exc)], self.began
        return {
            "when": when,
            "file": self.path.name,
            "demanded": list(self.site.notices),
            "problems": problems,
            **state.to_data(),
        }


def ledger_kept(site: Site, path: Path | None, inhibited: Collection[str] = ()) -> Ledger | None:
    """The ledger of a test; None where none is kept: there is no file, and the site file wants nobody told."""
    if path is None and not site.notices and not inhibited:
        return None
    ledger = read_ledger(path or ledger_beside(Path(), site.name), may_be_missing=True)
    return ledger if ledger.entries or ledger.problems or site.notices or inhibited else None


def pass_ledger(site: Site, path: Path | None, inhibited: Collection[str], takes_ns: int) -> None:
    """Raise SafetyError where the ledger of a test refuses it, as ``check_ledger``."""
    ledger = ledger_kept(site, path, inhibited)
    if ledger is not None:
        check_ledger(site, ledger, inhibited, takes_ns)
