"""One cause where the same was found of the same BACnet objects by several ways in which their alarms arrive."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from harness.core.model import Cause
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import Finding

_ALL_WAYS: Final = "; so by each way in which it arrives"

_SAYS_LESS: Final = {
    "between-polls": 0,
    "silence-proves-nothing": 0,
    "point-silent": 1,
    "value-never-on": 1,
    "extra-place": 1,
    "wrong-bit": 2,
    "swapped-pair": 3,
}
"""What one way shows of an object where another shows more: it reads fewer of the other objects. The rest say most."""

_SAYS_MORE: Final = frozenset({"wrong-bit", "swapped-pair", "address-off-by-one", "address-offset", "inverted"})


def once_an_object(case: Case, findings: Sequence[Finding]) -> list[Finding]:
    """The findings, with those joined that say the same, or less, of the same objects."""
    joined: list[Finding] = []
    for finding in sorted(findings, key=lambda it: -_SAYS_LESS.get(it.cause.code, len(_SAYS_LESS))):
        mine = _objects_of(case, finding)
        for at, other in enumerate(joined):
            theirs = _objects_of(case, other)
            if mine and theirs and (_is_same(finding, other, mine, theirs) or _is_part(finding, other, mine, theirs)):
                more, fewer = (other, finding) if mine <= theirs else (finding, other)
                joined[at] = replace(
                    more,
                    cause=_by_all_ways(more.cause),
                    results=tuple(sorted({*more.results, *fewer.results})),
                    strays=tuple(sorted(more.all_strays | fewer.all_strays)),
                )
                break
        else:
            joined.append(finding)
    order = {id(it.cause): number for number, it in enumerate(findings)}
    return sorted(joined, key=lambda it: order.get(id(it.cause), len(order)))


_Objects = frozenset[tuple[str, str]]


def _is_same(finding: Finding, other: Finding, mine: _Objects, theirs: _Objects) -> bool:
    return finding.cause.code == other.cause.code and (mine <= theirs or theirs <= mine)


def _is_part(finding: Finding, other: Finding, mine: _Objects, theirs: _Objects) -> bool:
    """True of what says less of objects all of which the other one explains."""
    codes = finding.cause.code, other.cause.code
    less, more = (_SAYS_LESS.get(code, len(_SAYS_LESS)) for code in codes)
    return other.cause.code in _SAYS_MORE and less < more and mine <= theirs


def _by_all_ways(cause: Cause) -> Cause:
    return cause if cause.text.endswith(_ALL_WAYS) else replace(cause, text=cause.text + _ALL_WAYS)


def _objects_of(case: Case, finding: Finding) -> _Objects:
    """(link, object) of everything that a finding explains; none where some of it is no BACnet object."""
    points = {case.results[n].point for n in finding.results} | {case.strays[at].point for at in finding.all_strays}
    if not all(name in case.evidence.objects for name in points):
        return frozenset()
    return frozenset((case.link_of(name), case.evidence.objects[name].name) for name in points)
