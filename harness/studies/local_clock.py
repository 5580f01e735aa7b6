"""From what a foreign clock wrote, in its own local time, to UTC; what may be two instants is said to be."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final
from zoneinfo import ZoneInfo

from harness.core.errors import UsageError
from harness.core.instants import NS_PER_S
from harness.report import human
from harness.site.written_times import Period, WrittenTimeError, read_time

_EPOCH: Final = datetime(1970, 1, 1)  # noqa: DTZ001 - local times are counted as if they were UTC


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """A time that was written. ``utc_ns``: what it was meant to be; two values in an hour that comes twice.

    ``resolution_ns``: the step in which it is written.
    """

    utc_ns: tuple[int, ...]
    resolution_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LocalClock:
    """What a foreign clock is set to: always the same offset from UTC, or the time zone of a place."""

    utc_offset_s: int = 0
    zone: tzinfo | None = None
    zone_name: str = ""

    @classmethod
    def of_zone(cls, name: str) -> LocalClock:
        """A clock that follows a zone of the IANA time zone database. UsageError where there is none of this name."""
        try:
            return cls(zone=ZoneInfo(name), zone_name=name)
        except (OSError, ValueError, KeyError) as exc:  # ZoneInfoNotFoundError is a KeyError
            raise UsageError(
                f"--time-zone {name}: expected a name of the IANA time zone database that this computer knows, such as "
                "Europe/Berlin; or give a fixed offset with --utc-offset"
            ) from exc

    @property
    def words(self) -> str:
        """``UTC+01:00``, or the name of the zone."""
        return self.zone_name or human.offset(self.utc_offset_s)

    def utc_of(self, local_ns: int) -> tuple[int, ...]:
        """The instants that a local time may be: two in the hour that comes twice.

        A time that the zone leaves out is taken as one of a clock that was not set yet.
        """
        if self.zone is None:
            return (local_ns - self.utc_offset_s * NS_PER_S,)
        moment = (_EPOCH + timedelta(seconds=local_ns // NS_PER_S)).replace(tzinfo=self.zone)
        first, second = (self._offset_ns(moment.replace(fold=fold)) for fold in (0, 1))
        return (local_ns - first, local_ns - second) if first > second else (local_ns - first,)

    def local_of(self, utc_ns: int) -> int:
        """The local time at an instant, were the clock right."""
        if self.zone is None:
            return utc_ns + self.utc_offset_s * NS_PER_S
        moment = (_EPOCH + timedelta(seconds=utc_ns // NS_PER_S)).replace(tzinfo=UTC)
        return utc_ns + self._offset_ns(moment.astimezone(self.zone))

    def read(self, text: str, form: str, told_utc_ns: int) -> Written | None:
        """What was written, ``told`` at an instant: what it leaves out of the date is as near to that as can be.

        None where it is no time of this form, or two days are as near.
        """
        local_ns = self.local_of(told_utc_ns)
        offset_s = (local_ns - told_utc_ns) // NS_PER_S
        try:
            it = read_time(text, form, Period(begin_ns=local_ns, end_ns=local_ns, utc_offset_s=offset_s))
            utc_ns = (it.local_ns - offset_s * NS_PER_S,) if _says_offset(text, form) else self.utc_of(it.local_ns)
        except (WrittenTimeError, OverflowError):  # the latter about the years 1 and 9999
            return None
        return Written(utc_ns=utc_ns, resolution_ns=it.resolution_ns)

    @staticmethod
    def _offset_ns(moment: datetime) -> int:
        offset = moment.utcoffset() or timedelta()
        return (offset.days * 86_400 + offset.seconds) * NS_PER_S


def _says_offset(text: str, form: str) -> bool:
    """Whether a time that could be read says its own offset from UTC."""
    return "%z" in form if form else datetime.fromisoformat(" ".join(text.split())).tzinfo is not None
