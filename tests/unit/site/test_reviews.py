"""Reviews files: who decided what, when, until when and for which site; and one message for everything that does not
fit."""

from __future__ import annotations

from datetime import UTC, date, timedelta, timezone

import pytest

from harness.core.errors import SiteError
from harness.core.model import Decision
from harness.site.binding import Binding, binding_of
from harness.site.moments import read_moment
from harness.site.profiles import profiles_folder
from harness.site.reading import load_site
from harness.site.reviews import DECISIONS, DETAIL_FIELDS, FIELDS, Detail, Reviews, parse_reviews
from harness.site.reviews_text import reviews_text
from tests.peers.sites import site_of

EAST = timezone(timedelta(hours=1))
NOON = read_moment("2026-11-29 12:00", UTC)


def test_who_and_what() -> None:
    text = b"reviewed by: J\xc3\xb6rg Ro\xc3\x9f  # lead\nside effects:\n  a: accepted\n  b: isolated\n  c: excluded\n"
    assert parse_reviews(text, "r.yaml") == Reviews(
        by="J\u00f6rg Ro\u00df",
        decisions={"a": Decision.ACCEPTED, "b": Decision.ISOLATED, "c": Decision.EXCLUDED},
        file="r.yaml",
    )


WHOLE = b"""\
reviewed by: Kim
reviewed at: 2026-11-29 13:00
expires: 2026-12-24
bound to: 3f2a-91c0-77de
side effects:
  a: {isolated: 'pump A off, tagged', by: Jo, at: 2026-11-29 12:30+00:00}
  b: {decision: accepted, note: nobody in the cellar}
standing:
  bms:10005: float switch stuck
bound parts:
  side effects: {a: 0123-4567-89ab, b: 0123-4567-89ab}
  alarms: {}
  links:
"""


def test_all_that_a_file_can_say() -> None:
    reviews = parse_reviews(WHOLE, "r.yaml", EAST)
    assert reviews == Reviews(
        by="Kim",
        decisions={"a": Decision.ISOLATED, "b": Decision.ACCEPTED},
        details={
            "a": Detail(by="Jo", at_utc_ns=read_moment("2026-11-29 12:30", UTC), isolated="pump A off, tagged"),
            "b": Detail(note="nobody in the cellar"),
        },
        file="r.yaml",
        at_utc_ns=NOON,
        expires=date(2026, 12, 24),
        binding=Binding(whole="3f2a-91c0-77de", side_effects={"a": "0123-4567-89ab", "b": "0123-4567-89ab"}, alarms={}),
        standing={"bms:10005": "float switch stuck"},
    )
    assert reviews.detail("b") == Detail(by="Kim", at_utc_ns=NOON, note="nobody in the cellar")
    assert reviews.to_data()["details"]["a"]["by"] == "Jo"
    assert set(FIELDS) == {line.split(b":")[0].decode() for line in WHOLE.splitlines() if line[:1] != b" "}


def test_nothing_decided_is_allowed() -> None:
    """An alarm without side effects needs no decision; one with a side effect is refused by the gate, not here."""
    assert parse_reviews(b"reviewed by: Kim\nside effects:\n", "r.yaml") == Reviews(by="Kim", file="r.yaml")


def test_the_decisions_are_those_of_the_model() -> None:
    assert set(DECISIONS) == {decision.value for decision in Decision}


@pytest.mark.parametrize("zone", [UTC, EAST, timezone(timedelta(hours=-9, minutes=-30))])
def test_what_is_written_is_what_is_read(zone: timezone) -> None:
    """Names and texts that YAML would take for something else, or that would end the line, come back as they were."""
    site = site_of(("  stops-pump: {text", "  'off': {text"),
                   ("side effects: [stops-pump, shuts", "side effects: ['off', shuts"),
                   ("code: 3, side effects: stops-pump", "code: 3, side effects: 'off'"))  # fmt: skip
    reviews = Reviews(
        by="O'Brien: # [lead] \u00e9",
        decisions={"off": Decision.ISOLATED, "shuts-valve": Decision.EXCLUDED},
        details={
            "off": Detail(by="yes", at_utc_ns=NOON, isolated="breaker 3: 'off' # tagged", note="- a"),
            "shuts-valve": Detail(by="123", at_utc_ns=NOON),
        },
        file="r.yaml",
        at_utc_ns=NOON,
        expires=date(2026, 12, 24),
        binding=binding_of(site),
        standing={"bms:10005": "'", "b.due": "stuck: since May"},
    )
    text = reviews_text(reviews, site, zone)
    assert parse_reviews(text.encode(), "r.yaml", EAST) == reviews
    assert all(len(line) <= 130 for line in text.splitlines())


def test_what_cannot_be_drawn_is_not_written_and_what_is_refused_is_not_either() -> None:
    site = site_of(("text: stops the pump", 'text: "stops\\tthe pump"'))
    whole = Reviews(by="Kim\n\x07", expires=date(2026, 12, 24), binding=binding_of(site), file="r.yaml")
    assert parse_reviews(reviews_text(whole, site).encode(), "r.yaml").by == "Kim ?"
    for lacking in (Reviews(by="Kim", expires=whole.expires), Reviews(by="Kim", binding=whole.binding)):
        with pytest.raises(ValueError, match="a test would refuse them"):
            reviews_text(lacking, site)


BAD = {
    "side effects: {a: accepted}": "r.yaml:1: reviewed by: expected the name of the person who answers for the "
    "decisions; add 'reviewed by: NAME'",
    "reviewed by: ''": "r.yaml:1: reviewed by: expected the name of the person who answers for the decisions; add",
    "reviewed by: Kim\nside effects: {a: acepted}": "r.yaml:2: a=acepted: expected accepted, isolated, excluded; "
    "did you mean accepted?",
    "reviewed by: Kim\nside effects: {a: Accepted}": "r.yaml:2: a=Accepted: expected accepted, isolated, excluded",
    "reviewed by: Kim\nside effects:\n  a: accepted\n  b: [accepted]": "r.yaml:4: b=",
    "reviewed by: Kim\nside effects:\n  a:": "r.yaml:3: a=",
    "reviewed by: [Kim, Jo]": "r.yaml:1: reviewed by: expected one name",
    "reviewed by: Kim\nside effects: [a]": "r.yaml:2: side effects: expected a side effect and its decision on each",
    "reviewed by: Kim\nside effect: {a: accepted}": "r.yaml:2: side effect: expected reviewed by, reviewed at, expires,"
    " bound to, side effects, standing or bound parts; did you mean side effects?",
    "- a": "r.yaml:1: file=r.yaml: expected 'reviewed by' and 'side effects'",
    "": "r.yaml:1: file=r.yaml: expected 'reviewed by' and 'side effects'; 'farend review' writes such a file",
    "reviewed by: Kim\nside effects:\n  a: accepted\n  a: excluded": "r.yaml:4: a",
    "reviewed by: Kim\nexpires: 24.12.2026": "r.yaml:2: expires=24.12.2026: expected a day: year-month-day; for",
    "reviewed by: Kim\nexpires: 2026-02-30": "r.yaml:2: expires=2026-02-30: expected a day",
    "reviewed by: Kim\nexpires:": "r.yaml:2: expires=: expected a day",
    "reviewed by: Kim\nreviewed at: noon": "r.yaml:2: reviewed at=noon: expected a day and a time of day",
    "reviewed by: Kim\nbound to: 3f2a": "r.yaml:2: bound to=3f2a: expected 12 hexadecimal digits such as",
    "reviewed by: Kim\nbound to:\n  a: b": "r.yaml:3: bound to: expected one value",
    "reviewed by: Kim\nbound parts:\n  alarms: {a: x}": "r.yaml:3: a=x: expected groups of 4 hexadecimal digits; make",
    "reviewed by: Kim\nbound parts:\n  alarm: {a: x}": "r.yaml:3: alarm: expected side effects, alarms or links with",
    "reviewed by: Kim\nstanding: a": "r.yaml:2: standing: expected an alarm or a point and the reason on each line",
    "reviewed by: Kim\nstanding:\n  a:": "r.yaml:3: a: expected a text; say it in a few words",
    "reviewed by: Kim\nside effects:\n  a: {by: Jo}": "r.yaml:3: a.decision=: expected accepted, isolated, excluded",
    "reviewed by: Kim\nside effects:\n  a: {decision: accepted, isolated: pump off}": "r.yaml:3: a.decision=accepted: "
    "expected isolated, since it says what was isolated",
    "reviewed by: Kim\nside effects:\n  a: {decision: accepted, at: never}": "r.yaml:3: a.at=never: expected a day and",
    "reviewed by: Kim\nside effects:\n  a: {decision: accepted, who: Jo}": "r.yaml:3: who: expected decision,",
    "reviewed by: Kim\nside effects:\n  a: {decision: accepted, note: }": "r.yaml:3: note: expected a text",
}


@pytest.mark.parametrize("text", BAD)
def test_what_does_not_fit_is_said(text: str) -> None:
    with pytest.raises(SiteError) as caught:
        parse_reviews(text.encode(), "r.yaml")
    assert any(line.startswith(BAD[text]) for line in str(caught.value).splitlines()), str(caught.value)


def test_everything_wrong_is_said_at_once() -> None:
    text = b"side effects:\n  a: yes\n  b: accepted\n  c: no\nwho: Kim\n"
    with pytest.raises(SiteError) as caught:
        parse_reviews(text, "r.yaml")
    assert sorted(problem.origin.line for problem in caught.value.problems) == [1, 2, 4, 5]


def test_bytes_that_are_no_text() -> None:
    with pytest.raises(SiteError, match=r"r\.yaml:1: "):
        parse_reviews(b"reviewed by: \xff\xfe", "r.yaml")


def test_the_reviews_of_the_template_show_every_field() -> None:
    folder = profiles_folder() / "template"
    text = (folder / "reviews.yaml").read_text(encoding="utf-8")
    reviews = parse_reviews(text.encode(), "reviews.yaml")
    site, _ = load_site(folder / "site.yaml")
    assert set(reviews.decisions) == set(site.side_effects)
    assert set(reviews.standing) <= {*site.points, *site.alarms}
    assert [name for name in (*FIELDS[:-1], *DETAIL_FIELDS) if f"{name}:" not in text] == []
    assert reviews.binding is None, "an example is never somebody's decision"
