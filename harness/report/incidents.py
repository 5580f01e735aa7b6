"""What has to stand on the first page of an attempt: what stopped it for safety, what came on that nothing explains."""

from __future__ import annotations

from typing import Final

from harness.report.document import AttemptDocument
from harness.report.human import local
from harness.report.log_book import LogRemark, Remark

LOUD: Final = (Remark.STOPPED, Remark.UNEXPLAINED, Remark.STILL_SHOWN, Remark.LEFT_OPEN, Remark.WATCHED)


def incidents(attempt: AttemptDocument) -> tuple[str, ...]:
    """One sentence each, in the order in which they happened, by the clock of the testing machine."""
    return tuple(
        f"{local(attempt.utc_ns(one.at_ns), attempt.utc_offset_s)}: {_named(one)}: {one.text}"
        for one in attempt.log.remarks
        if one.kind in LOUD
    )


def _named(one: LogRemark) -> str:
    if one.kind is Remark.UNEXPLAINED and one.alarm:
        return f"{one.kind.value} while {one.alarm} was tested"
    if one.kind is Remark.STILL_SHOWN:
        return f"{one.alarm} {one.kind.value}"
    return f"{one.alarm} was {one.kind.value}" if one.kind is Remark.LEFT_OPEN else one.kind.value
