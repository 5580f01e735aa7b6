"""What earlier runs of a site left raised: farend may have been killed, or its link lost, before it could clear.

Looked for in the records beside the new one. A record that is being written is no crash: then a run is going on.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from harness.core.errors import RecordError, SafetyError, SiteError
from harness.core.instants import NS_PER_S
from harness.core.model import Alarm
from harness.record.corrections import CORRECTION_EVENT
from harness.record.glancing import Glance, glance, header_in_use
from harness.record.header import WATCH, Json
from harness.record.opening import RecordEmptyError, RecordInUseError
from harness.record.reader import RecordReader
from harness.results.corrected import Corrected
from harness.results.judging import recorded_site
from harness.results.open_stimuli import CLEARED_LEFT_OPEN_EVENT, TOLD_OF_IN, OpenStimulus, open_stimuli

RECORDS_MAX: Final = 100
"""So many records are looked at, the newest first: months of work in one folder, and looked through in a second."""

ENDS_LATER_NS: Final = 10 * NS_PER_S
"""So much later than its site file says an alarm may end by itself: by how much the clocks of this computer before and
after a crash may differ (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOpen:
    """One stimulus of an earlier record that may still be raised. Instants are UTC in ns since 1970.

    ``ends_utc_ns``: by when its alarm ends by itself, None where it does not.
    """

    record: str
    started_utc_ns: int
    stimulus: str
    alarm: str
    how: str
    raised_utc_ns: int
    is_certain: bool
    ends_utc_ns: int | None = None

    def to_data(self) -> dict[str, Json]:
        """For the record of the run that clears it."""
        return {
            "record": self.record,
            "started_utc_ns": self.started_utc_ns,
            "stimulus": self.stimulus,
            "alarm": self.alarm,
            "raised_utc_ns": self.raised_utc_ns,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """What was found. ``unread``: of these records nobody knows whether they left something raised, and why.

    ``watched``: records that somebody who only listens to the site writes now.
    """

    left: tuple[LeftOpen, ...] = ()
    unread: tuple[str, ...] = ()
    watched: tuple[str, ...] = ()


def look_for_left_open(folder: Path, site: str, now_utc_ns: int) -> Looked:
    """What the records of ``site`` in ``folder`` left raised, the newest first. SafetyError while one is written,
    unless by a watch: that raises nothing.
    """
    seen: list[Glance] = []
    unread: list[str] = []
    watched: list[str] = []
    for path in _newest(folder):
        try:
            one = glance(path, (*TOLD_OF_IN, CORRECTION_EVENT))
        except RecordInUseError as exc:
            header = header_in_use(path)
            if header is not None and header.kind == WATCH:
                watched += [str(path)] if header.site == site else []
            elif header is None or header.site == site:
                raise SafetyError(
                    f"{path}: a run of site={site} writes this record now; two at once would raise and clear each "
                    "other's alarms: wait until that one has ended, or stop it"
                ) from exc
        except RecordEmptyError:
            continue
        except RecordError as exc:
            unread.append(str(exc))
        else:
            if one.header.site == site:
                seen.append(one)
    seen.sort(key=lambda it: it.header.anchor.utc_ns, reverse=True)
    return Looked(left=tuple(_left(seen, now_utc_ns)), unread=tuple(unread), watched=tuple(watched))


def _newest(folder: Path) -> list[Path]:
    try:
        dated = [(path.stat().st_mtime_ns, path) for path in folder.glob("*.farend")]
    except OSError:
        return []
    return [path for _, path in sorted(dated, reverse=True)[:RECORDS_MAX]]


def _left(seen: Sequence[Glance], now_utc_ns: int) -> Iterable[LeftOpen]:
    """``seen``: the newest first. What a newer record cleared is not left open by an older one."""
    dealt_with: set[tuple[int, str]] = set()
    cleared: set[str] = set()
    for one in seen:
        anchor, corrected = one.header.anchor, Corrected.of(one.events)
        events = corrected.events(one.events)
        found = [it for it in open_stimuli(events) if (anchor.utc_ns, it.stimulus) not in dealt_with]
        found = [it for it in found if corrected.alarms.get(it.stimulus, it.alarm) not in cleared]
        alarms = _alarms_of(one.path) if found else {}
        for it in found:
            raised_utc_ns = anchor.utc_ns + it.raised_ns - anchor.monotonic_ns
            left = _left_open(one, it, corrected.alarms.get(it.stimulus, it.alarm), raised_utc_ns, alarms)
            if left.ends_utc_ns is None or now_utc_ns < left.ends_utc_ns:
                yield left
        for event in events:
            if event.kind == CLEARED_LEFT_OPEN_EVENT and event.data["proven"]:
                dealt_with.add((int(str(event.data["started_utc_ns"])), str(event.data["stimulus"])))
            elif event.data.get("step") == "clear" and event.data.get("proven"):
                cleared.add(str(event.data["alarm"]))


def _left_open(one: Glance, it: OpenStimulus, alarm: str, raised_utc_ns: int, alarms: dict[str, Alarm]) -> LeftOpen:
    lasts = alarms[alarm].lasts_ns if alarm in alarms else None
    return LeftOpen(
        record=one.path.name,
        started_utc_ns=one.header.anchor.utc_ns,
        stimulus=it.stimulus,
        alarm=alarm,
        how=it.how,
        raised_utc_ns=raised_utc_ns,
        is_certain=it.is_certain,
        ends_utc_ns=None if lasts is None else raised_utc_ns + lasts.hi + ENDS_LATER_NS,
    )


def _alarms_of(path: Path) -> dict[str, Alarm]:
    """The alarms as the record's own site file describes them; {} where it cannot be read any more."""
    try:
        with RecordReader.open(path) as reader:
            return dict(recorded_site(reader).alarms)
    except (RecordError, SiteError, KeyError):
        return {}
