"""Foreign clocks of records: printed times and BACnet time stamps, as they come in, read and told."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from click.testing import CliRunner, Result

from harness.cli.clocks import command
from harness.core.errors import UsageError
from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.places import ObjectType
from harness.core.verdicts import ExitCode
from harness.links.bacnet_messages import NOTIFY_ACK, ClockRead, EventNotice, Stamp, encode
from harness.links.base import LinkState
from harness.links.mqtt_messages import Published
from harness.links.mqtt_messages import encode as encode_mqtt
from harness.record.header import HostClock
from harness.studies.clock_readings import number_since_1970, written_stamp
from harness.studies.local_clock import LocalClock
from tests.peers.records import SITE, STARTED_UTC_NS, RecordMaker

S, MS = NS_PER_S, NS_PER_MS
UTC_1 = LocalClock(utc_offset_s=3600)
BUILDING = """  building: {bacnet: "127.0.0.1:9", device: 7, listen on: 127.0.0.1/8:10, own device: 8, poll every: 1 s,
             timeout: 500 ms, longest delay: 200 ms}
defaults:"""


def printed(
    maker: RecordMaker, seconds: float, ahead_s: float, *, late_s: float = 0.1, text: str = "ON  A LOW"
) -> None:
    """A line that is written by a clock of the record's local time, so far ahead, and comes in later."""
    local_s = maker.started_utc_ns / S + maker.utc_offset_s + seconds + ahead_s
    moment = datetime(1970, 1, 1) + timedelta(seconds=local_s)  # noqa: DTZ001 - a foreign clock's local time
    maker.line(seconds + late_s, f"{moment:%d-%m %H:%M:%S} {text}")


def clocks(*arguments: object, own_error: str = "0 s") -> Result:
    """``own_error``: of the testing machine's clock, '' for what the record says."""
    if own_error and "--within" in arguments:
        arguments = (*arguments, "--own-error", own_error)
    return CliRunner().invoke(command, [str(it) for it in arguments], standalone_mode=False)


def told(*arguments: object) -> dict[str, dict[str, Any]]:
    """The clocks of the JSON, by link."""
    result = clocks(*arguments, "--json")
    assert result.exception is None, result.exception
    return {it["link"]: it for it in json.loads(result.output)["clocks"]}


def record(folder: Path, ahead_s: float, *, drift_ppm: float = 0.0, minutes: int = 60, text: str = SITE) -> Path:
    maker = RecordMaker(folder / "run.farend", seconds=minutes * 60, text=text)
    for number in range(1, minutes):
        at = 60 * number + 0.37 * number % 1
        printed(maker, at, ahead_s + drift_ppm * 1e-6 * at, text="ON  A LOW" if number % 2 else "OFF A LOW")
    return maker.close()


def test_a_printed_clock_that_is_ahead(tmp_path: Path) -> None:
    path = record(tmp_path, 42.3)
    (clock,) = told(path).values()
    low, high = clock["common_offset_ns"]
    assert low <= 42.3 * S <= high
    assert high - low <= 2 * S
    assert clock["kinds"][0]["step_ns"] == S
    assert clock["settings"] == []
    assert clocks(path, "--within", "45 s").return_value == ExitCode.UNKNOWN or high < 45 * S
    assert clocks(path, "--within", "40 s").return_value == ExitCode.FAILED
    assert clocks(path, "--within", "50 s").return_value == ExitCode.ALL_PASS
    assert clocks(path, "--within", "42.3 s").return_value == ExitCode.UNKNOWN


def test_a_printed_clock_that_runs_too_fast(tmp_path: Path) -> None:
    (clock,) = told(record(tmp_path, -3.0, drift_ppm=800)).values()
    assert clock["common_offset_ns"] is None
    (stretch,) = clock["stretches"]
    low, high = stretch["drift_ppm"]
    assert low <= 800
    assert high is None or high >= 800
    assert stretch["first_offset_ns"][0] <= -2.95 * S <= stretch["first_offset_ns"][1]


def test_a_clock_of_which_nothing_is_known_proves_nothing_of_another(tmp_path: Path) -> None:
    """The machine was not synchronised: its clock may be off by as much as the other one seems to be right."""
    maker = RecordMaker(tmp_path / "run.farend", seconds=600, host_clock=HostClock(
        synchronised=False, error_ns=None, source="adjtimex"))  # fmt: skip
    for number in range(1, 10):
        printed(maker, 60 * number + 0.37 * number % 1, 0.3)
    path = maker.close()
    for within in ("50 s", "10 ms"):
        result = clocks(path, "--within", within, own_error="")
        assert result.return_value == ExitCode.UNKNOWN
        assert "own clock was off is not known" in " ".join(result.output.split())
    assert clocks(path, "--within", "50 s", own_error="10 s").return_value == ExitCode.ALL_PASS
    assert clocks(path, "--within", "50 s", own_error="55 s").return_value == ExitCode.UNKNOWN
    assert clocks(path, "--within", "50 s", own_error="soon").exception is not None


def test_a_clock_is_not_proven_wrong_by_one_that_was_set_meanwhile(tmp_path: Path) -> None:
    """The machine's clock was set ahead by 30 s in the run: the printer, 30 s ahead of its times, may have been right
    from the first line on, or never.
    """
    for ahead_s, within, expected in (
        (30.0, "10 s", ExitCode.UNKNOWN),
        (0.0, "10 s", ExitCode.UNKNOWN),
        (0.0, "40 s", ExitCode.ALL_PASS),
        (90.0, "10 s", ExitCode.FAILED),
    ):
        maker = RecordMaker(
            tmp_path / f"{ahead_s:g}-{within}.farend",
            seconds=600,
            host_clock=HostClock(synchronised=True, error_ns=5 * MS, source="adjtimex"),
            set_ahead_s=30.0,
        )
        for number in range(1, 10):
            printed(maker, 60 * number + 0.37 * number % 1, ahead_s)
        path = maker.close()
        assert clocks(path, "--within", within, own_error="").return_value == expected
    document = json.loads(clocks(path, "--json").output)
    assert 30_005 * MS <= document["own_error_ns"] < 30_006 * MS
    assert clocks(path, "--within", "100 s", own_error="1 s").return_value == ExitCode.ALL_PASS


def test_a_clock_that_also_says_what_is_no_time_is_not_said_to_be_right(tmp_path: Path) -> None:
    """Set to the 31st of February for a while, and right before and after."""
    maker = RecordMaker(tmp_path / "run.farend", seconds=600)
    for number in range(1, 10):
        printed(maker, 60 * number + 0.37 * number % 1, 0.3)
    maker.line(301, "31-02 12:00:00 ON  A LOW")
    path = maker.close()
    (clock,) = told(path).values()
    assert clock["left_out"]["unread"] == 1
    assert clocks(path, "--within", "50 s").return_value == ExitCode.UNKNOWN


def test_the_screen_says_all_of_it_within_80_columns(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    result = clocks(record(tmp_path, 42.3), "--within", "40 s")
    assert result.return_value == ExitCode.FAILED
    assert max(len(line) for line in result.output.splitlines()) <= 80
    for words in (
        "log: 59 times",
        "59 times printed times, in steps of 1 s",
        "one offset",
        "s ahead",
        "1.5 s of the 1.8",
        "FAIL",
        "UTC+01:00",
    ):
        assert words in " ".join(result.output.split()), words
    every = clocks(tmp_path / "run.farend", "--all").output
    assert every.count("told 2026-11-25") == 59


def test_without_a_longest_delay_only_one_side_is_known(tmp_path: Path) -> None:
    path = record(
        tmp_path,
        42.3,
        text=SITE.replace("longest delay: 300 ms,", "").replace(
            "promises every change: yes", "promises every change: no"
        ),
    )
    (clock,) = told(path).values()
    low, high = clock["common_offset_ns"]
    assert low <= 42.3 * S
    assert high is None
    assert clocks(path, "--within", "40 s").return_value == ExitCode.FAILED
    assert clocks(path, "--within", "50 s").return_value == ExitCode.UNKNOWN
    assert "declare the longest delay of the link" in " ".join(clocks(path).output.split())


def test_what_waited_for_the_connection_says_one_side_only(tmp_path: Path) -> None:
    maker = RecordMaker(tmp_path / "run.farend", seconds=400)
    printed(maker, 10, 1.0)
    maker.writer.link_state("log", maker.at(20), LinkState.DOWN, "pulled")
    maker.writer.link_state("log", maker.at(300), LinkState.UP, "back")
    printed(maker, 30, 1.0, late_s=270.05, text="OFF A LOW")  # kept by the device server for 270 s
    (clock,) = told(maker.close()).values()
    low, high = clock["common_offset_ns"]
    assert low <= S <= high
    assert clock["settings"] == []


def test_a_line_that_is_sent_again_is_no_reading(tmp_path: Path) -> None:
    maker = RecordMaker(tmp_path / "run.farend", seconds=400)
    printed(maker, 10, 1.0)
    printed(maker, 10, 1.0, late_s=200)
    (clock,) = told(maker.close()).values()
    assert clock["times"] == 1
    assert clock["left_out"] == {"unread": 0, "twice": 0, "again": 1, "numbered": 0}


def test_a_change_to_daylight_saving_time(tmp_path: Path) -> None:
    """Without a zone an hour that explains itself, and no certain fail; with it, nothing at all was set."""
    started = datetime(2026, 10, 25, 0, 30, tzinfo=UTC)  # half an hour before it ends in Central Europe
    zone = ZoneInfo("Europe/Berlin")
    utc_ns = int(started.timestamp()) * S
    maker = RecordMaker(tmp_path / "run.farend", seconds=7200, utc_offset_s=7200, started_utc_ns=utc_ns)
    for number in range(1, 115):
        moment = (started + timedelta(seconds=60 * number + 2.4)).astimezone(zone)
        maker.line(60 * number + 0.1, f"{moment:%d-%m %H:%M:%S} {'ON ' if number % 2 else 'OFF'} A LOW")
    path = maker.close()
    (clock,) = told(path).values()
    (one,) = clock["settings"]
    assert one["daylight_saving"]
    assert one["by_ns"][0] <= -3600 * S <= one["by_ns"][1]
    assert maker.started_utc_ns + 1739 * S < one["at_ns"][0] < one["at_ns"][1] <= maker.started_utc_ns + 1801 * S
    assert clocks(path, "--within", "5 s").return_value == ExitCode.UNKNOWN
    assert "daylight-saving time explains the hour" in " ".join(clocks(path).output.split())
    (zoned,) = told(path, "--time-zone", "Europe/Berlin").values()
    assert zoned["settings"] == []
    # Of the repeated hour; those that are byte for byte as an hour before may be that line once more.
    assert zoned["left_out"] == {"unread": 0, "twice": 60, "again": 29, "numbered": 0}
    assert zoned["common_offset_ns"][0] <= 2.4 * S <= zoned["common_offset_ns"][1]
    assert clocks(path, "--within", "5 s", "--time-zone", "Europe/Berlin").return_value == ExitCode.ALL_PASS


def test_another_zone_is_named_as_a_likely_reason(tmp_path: Path) -> None:
    path = record(tmp_path, -3600.2)
    assert "another time zone" in " ".join(clocks(path).output.split())
    (clock,) = told(path, "--utc-offset", "+00:00").values()
    low, high = clock["common_offset_ns"]
    assert low <= -0.2 * S <= high


def test_several_records_are_one_clock(tmp_path: Path) -> None:
    """Two half hours a day apart bound a drift that neither does alone."""
    paths = []
    for day in range(2):
        maker = RecordMaker(
            tmp_path / f"day{day}.farend", seconds=1800, started_utc_ns=STARTED_UTC_NS + day * 86_400 * S
        )
        for number in range(1, 29):
            at = 60 * number + 0.37 * number % 1
            printed(maker, at, 5 + 100e-6 * (at + 86_400 * day), text="ON  A LOW" if number % 2 else "OFF A LOW")
        paths.append(maker.close())
    (alone,) = told(paths[0]).values()
    low, high = alone["stretches"][0]["drift_ppm"]
    assert high - low > 800
    (both,) = told(*paths).values()
    low, high = both["stretches"][0]["drift_ppm"]
    assert 80 < low <= 100 <= high < 120
    lines = [" ".join(it.split()) for it in clocks(*paths).output.splitlines()]
    (last,) = (it for it in lines if it.startswith("at 01:"))
    assert last.endswith(" s ahead, 2026-11-26"), "a time alone would not say which day"


@pytest.mark.parametrize(("follows", "expected"), [(True, ExitCode.ALL_PASS), (False, ExitCode.UNKNOWN)])
def test_each_record_has_the_time_that_the_machine_was_set_to_in_it(
    follows: bool,
    expected: ExitCode,
    tmp_path: Path,
) -> None:
    """The last day of summer time and the first after it: a clock that stays in it is an hour ahead then."""
    paths = []
    for day, offset_s in enumerate((7_200, 3_600)):
        started = STARTED_UTC_NS + day * 86_400 * S
        maker = RecordMaker(
            tmp_path / f"{day}.farend", seconds=1800, started_utc_ns=started, utc_offset_s=offset_s,
        )  # fmt: skip
        for number in range(1, 29):
            at = 60 * number + 0.37 * number % 1
            ahead_s = 0.2 if follows or day == 0 else 3_600.2
            printed(maker, at, ahead_s, text="ON  A LOW" if number % 2 else "OFF A LOW")
        paths.append(maker.close())
    result = clocks(*paths, "--within", "3 s")
    assert result.return_value == expected
    assert "their times are taken as UTC+02:00, UTC+01:00" in " ".join(result.output.split())
    (clock,) = told(*paths).values()
    assert [it["daylight_saving"] for it in clock["settings"]] == ([] if follows else [True])


def test_records_of_two_sites_are_refused(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    paths = record(tmp_path / "a", 0), record(tmp_path / "b", 0, text=SITE.replace("site: ashby", "site: other"))
    assert "records of different sites" in str(clocks(*paths).exception)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--link", "nowhere"), "--link nowhere: no such link; links are bms, log, door"),
        (("--time-zone", "Atlantis/Center"), "expected a name of the IANA time zone database"),
        (("--time-zone", "UTC", "--utc-offset", "+01:00"), "expected one of them"),
        (("--within", "soon"), "--within soon: "),
    ],
)
def test_what_is_asked_wrongly_is_said(tmp_path: Path, arguments: tuple[str, ...], message: str) -> None:
    found = clocks(record(tmp_path, 0, minutes=2), *arguments).exception
    assert isinstance(found, UsageError)
    assert message in str(found)


# --- BACnet ---------------------------------------------------------------------------------------


def stamp_of(moment: datetime, *, hundredths: int | None = None, dated: bool = True) -> Stamp:
    part = moment.microsecond // 10_000 if hundredths is None else hundredths
    date = (moment.year - 1900, moment.month, moment.day, moment.isoweekday()) if dated else None
    return Stamp(time=(moment.hour, moment.minute, moment.second, part), date=date)


@dataclass
class Notices:
    maker: RecordMaker
    off: timedelta
    hundredths: int | None = None
    dated: bool = True
    is_confirmed: bool = False

    def send(self, seconds: float, to_state: int, *, late_s: float = 0.05, notify_type: int = 0) -> None:
        utc = datetime.fromtimestamp(self.maker.started_utc_ns / S, tz=UTC) + timedelta(seconds=seconds)
        local = (utc + timedelta(seconds=self.maker.utc_offset_s) + self.off).replace(tzinfo=None)
        notice = EventNotice(
            object=(ObjectType.BINARY_INPUT, 3), process=1, invoke=9 if self.is_confirmed else None,
            notification_class=1, priority=100, event_type=1, notify_type=notify_type,
            stamp=stamp_of(local, hundredths=self.hundredths, dated=self.dated),
            ack_required=False, from_state=1 - to_state, to_state=to_state,
        )  # fmt: skip
        at = self.maker.at(seconds + late_s)
        self.maker.writer.message("building", at, at + 2 * MS, encode(notice))


def noticed(folder: Path, off_s: float, **options: object) -> Path:
    text = SITE.replace("defaults:", BUILDING)
    maker = RecordMaker(folder / "run.farend", seconds=1200, text=text, up=("bms", "log", "door", "building"))
    notices = Notices(maker, timedelta(seconds=off_s), **options)  # type: ignore[arg-type]
    for number in range(1, 19):
        notices.send(61.37 * number, number % 2)
    notices.send(100, 1, notify_type=NOTIFY_ACK)
    notices.send(61.37, 1, late_s=12.0)  # confirmed at last, and sent again until then
    return maker.close()


def test_time_stamps_of_events(tmp_path: Path) -> None:
    clock = told(noticed(tmp_path, -7.31))["building"]
    low, high = clock["common_offset_ns"]
    assert low <= -7.31 * S <= high
    assert high - low <= 0.25 * S
    assert clock["kinds"][0]["step_ns"] == 10 * MS
    assert (clock["times"], clock["kinds"][0]["name"]) == (18, "event time stamps")
    assert clock["left_out"] == {"unread": 0, "twice": 0, "again": 1, "numbered": 0}


def looked_at(maker: RecordMaker, seconds: float, off_s: float) -> None:
    """The clock is asked, 10 ms there and back."""
    utc = datetime.fromtimestamp(maker.started_utc_ns / S, tz=UTC) + timedelta(seconds=seconds + off_s)
    shown = (utc + timedelta(seconds=maker.utc_offset_s)).replace(tzinfo=None)
    at = maker.at(seconds)
    maker.writer.message("building", at - 5 * MS, at + 5 * MS, encode(ClockRead(stamp=stamp_of(shown))))


def events_told(
    folder: Path, events: Sequence[tuple[float, float]], *, asked: Sequence[float] = (), off_s: float = 0.0
) -> Path:
    """Confirmed events, each at so many seconds and so late; the clock is asked besides."""
    text = SITE.replace("defaults:", BUILDING)
    maker = RecordMaker(folder / "run.farend", seconds=1200, text=text, up=("bms", "log", "door", "building"))
    notices = Notices(maker, timedelta(seconds=off_s), is_confirmed=True)
    # What is told goes into a record in the order in which it came.
    order = [(seconds + late_s, number) for number, (seconds, late_s) in enumerate(events)]
    order += [(seconds, -1) for seconds in asked]
    for told_at, number in sorted(order):
        if number < 0:
            looked_at(maker, told_at, off_s)
        else:
            notices.send(events[number][0], number % 2, late_s=events[number][1])
    return maker.close()


KEPT = [(-240.0 + 5 * number, 243.0 - 4.99 * number) for number in range(40)]
"""Events of the 4 min before the record, all told within 0.4 s, 3 s after the device was connected to."""


def test_events_that_a_device_kept_prove_no_clock_wrong(tmp_path: Path) -> None:
    path = events_told(tmp_path, KEPT, asked=(0.5, 60.5, 120.5))
    clock = told(path, "--within", "2 s", "--link", "building")["building"]
    assert clock["within"] == "cannot be told"
    assert clock["settings"] == []
    assert (clock["times"], clock["late"]) == (43, 40)
    low, high = clock["common_offset_ns"]
    assert low <= 0 <= high
    assert high - low <= 30 * MS
    said = " ".join(clocks(path, "--link", "building").output.split())
    assert "40 events came later than was declared, by what the clock showed when it was asked" in said


def test_events_that_a_device_kept_prove_nothing_where_it_has_no_clock_to_ask(tmp_path: Path) -> None:
    """The 40 are told in one breath; one of 200 s later is prompt, and bounds the clock from both sides."""
    path = events_told(tmp_path, [*KEPT, (210.0, 0.05)])
    clock = told(path, "--within", "2 s", "--link", "building")["building"]
    assert clock["within"] == "cannot be told"
    assert clock["settings"] == []
    low, high = clock["common_offset_ns"]
    assert low <= 0 <= high
    assert high - low <= 250 * MS


def test_an_event_that_was_lost_at_first_is_late_and_sets_no_clock(tmp_path: Path) -> None:
    """Long after the connection, told 12 s late, where it was asked that the clock is right."""
    path = events_told(tmp_path, [(100, 0.05), (300, 12.0), (500, 0.05)], asked=(0.5, 60.5, 360.5, 660.5))
    clock = told(path, "--within", "2 s", "--link", "building")["building"]
    assert (clock["within"], clock["late"], clock["settings"]) == ("cannot be told", 1, [])


def test_events_that_a_device_kept_excuse_no_clock_that_is_ahead_or_was_asked(tmp_path: Path) -> None:
    """Nothing is stamped before it happened; and what was asked shows a clock that is behind, whatever waited."""
    for off_s, asked in ((30.0, ()), (-30.0, (0.5, 60.5))):
        (tmp_path / str(off_s)).mkdir()
        path = events_told(tmp_path / str(off_s), [*KEPT, (210.0, 0.05)], asked=asked, off_s=off_s)
        assert told(path, "--within", "2 s", "--link", "building")["building"]["within"] == "outside"


def test_a_link_that_tells_of_no_clock_is_named(tmp_path: Path) -> None:
    said = " ".join(clocks(noticed(tmp_path, 0.0), "--link", "bms").output.split())
    assert "bms tells of no foreign clock here; building does" in said


def test_hundredths_that_are_always_0_are_none(tmp_path: Path) -> None:
    clock = told(noticed(tmp_path, -7.31, hundredths=0))["building"]
    assert clock["kinds"][0]["step_ns"] == S
    low, high = clock["common_offset_ns"]
    assert low <= -7.31 * S <= high


def test_a_time_without_a_date_is_of_the_nearest_day(tmp_path: Path) -> None:
    """The record runs over midnight by the local clock, 9 min after it began."""
    path = noticed(tmp_path, -1500.0, dated=False)
    clock = told(path)["building"]
    assert clock["undated"] == 18
    assert "off by whole days more or less would look the same" in " ".join(clocks(path).output.split())
    low, high = clock["common_offset_ns"]
    assert low <= -1500 * S <= high


def test_a_clock_that_is_asked_is_known_from_both_sides(tmp_path: Path) -> None:
    """Every minute, 40 ms there and back; no longest delay has to be declared, and nothing is taken about midnight."""
    text = SITE.replace("defaults:", BUILDING).replace(", longest delay: 200 ms}", "}")
    maker = RecordMaker(tmp_path / "run.farend", seconds=1200, text=text, up=("bms", "log", "door", "building"))
    for number in range(19):
        seconds = 60.013 * number + 1
        utc = datetime.fromtimestamp(maker.started_utc_ns / S, tz=UTC) + timedelta(seconds=seconds + 12.34)
        shown = (utc + timedelta(seconds=maker.utc_offset_s)).replace(tzinfo=None)
        at = maker.at(seconds)
        maker.writer.message("building", at - 25 * MS, at + 15 * MS, encode(ClockRead(stamp=stamp_of(shown))))
    midnight = ClockRead(stamp=Stamp(time=(0, 0, 10, 0), date=(126, 11, 24, 2)))
    maker.writer.message("building", maker.at(1190), maker.at(1190), encode(midnight))
    path = maker.close()
    clock = told(path, "--link", "building")["building"]
    low, high = clock["common_offset_ns"]
    assert low <= 12.34 * S <= high
    assert high - low <= 50 * MS
    assert (clock["times"], clock["kinds"][0]["name"]) == (19, "its clock when asked")
    assert "the rest is the way there and back" in " ".join(clocks(path, "--link", "building").output.split())


def test_stamps_in_whole_seconds_beside_a_clock_that_shows_hundredths(tmp_path: Path) -> None:
    text = SITE.replace("defaults:", BUILDING)
    maker = RecordMaker(tmp_path / "run.farend", seconds=1200, text=text, up=("bms", "log", "door", "building"))
    notices = Notices(maker, timedelta(seconds=3.21), hundredths=0)
    for number in range(1, 19):
        notices.send(61.37 * number, number % 2)
        utc = datetime.fromtimestamp(maker.started_utc_ns / S, tz=UTC) + timedelta(seconds=61.37 * number + 5 + 3.21)
        shown = (utc + timedelta(seconds=maker.utc_offset_s)).replace(tzinfo=None)
        at = maker.at(61.37 * number + 5)
        maker.writer.message("building", at - 5 * MS, at + 5 * MS, encode(ClockRead(stamp=stamp_of(shown))))
    clock = told(maker.close())["building"]
    assert {it["name"]: it["step_ns"] for it in clock["kinds"]} == {
        "event time stamps": S, "its clock when asked": 10 * MS,
    }  # fmt: skip
    low, high = clock["common_offset_ns"]
    assert low <= 3.21 * S <= high
    assert clock["settings"] == []


@pytest.mark.parametrize(
    ("stamp", "written"),
    [
        (Stamp(time=(1, 2, 3, 4), date=(126, 11, 25, 3)), ("2026-11-25 00:02:03.04", 10 * MS)),
        (Stamp(time=(1, 2, 3, 255), date=(126, 11, 25, 255)), ("2026-11-25 00:02:03", S)),
        (Stamp(time=(1, 2, 255, 255), date=(126, 11, 25, 3)), ("2026-11-25 00:02:00", 60 * S)),
        (Stamp(time=(23, 59, 58, 0)), ("2026-11-24 22:59:58", 10 * MS)),
        (Stamp(time=(0, 59, 58, 0), date=(255, 255, 255, 255)), ("2026-11-24 23:59:58", 10 * MS)),
        (Stamp(time=(255, 2, 3, 4), date=(126, 11, 25, 3)), None),
        (Stamp(time=(1, 2, 3, 4), date=(126, 13, 25, 3)), None),
        (Stamp(time=(1, 2, 3, 100), date=(126, 11, 25, 3)), None),
        (Stamp(sequence=7), None),
    ],
)
def test_stamps_as_they_are_written(stamp: Stamp, written: tuple[str, int] | None) -> None:
    """ASHRAE 135, 20.2.12 and 20.2.13: 255 is unspecified. It is told at 00:51:07.482 by UTC+01:00."""
    found = written_stamp(stamp, STARTED_UTC_NS, UTC_1)
    if written is None:
        assert found is None
        return
    assert found is not None
    moment = datetime.fromisoformat(written[0]).replace(tzinfo=UTC)
    assert found.utc_ns == (round(moment.timestamp() * 100) * 10 * MS,)
    assert found.resolution_ns == written[1]


# --- MQTT -----------------------------------------------------------------------------------------

BROKER = """  broker: {mqtt: "127.0.0.1:9", time at: /made/at, longest delay: 500 ms}
defaults:"""


@pytest.mark.parametrize("form", ["iso", "seconds", "milliseconds"])
def test_times_in_messages(tmp_path: Path, form: str) -> None:
    """By a publisher 3.2 s behind; what was kept by the broker, or sent again, is not taken."""
    text = SITE.replace("defaults:", BROKER)
    maker = RecordMaker(tmp_path / "run.farend", seconds=1200, text=text, up=("bms", "log", "door", "broker"))

    def publish(number: int, *, late_s: float = 0.2, **flags: bool) -> None:
        seconds = 60 * number + 0.123 * number % 1
        utc_s = maker.started_utc_ns / S + seconds - 3.2
        made = {
            "iso": datetime.fromtimestamp(utc_s, tz=UTC).isoformat(timespec="milliseconds"),
            "seconds": int(utc_s),
            "milliseconds": int(utc_s * 1000),
        }[form]
        payload = json.dumps({"made": {"at": made}, "active": bool(number % 2)}).encode()
        at = maker.at(seconds + late_s)
        message = Published(topic="a/b", payload=payload, **flags)
        maker.writer.message("broker", at, at + 2 * MS, encode_mqtt(message))

    publish(0, late_s=30, retain=True)
    for number in range(1, 19):
        publish(number)
    publish(3, late_s=20, dup=True)
    clock = told(maker.close())["broker"]
    low, high = clock["common_offset_ns"]
    assert low <= -3.2 * S <= high
    assert clock["kinds"] == [
        {"name": "times in messages", "times": 18, "step_ns": S if form == "seconds" else MS,
         "widest_ns": clock["kinds"][0]["widest_ns"]}
    ]  # fmt: skip
    assert clock["left_out"]["again"] == 1


@pytest.mark.parametrize(
    ("text", "utc", "step"),
    [
        ("1795564267", "2026-11-24 23:51:07", S),
        ("1795564267.25", "2026-11-24 23:51:07.25", S // 100),
        ("1795564267250", "2026-11-24 23:51:07.25", MS),
        ("1795564267250000", "2026-11-24 23:51:07.25", 1_000),
        ("1795564267250000000", "2026-11-24 23:51:07.25", 1),
    ],
)
def test_numbers_since_1970(text: str, utc: str, step: int) -> None:
    moment = datetime.fromisoformat(utc).replace(tzinfo=UTC)
    found = number_since_1970(Decimal(text))
    assert found is not None
    assert found.utc_ns == (round(moment.timestamp() * 100) * 10 * MS,)
    assert found.resolution_ns == step
    assert number_since_1970(Decimal(-1)) is None


FIRST, LAST = "0001-01-01T00:00:00", "9999-12-31T23:59:59"


@pytest.mark.parametrize("made", [f"{FIRST}+14:00", f"{LAST}-14:00", FIRST, LAST, 1e300, 0, "soon", True, None])
@pytest.mark.parametrize("zone", ["", "Europe/Berlin"])
def test_no_time_that_a_device_may_send_breaks_anything(tmp_path: Path, made: object, zone: str) -> None:
    """1970-01-01 is 57 years ago, which a clock may be off by; nothing else of these is a time."""
    text = SITE.replace("defaults:", BROKER)
    maker = RecordMaker(tmp_path / "run.farend", seconds=10, text=text, up=("bms", "log", "door", "broker"))
    payload = json.dumps({"made": {"at": made}}).encode()
    maker.writer.message("broker", maker.at(5), maker.at(5), encode_mqtt(Published(topic="a/b", payload=payload)))
    path = maker.close()
    found = told(path, *(("--time-zone", zone) if zone else ()))
    assert sum(it["times"] for it in found.values()) == (1 if made == 0 and made is not False else 0)
    assert clocks(path).exception is None


# --- what local times may be ----------------------------------------------------------------------


def local_ns(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * S


@pytest.mark.parametrize(
    ("local", "utc"),
    [
        ("2026-03-29 01:59:59", ["2026-03-29 00:59:59"]),
        ("2026-03-29 02:30:00", ["2026-03-29 01:30:00"]),  # left out by the zone: of a clock that was not set yet
        ("2026-03-29 03:00:00", ["2026-03-29 01:00:00"]),
        ("2026-10-25 01:59:59", ["2026-10-24 23:59:59"]),
        ("2026-10-25 02:30:00", ["2026-10-25 00:30:00", "2026-10-25 01:30:00"]),
        ("2026-10-25 03:00:00", ["2026-10-25 02:00:00"]),
    ],
)
def test_local_times_of_a_zone(local: str, utc: list[str]) -> None:
    """Central Europe goes to daylight-saving time at 01:00 UTC on the last Sundays of March and October."""
    found = LocalClock.of_zone("Europe/Berlin").utc_of(local_ns(local))
    assert found == tuple(local_ns(it) for it in utc)


@pytest.mark.parametrize(
    ("text", "form", "utc"),
    [
        ("24-11 23:52:00", "%d-%m %H:%M:%S", "2026-11-24 22:52:00"),
        ("23:52", "%H:%M", "2026-11-24 22:52:00"),
        ("2026-11-25T00:52:00+02:00", "", "2026-11-24 22:52:00"),
        ("2026-11-25 00:52:00 -0100", "%Y-%m-%d %H:%M:%S %z", "2026-11-25 01:52:00"),
        ("2026-11-25 00:52:00", "", "2026-11-24 23:52:00"),
    ],
)
@pytest.mark.parametrize("clock", [UTC_1, LocalClock.of_zone("Europe/Berlin")], ids=lambda it: it.words)
def test_texts_of_local_times(text: str, form: str, utc: str, clock: LocalClock) -> None:
    found = clock.read(text, form, STARTED_UTC_NS)
    assert found is not None
    assert found.utc_ns == (local_ns(utc),)
    assert clock.read("no time", form, STARTED_UTC_NS) is None


def test_other_lines_with_a_time_bound_one_side(tmp_path: Path) -> None:
    """A heartbeat says how far the clock is behind at most, however seldom an alarm is printed."""
    other = "alarm history: {other lines: '(?P<time>[-0-9]+ [:0-9]+) LINE OK'}\nalarms:"
    maker = RecordMaker(tmp_path / "run.farend", seconds=600, text=SITE.replace("alarms:", other, 1))
    printed(maker, 10, -2.75, late_s=0.28)
    for number in range(1, 50):
        printed(maker, 11.03 * number, -2.75, late_s=0.02, text="LINE OK")
    (clock,) = told(maker.close()).values()
    assert clock["times"] == 50
    low, high = clock["common_offset_ns"]
    assert -3.3 * S <= low <= -2.75 * S <= high
    alone = -2.75 * S - 0.7 * S  # what the one alarm says of that side, at the least
    assert low > alone


def test_what_else_would_look_like_a_clock_that_was_set_is_said(tmp_path: Path) -> None:
    (tmp_path / "fast").mkdir()
    fast = record(tmp_path / "fast", 0, drift_ppm=5_000)
    assert len(told(fast)["log"]["settings"]) > 2
    assert "drifts by more than 1000 ppm would look as if it had been set so often" in " ".join(
        clocks(fast).output.split()
    )
    (clock,) = told(fast, "--drift-max", 6_000).values()
    assert clock["settings"] == []
    low, high = clock["stretches"][0]["drift_ppm"]
    assert low <= 5_000 <= high
    maker = RecordMaker(tmp_path / "run.farend", seconds=400)
    for number in range(1, 30):
        printed(
            maker, 11.03 * number, 1.0, late_s=4.0 if number == 15 else 0.1, text=f"{('ON ', 'OFF')[number % 2]} A LOW"
        )
    path = maker.close()
    (clock,) = told(path).values()
    assert len(clock["settings"]) == len(clock["unexplained"]) == 1
    flat = " ".join(clocks(path).output.split())
    assert "1 time fits neither side of a setting: told later than was declared" in flat
    assert "later than the longest delay would look as if the clock had been set back" in flat
