"""Making a correction: whether it fits the record, and then appending it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.core.errors import UsageError
from harness.core.links import PersonLink
from harness.core.model import Site
from harness.links.person_messages import Said
from harness.record.appending import append_correction
from harness.record.corrections import Correction, CorrectionKind, corrections_of, in_force
from harness.record.found import Event
from harness.record.reader import RecordReader
from harness.results.corrected import said_in
from harness.results.judging import recorded_site
from harness.results.steps import STEP_EVENT
from harness.site.names import did_you_mean


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What somebody wants to correct. ``at_utc_ns`` and ``utc_offset_s``: now, by the clock of this computer.

    ``stimulus``, ``link`` with ``report``, or ``withdraws`` name what it is about; none of them: the whole record.
    """

    kind: CorrectionKind
    reason: str
    by: str
    at_utc_ns: int
    utc_offset_s: int
    stimulus: str = ""
    link: str = ""
    report: int | None = None
    withdraws: int | None = None
    text: str = ""


def correct_record(path: Path, wanted: Wanted) -> Correction:
    """Append a correction to a record. UsageError, with nothing written, where it does not fit; RecordError where the
    record cannot be read or written, or is in use.
    """

    def make(reader: RecordReader, digest: str) -> Correction:
        events, site = reader.events(), recorded_site(reader)
        said = _report(wanted, reader, site)
        return Correction(
            number=len(corrections_of(events)) + 1,
            kind=wanted.kind,
            stimulus=wanted.stimulus,
            alarm=_alarm(wanted, reader, events, site),
            link=wanted.link,
            report=wanted.report,
            withdraws=_withdrawn(wanted, events),
            text=wanted.text if said is None else said.label,
            reason=wanted.reason,
            by=wanted.by,
            at_utc_ns=wanted.at_utc_ns,
            utc_offset_s=wanted.utc_offset_s,
            before_sha256=digest,
        )

    return append_correction(path, make)


def _alarm(wanted: Wanted, reader: RecordReader, events: Sequence[Event], site: Site) -> str:
    """The alarm that the stimulus was recorded for, '' without a stimulus."""
    if not wanted.stimulus:
        return ""
    steps = {str(it.data["stimulus"]): str(it.data["alarm"]) for it in events if it.kind == STEP_EVENT}
    if wanted.stimulus not in steps:
        remedy = did_you_mean(wanted.stimulus, steps) if steps else "nothing was raised in it"
        raise UsageError(f"--stimulus {wanted.stimulus}: no such stimulus in {reader.path.name}; {remedy}")
    alarm = steps[wanted.stimulus]
    if wanted.kind is CorrectionKind.ALARM:
        if wanted.text not in site.alarms:
            remedy = did_you_mean(wanted.text, site.alarms)
            raise UsageError(f"--alarm {wanted.text}: no such alarm in the record's site file; {remedy}")
        if wanted.text == alarm:
            raise UsageError(f"--alarm {wanted.text}: stimulus {wanted.stimulus} is recorded as that alarm already")
    return alarm


def _withdrawn(wanted: Wanted, events: Sequence[Event]) -> int | None:
    if wanted.withdraws is None:
        return None
    standing = [one.number for one in in_force(corrections_of(events))]
    if wanted.withdraws not in standing:
        listed = ", ".join(map(str, standing)) or "none"
        raise UsageError(f"--withdraw {wanted.withdraws}: no such correction; in force in this record: {listed}")
    return wanted.withdraws


def _report(wanted: Wanted, reader: RecordReader, site: Site) -> Said | None:
    """The report that is taken back, None where none is."""
    if wanted.report is None:
        return None
    option = f"--report {wanted.link}:{wanted.report}"
    if not isinstance(site.links.get(wanted.link), PersonLink):
        persons = [name for name, link in site.links.items() if isinstance(link, PersonLink)]
        expected = f"expected one of {', '.join(persons)}" if persons else "the site has none"
        raise UsageError(f"{option}: link={wanted.link} is no person who watches; {expected}")
    known = {it.id: it for it in said_in(reader.messages(wanted.link)) if isinstance(it, Said)}
    if wanted.report not in known:
        listed = ", ".join(f"{it.id} ({it.label} {'on' if it.on else 'off'})" for it in list(known.values())[-20:])
        raise UsageError(f"{option}: no such report; the newest of this link are {listed or 'none'}")
    return known[wanted.report]
