"""Renames files: read as they are written, and each thing that can be wrong with one is said where it stands."""

from __future__ import annotations

import pytest

from harness.core.errors import SiteError
from harness.core.model import Site
from harness.site.renames import Renames, parse_renames
from tests.peers.sites import site_of

BEFORE = site_of()
AFTER = site_of(
    ("site: ashby\n", "site: ashby-2\n"),
    ("  a.low: {text: A LOW", "  a.low-level: {text: A LOW"),
    ("{alarm: a.low, link: bms, table: holding-register", "{alarm: a.low-level, link: bms, table: holding-register"),
    ("point: due}", "point: overdue}"),
)
GOOD = "site: {ashby: ashby-2}\nalarms:\n  a.low: a.low-level\npoints:\n  due: overdue\nlinks:\n"


def test_what_is_written_is_read() -> None:
    renames = parse_renames(GOOD.encode(), "renames.yaml", BEFORE, AFTER)
    assert renames == Renames(site={"ashby": "ashby-2"}, alarms={"a.low": "a.low-level"}, points={"due": "overdue"})
    assert renames.key("a.low@low") == "a.low-level@low"
    assert renames.key("b.due@due") == "b.due@overdue"
    assert renames.key("a.high@high") == "a.high@high"


def test_points_that_are_named_after_their_link_go_with_it() -> None:
    renames = Renames(links={"bms": "building"}, points={"bms:10001": "own"})
    assert renames.point("bms:10002") == "building:10002"
    assert renames.point("bms:10001") == "own"
    assert renames.point("lamp") == "lamp"
    assert renames.point("panel:10002") == "panel:10002"


NAMED_AFTER = (
    (site_of(("point: low}", "point: 'bms:a.low/1'}")), "bms:a.low-level/1"),
    (site_of(("point: low}", "point: 'bms:a.lower'}")), "bms:a.low-level"),
)


@pytest.mark.parametrize(("before", "new"), NAMED_AFTER)
def test_points_that_are_named_after_an_alarm_go_with_it(before: Site, new: str) -> None:
    """A whole part of its name, and only where AFTER has such a point."""
    old = next(it for it in before.points if it.startswith("bms:a.low"))
    renamed = (
        ("  a.low: {text: A LOW", "  a.low-level: {text: A LOW"),
        (
            "{alarm: a.low, link: bms, table: holding-register",
            "{alarm: a.low-level, link: bms, table: holding-register",
        ),
    )
    after = site_of(*renamed, ("point: low}", f"point: '{new}'}}"))
    renames = parse_renames(b"alarms: {a.low: a.low-level}", "r.yaml", before, after)
    follows = old == "bms:a.low/1"
    assert renames.points == ({old: new} if follows else {})
    elsewhere = site_of(*renamed, ("point: low}", "point: 'bms:a.low-level/2'}"))
    assert parse_renames(b"alarms: {a.low: a.low-level}", "r.yaml", before, elsewhere).points == {}
    kept = site_of(*renamed, ("point: low}", f"point: '{old}'}}"))
    assert parse_renames(b"alarms: {a.low: a.low-level}", "r.yaml", before, kept).points == {}


BAD = {
    "- a": "r.yaml:1: file=r.yaml: expected 'alarms', 'points' or 'links', each with lines 'old name: new name'",
    "alarm:\n  a.low: a.low-level": "r.yaml:1: alarm: expected site, alarms, points or links; did you mean alarms?",
    "alarms: a.low": "r.yaml:1: alarms: expected a line 'old name: new name' for each",
    "alarms:\n  a.low:": "r.yaml:2: a.low: expected the new name of this alarm",
    "alarms:\n  a.low: [a, b]": "r.yaml:2: a.low: expected the new name of this alarm",
    "alarms:\n  a.lwo: a.low-level": "r.yaml:2: alarm=a.lwo: BEFORE has no such alarm; did you mean a.low?",
    "alarms:\n  a.low: a.low-levle": "r.yaml:2: alarm=a.low-levle: AFTER has no such alarm; did you mean a.low-level?",
    "alarms:\n  a.high: a.low-level": "r.yaml:2: alarm=a.high: AFTER still has it, so it was not renamed; delete this "
    "line, or name what it was split from",
    "points:\n  due: overdue\n  low: overdue": "r.yaml:3: point=low: AFTER still has it, so it was not renamed",
    "links:\n  bsm: bms": "r.yaml:2: link=bsm: BEFORE has no such link; did you mean bms?",
    "site: {ashby: askby-2}": "r.yaml:1: site=askby-2: AFTER has no such site; did you mean ashby-2?",
    "alarms:\n  a.low: a.low-level\n  a.low: b.due": "r.yaml:3: a.low: this name is already used on line 2; keep one",
    "alarms:\n\ta.low: b": "r.yaml:2: line=",
}


@pytest.mark.parametrize("text", BAD)
def test_what_does_not_fit_is_said(text: str) -> None:
    with pytest.raises(SiteError) as caught:
        parse_renames(text.encode(), "r.yaml", BEFORE, AFTER)
    assert any(line.startswith(BAD[text]) for line in str(caught.value).splitlines()), str(caught.value)


def test_two_names_do_not_become_one() -> None:
    after = site_of(
        ("  a.low: {text: A LOW", "  a.any: {text: A LOW"),
        ("{alarm: a.low, link: bms, table: holding-register", "{alarm: a.any, link: bms, table: holding-register"),
        ("  b.due: {text: B DUE, code: 5, side effects: none, class: warning}\n", ""),
        ("  - {alarm: b.due, link: bms, table: discrete-input, address: 4, behaviour: quiet, point: due}\n", ""),
    )
    text = b"alarms:\n  a.low: a.any\n  b.due: a.any\n"
    with pytest.raises(SiteError, match=r"r\.yaml:3: alarm=a\.any: it is already the new name of a\.low; keep one"):
        parse_renames(text, "r.yaml", BEFORE, after)


def test_everything_wrong_is_said_at_once() -> None:
    with pytest.raises(SiteError) as caught:
        parse_renames(b"alarms:\n  x: y\n  a.low: z\nwhat: {}\n", "r.yaml", BEFORE, AFTER)
    assert sorted(problem.origin.line for problem in caught.value.problems) == [2, 3, 4]
