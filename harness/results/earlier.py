"""What earlier records leave to be tested: what failed, what is unknown, what was not reached."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from harness.core.errors import UsageError
from harness.core.verdicts import Verdict, VerdictClass
from harness.results.interrupting import Why
from harness.results.judging import JudgedRecord, judge_record


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """``keys``: the rows to test, None for all. ``retests``: by alarm that was raised before, why it is raised again.

    ``resumes``: names of the records that are gone on from.
    """

    keys: frozenset[str] | None = None
    retests: dict[str, str] = field(default_factory=dict)
    resumes: tuple[str, ...] = ()


def left_by(
    site: str, failed: Path | None = None, unknown: Path | None = None, resumed: Sequence[Path] = (), reason: str = ""
) -> Left:
    """What these records leave. UsageError for a record of another site, or where nothing is left to resume.

    ``reason``: why alarms are raised again, in place of what the records say by themselves.
    """
    if failed is None and unknown is None and not resumed:
        return Left()
    keys: set[str] = set()
    retests: dict[str, str] = {}
    for path, wanted in ((failed, VerdictClass.FAIL), (unknown, VerdictClass.UNKNOWN)):
        if path is not None:
            judged = _judged(path, site).judged
            mine = _rows_of(judged, wanted)
            keys |= mine
            word = "failed" if wanted is VerdictClass.FAIL else "unknown"
            for alarm in _raised(judged) & {_alarm_of(key) for key in mine}:
                retests.setdefault(alarm, reason or f"{word} in {path.name}")
    if resumed:
        records = [_judged(path, site) for path in resumed]
        unreached = _unreached(records)
        if not unreached:
            raise UsageError(
                f"--resume: every row of {', '.join(it.name for it in resumed)} was tested; nothing is left"
            )
        keys |= unreached
        for it in records:
            for alarm in _raised(it.judged) & {_alarm_of(key) for key in unreached}:
                retests.setdefault(alarm, reason or f"interrupted in {it.judged.path.name}")
    return Left(keys=frozenset(keys), retests=retests, resumes=tuple(it.name for it in resumed))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Earlier:
    """A judged record, and the alarms that cannot be raised, as was said in it."""

    judged: JudgedRecord
    impossible: frozenset[str]


def _judged(path: Path, site: str) -> _Earlier:
    judged = judge_record(path)
    impossible = frozenset(str(event.data["alarm"]) for event in judged.reader.events(Why.NOT_POSSIBLE.value))
    judged.reader.close()
    if judged.site.name != site:
        raise UsageError(f"{path}: site={judged.site.name}: the record of another site; this site file is site={site}")
    return _Earlier(judged=judged, impossible=impossible)


def _rows_of(judged: JudgedRecord, wanted: VerdictClass) -> set[str]:
    """The planned rows with a result of a class; one without any result is unknown."""
    classes: dict[str, set[VerdictClass]] = {}
    for result in judged.standing_results:
        classes.setdefault(result.expectation, set()).add(result.verdict.verdict_class)
    planned: Iterable[str] = judged.planned or classes
    return {key for key in planned if wanted in classes.get(key, {Verdict.NOT_RUN.verdict_class})}


def _raised(judged: JudgedRecord) -> set[str]:
    return {it.alarm for it in judged.evidence.stimuli}


def _alarm_of(key: str) -> str:
    """Of the key of a row, which is ``alarm@point``."""
    return key.split("@", maxsplit=1)[0]


def _unreached(records: Sequence[_Earlier]) -> set[str]:
    """Planned rows without a definite result, of alarms that were neither seen through nor said to be impossible.

    An alarm that stopped a test, since it showed at the wrong place, has its fail: that is left to ``failed``.
    """
    planned = {key for it in records for key in it.judged.planned}
    done: set[str] = set()
    for it in records:
        through = {
            stimulus.id
            for stimulus in it.judged.evidence.stimuli
            if stimulus.proven and not stimulus.stopped and stimulus.cleared and not stimulus.cleared.is_open_above
        }
        done |= {
            result.expectation
            for result in it.judged.judgement.results
            if result.stimulus in through or result.verdict.verdict_class is not VerdictClass.UNKNOWN
        }
        done |= {key for key in planned if _alarm_of(key) in it.impossible}
    return planned - done
