"""The corrections of a judged record as the report shows them, and which results they changed."""

from __future__ import annotations

from harness.core.model import Judgement
from harness.core.verdicts import Verdict
from harness.report.document import Changed, CorrectionNote
from harness.results.judging import JudgedRecord


def correction_notes(record: JudgedRecord) -> tuple[CorrectionNote, ...]:
    """Every correction of the record, withdrawn ones too, in the order in which they were made."""
    standing = {one.number for one in record.corrected.standing}
    return tuple(
        CorrectionNote(
            number=one.number,
            about=one.about,
            change=one.change,
            reason=one.reason,
            by=one.by,
            at_utc_ns=one.at_utc_ns,
            utc_offset_s=one.utc_offset_s,
            is_in_force=one.number in standing,
            before_sha256=one.before_sha256,
            stimulus=one.stimulus,
        )
        for one in record.corrected.made
    )


def changed_by_corrections(record: JudgedRecord) -> tuple[Changed, ...]:
    """Every result that is another one with the corrections than as recorded; strays by their point."""
    if record.as_recorded is None:
        return ()
    before, after = _verdicts(record.as_recorded), _verdicts(record.judgement)
    return tuple(
        Changed(expectation=key[0], stimulus=key[1], recorded=before.get(key), corrected=after.get(key))
        for key in dict.fromkeys((*before, *after))
        if before.get(key) != after.get(key)
    )


def _verdicts(judgement: Judgement) -> dict[tuple[str, str], Verdict]:
    """By (row, stimulus); a stray by its point and the instant by which it was seen."""
    results = {(it.expectation, it.stimulus): it.verdict for it in judgement.results}
    strays = {(f"stray at {it.point}", f"seen at {it.onset.hi}"): it.verdict for it in judgement.strays}
    return results | strays
