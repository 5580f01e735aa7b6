"""``farend review``: each side effect once, one key each; a file that a test takes, and never one lost unasked."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from harness.cli.review import EXPIRES_DAYS, command
from harness.cli.reviewing import ask_reviews, side_effects_of
from harness.core.errors import UsageError
from harness.core.model import Decision
from harness.run.gate import pass_gate, read_reviews
from harness.site.binding import binding_of
from tests.peers.sites import TEXT, site_of

BOTH = ("--accept", "stops-pump", "--isolate", "shuts-valve=valve shut, tagged by Jo")


@pytest.fixture
def entry(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "site.yaml").write_text(TEXT, encoding="utf-8")
    return tmp_path / "site.yaml"


def review(entry: Path, *arguments: str) -> Result:
    return CliRunner().invoke(command, [str(entry), *arguments], standalone_mode=False)


def today() -> datetime:
    return datetime.now(UTC).astimezone()


# --- without asking ---------------------------------------------------------------------------------


def test_what_is_written_passes_the_gate(entry: Path) -> None:
    done = review(entry, *BOTH, "--who", "Kim", "--expires", str(today().date()))
    assert done.return_value == 0, done.output
    reviews = read_reviews(entry.with_name("reviews.yaml"))
    site = site_of()
    assert pass_gate(site, site.alarms.values(), reviews) == ()
    assert (reviews.by, reviews.expires, reviews.binding) == ("Kim", today().date(), binding_of(site))
    assert reviews.decisions == {"stops-pump": Decision.ACCEPTED, "shuts-valve": Decision.ISOLATED}
    assert reviews.detail("shuts-valve").isolated == "valve shut, tagged by Jo"
    assert reviews.detail("stops-pump").by == "Kim"
    assert f"written: reviews.yaml, valid through {today().date()}, bound to {binding_of(site).whole}" in done.output


def test_where_there_is_nothing_to_decide_nobody_has_to_be_asked(entry: Path) -> None:
    done = review(entry, "--only", "b.*")
    assert done.exception is None, done.exception
    assert done.return_value == 0, done.output
    assert read_reviews(entry.with_name("reviews.yaml")).decisions == {}


def test_what_is_known_to_be_on_goes_with_it(entry: Path) -> None:
    assert review(entry, *BOTH, "--standing", "low = float stuck", "--standing", "b.due=it is due").return_value == 0
    reviews = read_reviews(entry.with_name("reviews.yaml"))
    assert reviews.standing == {"low": "float stuck", "b.due": "it is due"}


def test_a_day_of_expiry_is_set_unasked(entry: Path) -> None:
    assert review(entry, *BOTH, "--out", "other.yaml").return_value == 0
    assert read_reviews(entry.with_name("other.yaml")).expires == today().date() + timedelta(days=EXPIRES_DAYS)


def test_what_is_left_undecided_is_said(entry: Path) -> None:
    entry.write_text(TEXT.replace("{text: B LEAK, code: 4, side effects: none,", "{text: B LEAK, code: 4,"))
    done = review(entry, "--exclude", "stops-pump", "--json")
    assert done.return_value == 3
    assert "not decided, so a test of its alarms is refused: shuts-valve (shuts the valve)" in done.output
    assert "side effects not stated, so a test of it is refused: b.leak" in done.output
    told = json.loads(done.stdout)
    assert (told["undecided"], told["unstated"]) == (["shuts-valve"], ["b.leak"])
    assert told["decisions"] == {"stops-pump": "excluded"}


def test_only_the_alarms_that_are_asked_for_have_to_be_decided(entry: Path) -> None:
    assert review(entry, "--only", "a.low", "--accept", "stops-pump").return_value == 0


def test_decisions_are_not_written_over_unasked(entry: Path) -> None:
    path = entry.with_name("reviews.yaml")
    path.write_text("precious", encoding="utf-8")
    done = review(entry, *BOTH)
    assert isinstance(done.exception, UsageError)
    assert "reviews.yaml: exists already, and decisions are not written over unasked" in str(done.exception)
    assert path.read_text(encoding="utf-8") == "precious"
    assert "replaced: reviews.yaml" in review(entry, *BOTH, "--replace").output


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (
            ("--accept", "stop-pump"),
            "side effect=stop-pump: no such side effect in site=ashby; did you mean stops-pump",
        ),
        (("--accept", "stops-pump", "--exclude", "stops-pump"), "side effect=stops-pump: decided twice"),
        (("--only", "c.*", *BOTH), "--only c.*: fits no alarm"),
        ((*BOTH, "--expires", "24.12.2026"), "--expires 24.12.2026: expected a day: year-month-day; for example"),
        ((*BOTH, "--expires", "2020-01-01"), "--expires 2020-01-01: expected a day to come, and today is"),
        ((*BOTH, "--out", "none/reviews.yaml"), "--out none/reviews.yaml: its folder does not exist; make it first"),
        ((*BOTH, "--standing", "lo=x"), "--standing lo=x: no alarm and no point is called lo; did you mean low?"),
        ((*BOTH, "--standing", "low"), "--standing low: expected the reason, such as --standing 'low=drained today'"),
        ((), "standard input is no terminal, so nobody can be asked; decide with --accept NAME"),
    ],
)
def test_what_cannot_be_done_writes_nothing(arguments: tuple[str, ...], message: str, entry: Path) -> None:
    done = review(entry, *arguments)
    assert isinstance(done.exception, UsageError)
    assert message in str(done.exception)
    assert [path.name for path in entry.parent.iterdir()] == ["site.yaml"]


# --- asked in a terminal ----------------------------------------------------------------------------


def keys(text: str) -> Iterator[str]:
    yield from text
    raise click.Abort


def asked(text: str) -> tuple[dict[str, Decision], list[str]]:
    """The decisions that keys make, and what is left of the keys."""
    site, pressed = site_of(), keys(text)
    times = iter(range(1, 100))
    reviews = ask_reviews(
        site, list(site.alarms.values()), "Kim", key=lambda: next(pressed), utc_ns=lambda: next(times)
    )
    assert {reviews.detail(name).by for name in reviews.decisions} <= {"Kim"}
    assert reviews.binding == binding_of(site)
    assert pass_gate(site, site.alarms.values(), reviews) is not None
    left: list[str] = []
    with contextlib.suppress(click.Abort):
        left.extend(pressed)
    return dict(reviews.decisions), left


def test_one_key_for_each_and_one_to_end(capsys: pytest.CaptureFixture[str]) -> None:
    assert asked("aiy") == ({"stops-pump": Decision.ACCEPTED, "shuts-valve": Decision.ISOLATED}, [])
    told = capsys.readouterr().err
    assert told.count("hazard: the cellar fills") == 1, "each is shown once"
    assert "side effect 1 of 2, stops-pump: stops the pump" in told
    assert "raised by: a.high-high, a.low" in told
    assert "safeguard: a person at the pump" in told


def test_a_decision_is_taken_back() -> None:
    assert asked("auxiy")[0] == {"stops-pump": Decision.EXCLUDED, "shuts-valve": Decision.ISOLATED}
    assert asked("axuay")[0] == {"stops-pump": Decision.ACCEPTED, "shuts-valve": Decision.ACCEPTED}


def test_other_keys_do_nothing() -> None:
    """Nothing to take back yet; and neither Enter nor any other letter is a decision, or an end."""
    assert asked("u\r yqAza\r\ny")[0] == {"stops-pump": Decision.ACCEPTED, "shuts-valve": Decision.ACCEPTED}


def test_whoever_leaves_before_the_end_has_decided_nothing() -> None:
    with pytest.raises(click.Abort):
        asked("ax")


def test_what_was_isolated_is_asked_where_it_is_wanted() -> None:
    site, pressed = site_of(), keys("iay")
    reviews = ask_reviews(
        site, list(site.alarms.values()), "Kim", key=lambda: next(pressed), describe=lambda name: f"{name} tagged"
    )
    assert [reviews.detail(name).isolated for name in reviews.decisions] == ["stops-pump tagged", ""]


def test_each_side_effect_names_every_alarm_that_has_it_or_brings_it_along() -> None:
    site = site_of(("{text: A HIGH, code: 2, side effects: none,", "{text: A HIGH, code: 2, side effects: stops-pump,"),
                   ("side effects: [stops-pump, shuts-valve]", "side effects: [shuts-valve]"))  # fmt: skip
    assert side_effects_of(site, list(site.alarms.values())) == {
        "shuts-valve": ["a.high-high"],
        "stops-pump": ["a.high-high", "a.high", "a.low"],
    }
