"""Alarm rates of records: what is counted, over what time, and how it is told."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from harness.cli.rates import command
from harness.core.errors import UsageError
from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.model import Step
from harness.core.places import ObjectType
from harness.core.verdicts import ExitCode
from harness.links.bacnet_messages import Reporting, encode
from harness.links.base import LinkState
from harness.measure.alarm_rates import RateLimits
from harness.report.rates_document import HELD_AGAINST
from harness.site.reading import read_site
from harness.studies.counted_points import counted_points
from tests.peers.records import SITE, STARTED_UTC_NS, RecordMaker

S, MS = NS_PER_S, NS_PER_MS
HOUR_S = 3_600


def rates(*arguments: object) -> Result:
    return CliRunner().invoke(command, [str(it) for it in arguments], standalone_mode=False)


def told(*arguments: object) -> dict[str, Any]:
    result = rates(*arguments, "--json")
    assert result.exception is None, result.exception
    found: dict[str, Any] = json.loads(result.output)
    return found


def flood(maker: RecordMaker, begins: float, apart: float, count: int) -> None:
    """Activations of 5 s each, of three alarms in turn."""
    for number in range(count):
        at = begins + apart * number + 0.05  # between two polls, so that each is known to within 109 ms
        maker.shows(("a.high-high", "a.high", "b.leak")[number % 3], at, at + 5)


@pytest.fixture(scope="module")
def soak(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two hours: one alarm that was on before, a flood, one that chatters, and 5 minutes in which nobody looked."""
    maker = RecordMaker(tmp_path_factory.mktemp("soak") / "soak.farend", seconds=2 * HOUR_S)
    maker.shows("a.low", -100, 30)
    flood(maker, 1_800, 40, 15)
    for at in (5_000, 5_010, 5_020, 5_100):
        maker.shows("a.low", at + 0.05, at + 2)
    maker.writer.link_state("bms", maker.at(6_300), LinkState.DOWN, "pulled")
    maker.writer.link_state("bms", maker.at(6_600), LinkState.UP, "back")
    return maker.close()


def test_a_soak(soak: Path) -> None:
    found = told(soak)
    assert found["activations"] == [19, 19]
    assert found["on_before"] == ["a.low"]
    assert found["observed_ns"] == 6_900 * S
    assert found["windows_observed"] == 11  # of 12; nobody looked in the second half of one
    assert found["floods"] == [1, 1]
    (one,) = found["records"][0]["floods"]
    begin = found["records"][0]["begin_ns"]
    # The eleventh came 1,800 + 400 s after the start; four were left 10 min after the eleventh.
    assert one["begin_ns"] - begin <= 2_200.05 * S <= one["surely_ns"][0][0] - begin
    assert one["surely_ns"][0][1] - begin <= 2_800.05 * S <= one["end_ns"] - begin
    assert one["end_ns"] - one["begin_ns"] <= 600.4 * S
    assert found["most_in_any_window"] == [15, 15]
    (chattering,) = found["chattering"]
    assert chattering == {"alarm": "a.low", "activations": [4, 4], "most": [3, 3]}
    assert found["fleeting"] == [19, 19]
    assert found["stale"] == {"a.low": [0, 1]}
    assert {it["alarm"]: it["activations"] for it in found["contributors"]} == {
        "a.high-high": [5, 5], "a.high": [5, 5], "b.leak": [5, 5], "a.low": [4, 4],
    }  # fmt: skip
    assert found["priorities"] == {"alarm": [19, 19]}
    assert rates(soak).return_value == ExitCode.ALL_PASS


def test_the_screen_fits_80_columns(soak: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    output = rates(soak).output
    assert max(len(line) for line in output.splitlines()) <= 80
    flat = " ".join(output.split())
    for words in (
        "counted: 4 points, for each alarm its reference point, else one of its rows",
        "observed: 1 h 55 min of 2 h 00 min; 300 s blind (bms), not counted as time",
        "activations 19, 9.9 an hour",
        "on before 1, not counted: a.low",
        "floods 1, ",
        "chattering 1 alarm with 3 or more in 1 min a.low: up to 3 in 1 min, 4 in all",
        "fleeting 19 cleared by themselves",
        "stale 0 to 1 alarms active for longer than 24 h a.low (on before; nobody knows since when)",
        "top 10 of 4 alarms that became active, 100 % of all a.high: 5 (26.31 %)",
        "from memory",
        "what one operator is shown",
        "ISA-18.2-2016 dropped that figure",
    ):
        assert words in flat, words


def test_other_limits_are_taken(soak: Path) -> None:
    found = told(soak, "--window", "5 min", "--flood-above", 20, "--chatter", 4, "--chatter-in", "2 min",
                 "--fleeting", "3 s", "--stale", "1 s")  # fmt: skip
    assert found["floods"] == [0, 0]
    assert [it["alarm"] for it in found["chattering"]] == ["a.low"]
    assert found["fleeting"] == [4, 4]
    assert found["stale"]["a.high"] == [5, 5]
    assert found["windows_observed"] == 23


def test_what_the_printer_showed(tmp_path: Path) -> None:
    """Its lines may come 300 ms late, so their windows are no sharper than that."""
    maker = RecordMaker(tmp_path / "run.farend", seconds=1_300)
    for at in (20, 40, 600.1):
        maker.line(at, "25-11 00:51:12 ON  A LOW")
        maker.line(at + 10, "25-11 00:51:22 OFF A LOW")
    found = told(maker.close(), "--link", "log")
    assert found["activations"] == [3, 3]
    assert found["records"][0]["points"] == ["low-printed"]
    windows = [it["activations"] for it in found["records"][0]["windows"]]
    assert windows == [[2, 3], [0, 1], [0, 0]]
    assert found["chosen"] == "one point of log for each alarm"


def test_points_that_are_asked_for_count_by_themselves(soak: Path) -> None:
    found = told(soak, "--point", "h*")
    assert {it["alarm"]: it["activations"] for it in found["contributors"]} == {"hh": [5, 5], "high": [5, 5]}
    assert found["chosen"] == "points that fit h*, each by itself"


def test_what_a_test_raised_is_said_and_what_it_cleared_did_not_clear_by_itself(tmp_path: Path) -> None:
    maker = RecordMaker(tmp_path / "run.farend", seconds=60)
    maker.stimulus("0001", "a.high-high", 5, 10)
    path = maker.close()
    found = told(path)
    assert found["records"][0]["raised"] == 1
    assert (found["activations"], found["fleeting"]) == ([1, 1], [0, 0])
    assert "a test raised 1 alarm in it: these are rates of that test" in " ".join(rates(path).output.split())


def test_what_ends_by_itself_and_is_acknowledged_only_then_is_fleeting(tmp_path: Path) -> None:
    """Of b.leak the site file says that it lasts 2 s: no clear is ordered, and the acknowledgement comes too late."""
    maker = RecordMaker(tmp_path / "run.farend", seconds=60)
    for number, acknowledged in enumerate((3.0, 2.25, 1.0, None)):
        raised = 5.0 + 12 * number
        maker.step(f"000{number}", "b.leak", Step.RAISE, raised)
        maker.shows("b.leak", raised + 0.25, raised + 2.25)
        if acknowledged is not None:
            maker.step(f"000{number}", "b.leak", Step.ACKNOWLEDGE, raised + acknowledged)
    path = maker.close()
    found = told(path)
    # The second is shown to end within the poll in which it is acknowledged, and had ended by itself before.
    assert (found["activations"], found["fleeting"], found["fleeting_acted_on"]) == ([4, 4], [3, 3], [1, 1])
    text = " ".join(rates(path).output.split())
    assert "fleeting 3 cleared by themselves in at most 1 min; not counted: 1 acknowledged, silenced, reset" in text


def test_an_acknowledgement_about_when_it_ended_leaves_open_whether_it_cleared_by_itself(tmp_path: Path) -> None:
    """Of a.low nobody says that it ends by itself: it went within the poll in which it was acknowledged."""
    maker = RecordMaker(tmp_path / "run.farend", seconds=60)
    maker.step("0001", "a.low", Step.RAISE, 5)
    maker.shows("a.low", 5.2, 10.05)
    maker.step("0001", "a.low", Step.ACKNOWLEDGE, 10.05)
    found = told(maker.close())
    assert (found["fleeting"], found["fleeting_acted_on"]) == ([0, 1], [0, 1])


def test_a_clear_that_is_ordered_is_an_action_and_is_said(tmp_path: Path) -> None:
    maker = RecordMaker(tmp_path / "run.farend", seconds=60)
    maker.stimulus("0001", "b.leak", 5, 6)  # before its 2 s are over
    maker.stimulus("0002", "a.low", 15, 20)
    maker.shows("a.high", 59, 70)
    path = maker.close()
    found = told(path)
    assert (found["fleeting"], found["fleeting_acted_on"], found["fleeting_unfinished"]) == ([0, 0], [2, 2], 1)
    text = " ".join(rates(path).output.split())
    assert "not counted: 2 acknowledged, silenced, reset or cleared meanwhile, 1 still active at the end" in text


def test_a_point_that_is_held_until_somebody_acknowledges_does_not_clear_by_itself(tmp_path: Path) -> None:
    text = SITE.replace("address: 3, behaviour: follows", "address: 3, behaviour: until-acknowledged")
    maker = RecordMaker(tmp_path / "run.farend", seconds=60, text=text)
    maker.step("0001", "b.leak", Step.RAISE, 5)
    maker.step("0001", "b.leak", Step.ACKNOWLEDGE, 10)
    maker.shows("b.leak", 5.2, 10.2)
    found = told(maker.close(), "--link", "bms")
    assert (found["held"], found["fleeting"], found["fleeting_acted_on"]) == (["leak"], [0, 0], [1, 1])


def test_points_that_hold_their_alarm_are_said_to_hide_what_comes_meanwhile(tmp_path: Path) -> None:
    text = SITE.replace("address: 2, behaviour: follows", "address: 2, behaviour: until-acknowledged")
    path = RecordMaker(tmp_path / "run.farend", seconds=60, text=text).close()
    assert told(path, "--link", "bms")["held"] == ["low"]
    assert "1 of them hold an alarm until somebody releases it" in rates(path, "--link", "bms").output


def test_several_records_add_up(soak: Path, tmp_path: Path) -> None:
    maker = RecordMaker(tmp_path / "more.farend", seconds=HOUR_S, started_utc_ns=STARTED_UTC_NS + 2 * HOUR_S * S)
    maker.shows("a.low", 100.05, 200)
    path = maker.close()
    found = told(soak, path)
    assert found["activations"] == [20, 20]
    assert found["observed_ns"] == (6_900 + HOUR_S) * S
    assert [it["record"] for it in found["records"]] == ["soak.farend", "more.farend"]
    assert found["windows_observed"] == 17
    low = next(it for it in found["contributors"] if it["alarm"] == "a.low")
    assert low == {"alarm": "a.low", "activations": [5, 5], "most": [3, 3]}


def test_what_began_while_nobody_looked_is_no_rate_of_the_time_in_which_somebody_did(tmp_path: Path) -> None:
    """Each alarm is on once the link is back, after hours without it: it may have begun at any time meanwhile."""
    maker = RecordMaker(tmp_path / "r.farend", seconds=3 * HOUR_S)
    for number in range(4):
        at = 600 + 1_800 * number
        maker.writer.link_state("bms", maker.at(at), LinkState.DOWN, "pulled")
        maker.writer.link_state("bms", maker.at(at + 1_500), LinkState.UP, "back")
        maker.shows("a.low", at + 700, at + 1_600)
        maker.hides(at, at + 1_500)
    path = maker.close()
    assert told(path)["activations"] == [4, 4]
    text = " ".join(rates(path).output.split())
    assert "activations 4, 0.0 to 3.0 an hour, 0.0 to 72.0 a day" in text


def test_a_record_that_is_named_twice_does_not_count_twice(soak: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.farend"
    copy.write_bytes(soak.read_bytes())
    result = rates(soak, copy)
    assert isinstance(result.exception, UsageError)
    assert "the same record" in str(result.exception)


@pytest.mark.parametrize("begins_s", [-1_800, 0, 1_800])
def test_two_records_of_the_same_time_do_not_count_twice(soak: Path, begins_s: int, tmp_path: Path) -> None:
    """As two machines make them that watch one site; but what seems to overlap since a clock was set back may be."""
    started = STARTED_UTC_NS + begins_s * S
    also = RecordMaker(tmp_path / "also.farend", seconds=HOUR_S, started_utc_ns=started).close()
    for paths in ((soak, also), (also, soak)):
        result = rates(*paths)
        assert isinstance(result.exception, UsageError)
        assert "both show a.high and 3 more, which would count twice" in str(result.exception)
    after = STARTED_UTC_NS + (2 * HOUR_S - 5) * S
    more = RecordMaker(tmp_path / "more.farend", seconds=HOUR_S, started_utc_ns=after).close()
    assert told(soak, more)["observed_ns"] == (6_900 + HOUR_S) * S


def test_a_link_that_was_never_up_is_unknown(tmp_path: Path) -> None:
    path = RecordMaker(tmp_path / "run.farend", seconds=60, up=("bms",)).close()
    assert rates(path, "--link", "log").return_value == ExitCode.UNKNOWN
    assert "never observed: 1 alarm: a.low" in rates(path, "--link", "log").output


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--link", "nowhere"), "--link nowhere: no such link"),
        (("--point", "zz*"), "--point zz*: fits no point"),
        (("--flood-above", "2"), "flood_below=5: expected at most 3"),
        (("--window", "soon"), "--window soon: "),
    ],
)
def test_what_is_asked_wrongly_is_said(soak: Path, arguments: tuple[str, ...], message: str) -> None:
    found = rates(soak, *arguments).exception
    assert isinstance(found, UsageError)
    assert message in str(found)


def test_which_points_are_counted() -> None:
    """A reference point goes first, then one that follows its alarm; what is shared, and what a person says, is not."""
    text = SITE.replace("a.low: {text: A LOW,", "a.low: {text: A LOW, reference: low-ref, ").replace(
        "points:",
        """points:
  - {alarm: a.high, link: bms, table: discrete-input, address: 7, behaviour: latched, point: high-latched}
  - {alarm: a.high-high, link: bms, table: discrete-input, address: 6, behaviour: follows, point: common}
  - {alarm: a.high, link: bms, table: discrete-input, address: 6, behaviour: follows, point: common}
  - {alarm: b.leak, link: bms, table: discrete-input, address: 5, behaviour: quiet, point: low-ref}""",
    )
    site = read_site({"site.yaml": text.encode()}, "site.yaml")[0]
    found = counted_points(site, "", ())
    assert found.candidates == {
        "a.high-high": ["hh"],
        "a.high": ["high", "high-latched"],
        "a.low": ["low-ref", "low", "low-printed"],
        "b.leak": ["leak"],
    }
    assert found.shared == ("common",)
    assert found.held == {"high-latched"}
    assert counted_points(site, "log", ()).candidates == {"a.low": ["low-printed"]}


def test_what_a_device_sends_to_nobody_is_not_observed(tmp_path: Path) -> None:
    text = SITE.replace(
        "defaults:",
        """  building: {bacnet: "127.0.0.1:9", device: 7, listen on: 127.0.0.1/8:10, own device: 8, poll every: 1 s,
             timeout: 500 ms}
defaults:""",
    ).replace(
        "points:",
        """points:
  - {alarm: a.low, link: building, object: binary-input 3, arrives by: event, behaviour: follows, point: low-event}""",
    )
    maker = RecordMaker(tmp_path / "run.farend", seconds=60, text=text, up=("bms", "log", "door", "building"))
    says = Reporting(object=(ObjectType.BINARY_INPUT, 3), is_recipient=False, why="farend is not in its Recipient_List")
    maker.writer.message("building", maker.at(1), maker.at(1), encode(says))
    path = maker.close()
    assert rates(path, "--link", "building").return_value == ExitCode.UNKNOWN
    assert told(path, "--link", "building")["records"][0]["unobserved"] == ["a.low"]


def test_the_limits_that_are_told_are_those_that_are_taken() -> None:
    """What is printed of the defaults, and of where they come from, is what counts if nothing else is asked for."""
    limits, text = RateLimits(), HELD_AGAINST[0]
    assert (
        f"above {limits.flood_above} in {limits.window_ns // (60 * S)} min and ends below {limits.flood_below}" in text
    )
    assert f"chatters with {limits.chatter_least} in {limits.chatter_ns // (60 * S)} min" in text
    assert f"stale after {limits.stale_ns // (3600 * S)} h" in text
    assert f"fleeting up to {limits.fleeting_ns // (60 * S)} min" in text
    options = {it.name: it.default for it in command.params}
    taken = (options["flood_above"], options["flood_below"], options["chatter"], options["window"], options["stale"])
    assert taken == (limits.flood_above, limits.flood_below, limits.chatter_least, "10 min", "24 h")
