"""Whether a run may still raise: its reviews hold, and whoever has to know of it does. Asked before each alarm.

A plan takes longer than was thought, a person has lunch, a night goes over midnight: what held when the run began need
not hold any more.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime

from harness.core.errors import RecordError
from harness.core.ledger import Notice
from harness.core.model import Site
from harness.results.ledger import read_ledger
from harness.run.gate import Reviews, reviewed_until_ns
from harness.run.ledger_gate import KeptLedger
from harness.site.moments import moment_of, utc_ns_of


def local_now() -> datetime:
    """The time of this computer's clock, with its zone."""
    return datetime.now(UTC).astimezone()


@dataclass(frozen=True, slots=True, kw_only=True)
class StillAllowed:
    """What a run rests on. ``ledger``: None where none is kept."""

    site: Site
    reviews: Reviews | None
    ledger: KeptLedger | None
    now: Callable[[], datetime] = local_now

    def objection(self, lasts_ns: int) -> str:
        """Why an alarm that takes ``lasts_ns`` at the most must not be raised now; '' where nothing is against it.

        Reads the ledger: somebody may have entered a longer notice, taken one back, or released an inhibit.
        """
        now = self.now()
        why = self._expired(now) or self._changed(now, lasts_ns)
        return f"nothing more is raised: {why}" if why else ""

    def _expired(self, now: datetime) -> str:
        until = None if self.reviews is None else reviewed_until_ns(self.reviews, now)
        if self.reviews is None or until is None or utc_ns_of(now) < until:
            return ""
        return (
            f"{self.reviews.file or 'the reviews'}: expires={self.reviews.expires}: that day is over; look at each "
            "side effect again with 'farend review'"
        )

    def _changed(self, now: datetime, lasts_ns: int) -> str:
        if self.ledger is None:
            return ""
        try:
            ledger = read_ledger(self.ledger.path)
        except RecordError as exc:
            return str(exc)
        if ledger.problems:
            return str(ledger.problems[0])
        state = ledger.state
        released = [it.name for it in self.ledger.began.open_inhibits if state.inhibit(it.name) is None]
        if released:
            return (
                f"inhibit {', '.join(released)}: released since the test began, so that what is raised now may act; "
                "bypass it again, or test what is left without it"
            )
        end_utc_ns = utc_ns_of(now) + lasts_ns
        notices = ((name, state.notice(name)) for name in self.site.notices)
        short = [
            f"{name} ({_until(notice, now)})"
            for name, notice in notices
            if notice is None or notice.until_utc_ns < end_utc_ns
        ]
        if not short:
            return ""
        return (
            f"{', '.join(short)} may not know of the test any more when the next alarm is over; tell them, enter it "
            "with 'farend ledger', and test what is left"
        )


def _until(notice: Notice | None, now: datetime) -> str:
    return "not told" if notice is None else f"until {moment_of(notice.until_utc_ns, now.tzinfo):%Y-%m-%d %H:%M}"
