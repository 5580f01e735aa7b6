"""The safety gate: every refusal, and that each comes before a socket is opened and before a record is made."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

import pytest

from harness.core.errors import FarendError, SafetyError, SiteError, UsageError
from harness.core.instants import NS_PER_S
from harness.core.ledger import Act, Entry
from harness.core.model import Decision, Site, Step
from harness.core.places import Table
from harness.core.writing import Write
from harness.results.ledger import append
from harness.run.gate import CHANGES_SHOWN_MAX, CLOCKS_APART_MAX_NS, Reviews, pass_gate, read_reviews, reviewed_until_ns
from harness.run.order import Selection, plan_of
from harness.run.testing import TestOptions, gated_plan, run_test, takes_ns
from harness.site.binding import binding_of
from harness.site.moments import utc_ns_of
from harness.site.permission import check_listed
from harness.stimulus.armed import ArmedWriter
from tests.peers.sites import documents, site_of

ACCEPTED = Reviews(by="Kim", decisions={"stops-pump": Decision.ACCEPTED, "shuts-valve": Decision.ISOLATED})
_opened: list[str] | None = None


def _audit(event: str, args: tuple[object, ...]) -> None:
    if _opened is not None and event in ("socket.connect", "socket.bind", "socket.getaddrinfo"):
        _opened.append(f"{event} {args}")


sys.addaudithook(_audit)


@pytest.fixture
def opened() -> Iterator[list[str]]:
    """Every connection that is tried while the test runs."""
    global _opened  # noqa: PLW0603 - an audit hook cannot be taken away again
    _opened = []
    yield _opened
    _opened = None


class NoView:
    """A view that must never be asked for anything."""

    def __getattr__(self, name: str) -> object:
        raise AssertionError(name)


def options(folder: Path, **changes: object) -> TestOptions:
    values: dict[str, object] = {
        "record": folder / "run.farend",
        "selection": Selection(),
        "arm": "ashby",
        "reviews": ACCEPTED,
        "who": "Kim",
        "seed": 1,
        "command": (),
    }
    return TestOptions(**(values | changes))  # type: ignore[arg-type]


def files_in(folder: Path) -> list[Path]:
    return sorted(folder.iterdir())


def unstated() -> Site:
    return site_of(("a.low: {text: A LOW, code: 3, side effects: stops-pump}", "a.low: {text: A LOW, code: 3}"))


def unlisted() -> Site:
    site = site_of()
    write = Write(link="panel", unit=1, table=Table.HOLDING_REGISTER, address=901, values=(1, 1))
    high = site.alarms["a.high"]
    high = replace(high, writes={**high.writes, Step.RAISE: (write,)})
    return replace(site, alarms={**site.alarms, "a.high": high})


REFUSED = {
    "side effects are not stated": (unstated, {}, "site.yaml:22: alarm=a.low: its side effects are not stated"),
    "nothing was reviewed": (
        site_of,
        {"reviews": None},
        "side effect=stops-pump (stops the pump) of a.high-",
    ),
    "one was not reviewed": (
        site_of,
        {"reviews": Reviews(by="Kim", decisions={"stops-pump": Decision.ACCEPTED})},
        "side effect=shuts-valve (shuts the valve) of a.high-high: not reviewed; hazard: pressure; safeguard: no del",
    ),
    "an address is not listed": (
        unlisted,
        {},
        "link=panel unit=1 table=holding-register addresses 901 to 902 (from 0): not on the site file's list",
    ),
    "not armed": (site_of, {"arm": None}, "site=ashby: not armed, so nothing is raised; add '--arm ashby'"),
    "armed for another site": (site_of, {"arm": "hollowmere"}, "--arm hollowmere: this site file is site=ashby"),
    "armed with nearly its word": (site_of, {"arm": "Ashby"}, "--arm Ashby: this site file is site=ashby"),
    "armed with nothing": (site_of, {"arm": ""}, "--arm : this site file is site=ashby"),
    "the reviews have expired": (
        site_of,
        {"reviews": replace(ACCEPTED, expires=date(2026, 1, 31))},
        "expires=2026-01-31: it was valid through the end of that day, and today is ",
    ),
    "the site file was changed": (
        lambda: site_of(("hazard: pressure", "hazard: high pressure")),
        {"reviews": replace(ACCEPTED, binding=binding_of(site_of()))},
        "and does other things than the one that was reviewed: side effect shuts-valve: its hazard; look at each side",
    ),
    "reviews of no known site": (
        site_of,
        {"reviews": replace(ACCEPTED, file="r.yaml", expires=date(9999, 1, 1))},
        "r.yaml: 'bound to' is missing, so nobody knows for which site file these decisions were made; look at each",
    ),
    "reviews without an end": (
        site_of,
        {"reviews": replace(ACCEPTED, file="r.yaml", binding=binding_of(site_of()))},
        "r.yaml: 'expires' is missing; add the last day on which it is valid: 'expires: ",
    ),
    "what stands is misspelt": (
        site_of,
        {"reviews": replace(ACCEPTED, standing={"lo": "float stuck"})},
        "the reviews: standing=lo: no alarm and no point has this name; did you mean low?",
    ),
    "nobody was told": (
        lambda: site_of(("stimulus:\n", "notices: [monitoring station]\nstimulus:\n")),
        {},
        "notice=monitoring station: the site file wants them told before a test, and ashby.ledger does not say that",
    ),
    "what is bypassed is not in any ledger": (
        site_of,
        {"inhibited": ("pump A",)},
        "--inhibited pump A: ashby.ledger has no open inhibit of this name; none is open",
    ),
    "all is excluded": (
        site_of,
        {
            "selection": Selection(only=("a.low",)),
            "reviews": Reviews(by="Kim", decisions={"stops-pump": Decision.EXCLUDED}),
        },
        "none of the selected alarms can be raised",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
async def test_it_refuses_before_a_socket_is_opened_and_a_record_is_made(
    name: str, tmp_path: Path, opened: list[str]
) -> None:
    make, changes, message = REFUSED[name]
    with pytest.raises(SafetyError) as caught:
        await run_test(make(), documents(), options(tmp_path, **changes), time.monotonic_ns, NoView())  # type: ignore[arg-type]
    assert message in str(caught.value)
    assert files_in(tmp_path) == []
    assert opened == []


NOW = time.time_ns() // 10**9 * 10**9


def _entry(act: Act, name: str, **more: object) -> Entry:
    values: dict[str, object] = {"by": "Jo", "at_utc_ns": NOW, "entered_utc_ns": NOW, **more}
    return Entry(act=act, name=name, **values)  # type: ignore[arg-type]


LEDGERS = {
    "a notice that runs out too soon": (
        [_entry(Act.NOTICE, "monitoring station", until_utc_ns=NOW + 10**9)],
        "notice=monitoring station: what Jo told them r",
    ),
    "a bypass that was never shown to hold": (
        [_entry(Act.INHIBIT, "pump A")],
        "inhibit=pump A: bypassed by Jo, and nothing says that it was shown to hold",
    ),
    "a bypass left open by an earlier run": (
        [_entry(Act.INHIBIT, "pump A", proven="tried"), _entry(Act.RUN, "before.farend")],
        "inhibit=pump A: left open since ",
    ),
}


@pytest.mark.parametrize("name", LEDGERS)
async def test_the_ledger_refuses_before_a_socket_is_opened_and_a_record_is_made(
    name: str, tmp_path: Path, opened: list[str]
) -> None:
    entries, message = LEDGERS[name]
    path = tmp_path / "ashby.ledger"
    append(path, *entries)
    before = path.read_bytes()
    site = site_of(("stimulus:\n", "notices: [monitoring station]\nstimulus:\n"))
    with pytest.raises(SafetyError) as caught:
        await run_test(site, documents(), options(tmp_path, ledger=path), time.monotonic_ns, NoView())  # type: ignore[arg-type]
    assert message in str(caught.value)
    assert files_in(tmp_path) == [path]
    assert path.read_bytes() == before, "what was refused is not entered"
    assert opened == []


@pytest.mark.parametrize("pattern", ["a.hgih", "c.*"])
async def test_a_selection_of_nothing_is_no_test(pattern: str, tmp_path: Path, opened: list[str]) -> None:
    chosen = options(tmp_path, selection=Selection(only=(pattern,)))
    with pytest.raises(UsageError, match="fits no alarm"):
        await run_test(site_of(), documents(), chosen, time.monotonic_ns, NoView())  # type: ignore[arg-type]
    assert files_in(tmp_path) == []
    assert opened == []
    with pytest.raises(UsageError, match="nothing is selected"):
        gated_plan(site_of(), options(tmp_path, selection=Selection(keys=frozenset())))


def test_the_audit_hook_sees_a_connection(opened: list[str]) -> None:
    """A guard that cannot bark guards nothing."""
    import socket

    with socket.socket() as sock:
        sock.settimeout(1)
        sock.bind(("127.0.0.1", 0))
    assert [one.split()[0] for one in opened] == ["socket.bind"]


def test_everything_that_is_missing_is_said_at_once() -> None:
    with pytest.raises(SafetyError) as caught:
        gated_plan(unstated(), options(Path(), reviews=None))
    lines = str(caught.value).splitlines()
    assert lines[0] == "nothing is raised:"
    assert [line.split(":")[1] for line in lines[1:]] == ["22", "11", "12"]


def test_a_missing_word_does_not_hide_a_missing_review() -> None:
    with pytest.raises(SafetyError) as caught:
        gated_plan(site_of(), options(Path(), arm=None, reviews=None))
    assert "not armed" in str(caught.value)
    assert "side effect=stops-pump" in str(caught.value)


def test_only_what_is_planned_needs_a_review() -> None:
    (item,) = gated_plan(unstated(), options(Path(), reviews=None, selection=Selection(only=("a.high",))))
    assert item.alarm.name == "a.high"


def test_excluding_a_side_effect_leaves_out_every_alarm_that_has_it() -> None:
    reviews = Reviews(by="Kim", decisions={"stops-pump": Decision.EXCLUDED, "shuts-valve": Decision.ACCEPTED})
    site = site_of()
    assert pass_gate(site, site.alarms.values(), reviews) == ("a.high-high", "a.low")
    items = gated_plan(site, options(Path(), reviews=reviews))
    assert [item.alarm.name for item in items] == ["a.high", "b.leak", "b.due"]


def test_one_excluded_side_effect_does_not_excuse_the_other() -> None:
    reviews = Reviews(by="Kim", decisions={"stops-pump": Decision.EXCLUDED})
    with pytest.raises(SafetyError, match="side effect=shuts-valve"):
        gated_plan(site_of(), options(Path(), reviews=reviews))


def test_what_comes_along_has_side_effects_too() -> None:
    """An alarm that is brought along does what it does, whether it is in the plan or not."""
    site = site_of(
        ("a.high: {text: A HIGH, code: 2, side effects: none,", "a.high: {text: A HIGH, code: 2, side effects: rings,"),
        ("side effects:\n", "side effects:\n  rings: {text: rings, hazard: people run, safeguard: tell them}\n"),
    )
    chosen = options(Path(), selection=Selection(only=("a.high-high",)))
    with pytest.raises(SafetyError, match=r"side effect=rings \(rings\) of a\.high-high"):
        gated_plan(site, chosen)


def test_the_whole_write_must_be_listed() -> None:
    site = site_of()

    def write(address: int, *values: int, **changes: object) -> Write:
        made = Write(link="panel", unit=1, table=Table.HOLDING_REGISTER, address=address, values=values)
        return replace(made, **changes)  # type: ignore[arg-type]

    check_listed(site, write(900, 1, 2))
    check_listed(site, write(901, 1))
    for wrong in (
        write(899, 1),
        write(899, 1, 2),
        write(901, 1, 2),
        write(900, 1, 2, 3),
        write(900, 1, unit=2),
        write(900, 1, link="bms"),
        write(900, 1, table=Table.COIL),
    ):
        with pytest.raises(SafetyError, match="not on the site file's list of writable points"):
            check_listed(site, wrong)


async def test_an_armed_writer_checks_the_list_itself(opened: list[str]) -> None:
    site = site_of()
    unlisted_write = Write(link="panel", unit=1, table=Table.HOLDING_REGISTER, address=902, values=(1,))
    async with ArmedWriter(site, time.monotonic_ns, "ashby") as writer:
        with pytest.raises(SafetyError, match="addresses 902 to 902"):
            await writer.perform([*site.alarms["a.high"].writes[Step.RAISE], unlisted_write])
    assert opened == [], "the listed write before it was not sent either"


EAST = timezone(timedelta(hours=10))


@pytest.mark.parametrize(
    ("now", "passes"),
    [
        (datetime(2026, 12, 24, 23, 59, 59, tzinfo=EAST), True),
        (datetime(2026, 12, 25, 0, 0, tzinfo=EAST), False),
        (datetime(2026, 12, 24, 14, 0, tzinfo=UTC), True),  # the same instant, where it is still the 24th
    ],
)
def test_reviews_hold_through_the_end_of_their_last_day_in_local_time(now: datetime, *, passes: bool) -> None:
    site = site_of()
    reviews = replace(ACCEPTED, expires=date(2026, 12, 24), binding=binding_of(site), file="r.yaml")
    until = reviewed_until_ns(reviews, now)
    assert until is not None
    assert (utc_ns_of(now) < until) is passes
    if passes:
        assert pass_gate(site, site.alarms.values(), reviews, now) == ()
    else:
        with pytest.raises(
            SafetyError, match=r"r\.yaml: expires=2026-12-24: .* today is 2026-12-25; look at each side"
        ):
            pass_gate(site, site.alarms.values(), reviews, now)
    assert reviewed_until_ns(ACCEPTED, now) is None


@pytest.mark.parametrize(("ahead_ns", "passes"), [(CLOCKS_APART_MAX_NS, True), (CLOCKS_APART_MAX_NS + 1, False)])
def test_a_review_from_the_future_shows_a_clock_that_is_wrong(ahead_ns: int, *, passes: bool) -> None:
    """With the clock set back, a review would never expire."""
    site, now = site_of(), datetime(2026, 12, 24, 9, 0, tzinfo=EAST)
    reviews = replace(ACCEPTED, at_utc_ns=utc_ns_of(now) + ahead_ns)
    if passes:
        assert pass_gate(site, site.alarms.values(), reviews, now) == ()
    else:
        with pytest.raises(SafetyError, match=r"reviewed at=2026-12-24 09:10:00\+10:00: this is still to come"):
            pass_gate(site, site.alarms.values(), reviews, now)


def test_of_many_changes_the_first_are_told() -> None:
    """Another code for every alarm."""
    site = site_of(
        ("values: [code, 1]", "values: [code, 7]"),
        ("hazard: pressure", "hazard: p"),
        ("hazard: the cellar fills", "hazard: q"),
        ("900-901", "900-902"),
        ("side effects:\n", "side effects:\n  rings: {text: r, hazard: h, safeguard: s}\n"),
    )
    reviews = replace(ACCEPTED, binding=binding_of(site_of()), file="r.yaml")
    with pytest.raises(SafetyError) as caught:
        pass_gate(site, site.alarms.values(), reviews)
    told = str(caught.value).splitlines()[2]
    assert told.count("; side effect ") + told.count("; alarm ") == CHANGES_SHOWN_MAX - 1, told
    assert "; and 1 more; look at each side effect again" in told


def test_a_part_that_was_tampered_with_cannot_make_a_void_review_valid() -> None:
    """The parts only tell; the whole decides."""
    site = site_of(("hazard: pressure", "hazard: p"))
    reviews = replace(ACCEPTED, binding=replace(binding_of(site), whole=binding_of(site_of()).whole), file="r.yaml")
    with pytest.raises(SafetyError, match="what it was made for is not site=ashby as it is now"):
        pass_gate(site, site.alarms.values(), reviews)


def test_reading_reviews(tmp_path: Path) -> None:
    path = tmp_path / "reviews.yaml"
    path.write_text("reviewed by: Kim\nside effects:\n  stops-pump: isolated\n", encoding="utf-8")
    reviews = read_reviews(path)
    assert reviews == Reviews(by="Kim", decisions={"stops-pump": Decision.ISOLATED}, file="reviews.yaml")
    with pytest.raises(UsageError, match=r"cannot be read: .*; give the file in which the reviews are"):
        read_reviews(tmp_path / "none.yaml")
    path.write_text("reviewed by: Kim\nside effects: {stops-pump: acepted}\n", encoding="utf-8")
    with pytest.raises(SiteError, match=r"reviews.yaml:2: stops-pump=acepted: expected accepted"):
        read_reviews(path)
    assert issubclass(SiteError, FarendError)


@pytest.mark.parametrize("guided", [False, True])
def test_who_was_told_knows_of_it_for_as_long_as_alarms_are_held(guided: bool, tmp_path: Path) -> None:
    """Held for a stated time, however soon an output shows it."""
    site = site_of()
    items = plan_of(site, Selection(only=("a.high",)))
    usual = takes_ns(site, items, options(tmp_path, repeat=3, guided=guided))
    held = takes_ns(site, items, options(tmp_path, repeat=3, guided=guided, held_ns=(3600 * NS_PER_S, NS_PER_S)))
    assert held - usual >= 3600 * NS_PER_S * (1 if guided else 3)
