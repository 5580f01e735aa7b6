"""Reviews files: who decided what, and one message for everything that does not fit."""

from __future__ import annotations

import pytest

from harness.core.errors import SiteError
from harness.core.model import Decision
from harness.site.profiles import profiles_folder
from harness.site.reading import load_site
from harness.site.reviews import DECISIONS, parse_reviews


def test_who_and_what() -> None:
    text = b"reviewed by: J\xc3\xb6rg Ro\xc3\x9f  # lead\nside effects:\n  a: accepted\n  b: isolated\n  c: excluded\n"
    assert parse_reviews(text, "r.yaml") == (
        "J\u00f6rg Ro\u00df",
        {"a": "accepted", "b": "isolated", "c": "excluded"},
    )


def test_nothing_decided_is_allowed() -> None:
    """An alarm without side effects needs no decision; one with a side effect is refused by the gate, not here."""
    assert parse_reviews(b"reviewed by: Kim\n", "r.yaml") == ("Kim", {})


def test_the_decisions_are_those_of_the_model() -> None:
    assert set(DECISIONS) == {decision.value for decision in Decision}


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
    "reviewed by: Kim\nside effect: {a: accepted}": "r.yaml:2: side effect: expected reviewed by or side effects; "
    "did you mean side effects?",
    "- a": "r.yaml:1: file=r.yaml: expected 'reviewed by' and 'side effects'",
    "": "r.yaml:1: file=r.yaml: expected 'reviewed by' and 'side effects'",
    "reviewed by: Kim\nside effects:\n  a: accepted\n  a: excluded": "r.yaml:4: a",
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


def test_the_reviews_of_the_demo_decide_every_side_effect_of_the_demo() -> None:
    folder = profiles_folder() / "demo"
    site, _ = load_site(folder / "site.yaml")
    _, decisions = parse_reviews((folder / "reviews.yaml").read_bytes(), "reviews.yaml")
    assert set(decisions) == set(site.side_effects)
