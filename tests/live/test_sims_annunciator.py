"""The simulated annunciator: its lamp, horn and display, its buttons, and how each of them can be broken."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from typing import Any

import pytest

from sims import SimulatedSite, SiteOptions
from sims.alarm_states import AlarmState
from sims.annunciator import CLIENTS_MAX
from sims.controller import Action
from sims.durations import NS_PER_MS
from sims.truth import changes, shown

DEADLINE_S = 60.0
QUIET = {"LAMP": "OFF", "HORN": "OFF", "SHOWS": "-"}


class Face:
    """What somebody who stands before it sees and hears."""

    def __init__(self, site: SimulatedSite, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.site = site
        self.writer = writer
        self.now: dict[str, str] = {}
        self.lines: list[str] = []
        self._reader = reader

    async def until(self, **wanted: str) -> None:
        """Look until the face shows all that is wanted."""
        while not wanted.items() <= self.now.items():
            line = (await self._reader.readuntil(b"\r\n")).decode("ascii").removesuffix("\r\n")
            self.lines.append(line)
            what, _, value = line.partition(" ")
            self.now[what] = value

    def press(self, button: str) -> None:
        self.writer.write(f"{button}\r\n".encode("ascii"))

    async def do(self, name: str, action: Action) -> None:
        self.site.command(name, action)

    async def until_panel(self, name: str, value: int) -> None:
        """Wait until the controller itself has come that far."""
        await self.site.until(
            lambda: bool(seen := changes(self.site.truth.entries, "panel", name)) and seen[-1][0] == value
        )


@contextlib.asynccontextmanager
async def watching(*defects: str, **options: Any) -> AsyncIterator[Face]:
    settings = SiteOptions(defects=defects, **({"annunciator_delay_ns": 10 * NS_PER_MS} | options))
    async with asyncio.timeout(DEADLINE_S), SimulatedSite(settings) as site:
        reader, writer = await asyncio.open_connection("127.0.0.1", site.annunciator_port)
        face = Face(site, reader, writer)
        try:
            yield face
        finally:
            writer.close()


async def test_one_alarm_from_raise_to_normal() -> None:
    async with watching() as face:
        await face.until(**QUIET)
        await face.do("bulk-a.high", Action.RAISE)
        await face.until(LAMP="ON", HORN="ON", SHOWS="BULK A HIGH")
        face.press("silence")
        await face.until(HORN="OFF")
        assert face.now == {"LAMP": "ON", "HORN": "OFF", "SHOWS": "BULK A HIGH"}
        face.press("acknowledge")
        await face.site.until(lambda: face.site.controller.state("bulk-a.high") is AlarmState.ACKED)
        await face.do("bulk-a.high", Action.CLEAR)
        await face.until(**QUIET)
        entries = face.site.truth.entries
    assert [(e["action"], e["by"]) for e in entries if e["kind"] == "stimulus"] == [
        ("raise", "test block"),
        ("silence", "annunciator"),
        ("acknowledge", "annunciator"),
        ("clear", "test block"),
    ]
    assert [value for value, _ in changes(entries, "annunciator", "lamp")] == [1, 0]
    assert [value for value, _ in changes(entries, "annunciator", "horn")] == [1, 0]
    assert [value for value, _ in changes(entries, "annunciator.display", "bulk-a.high")] == [1, 0]


async def test_the_lamp_stays_on_until_it_is_acknowledged_or_reset() -> None:
    async with watching() as face:
        for button in ("acknowledge", "reset"):
            await face.do("day.low", Action.RAISE)
            await face.until(LAMP="ON", SHOWS="DAY LOW")
            await face.do("day.low", Action.CLEAR)
            await face.until(SHOWS="-", HORN="OFF")
            assert face.now["LAMP"] == "ON"
            face.press(button)
            await face.until(**QUIET)


async def test_a_new_alarm_sounds_the_horn_again_and_takes_the_display() -> None:
    async with watching() as face:
        await face.do("day.low", Action.RAISE)
        await face.until(HORN="ON", SHOWS="DAY LOW")
        face.press("SILENCE")
        await face.until(HORN="OFF")
        await face.do("sump-a.leak", Action.RAISE)
        await face.until(HORN="ON", SHOWS="SUMP A LEAK")
        await face.do("sump-a.leak", Action.CLEAR)
        await face.until(SHOWS="DAY LOW")
        entries = face.site.truth.entries
    assert len(shown(entries, "annunciator.display", "day.low")) == 2
    assert len(shown(entries, "annunciator.display", "sump-a.leak")) == 1


async def test_a_warning_shows_nothing() -> None:
    async with watching() as face:
        await face.do("panel.battery-low", Action.RAISE)
        await face.until_panel("panel.battery-low", 1)
        await face.do("day.low", Action.RAISE)
        await face.until(SHOWS="DAY LOW")
        assert face.lines == ["LAMP OFF", "HORN OFF", "SHOWS -", "LAMP ON", "HORN ON", "SHOWS DAY LOW"]


async def test_whoever_comes_later_sees_the_face_as_it_is() -> None:
    async with watching() as face:
        await face.do("day.low", Action.RAISE)
        await face.until(LAMP="ON")
        reader, writer = await asyncio.open_connection("127.0.0.1", face.site.annunciator_port)
        assert [await reader.readline() for _ in range(3)] == [b"LAMP ON\r\n", b"HORN ON\r\n", b"SHOWS DAY LOW\r\n"]
        writer.close()


@pytest.mark.parametrize("sent", [b"knock\n", b"\n", b"\xff\xfe\n", b"raise 1\r\n"])
async def test_what_is_no_button_does_nothing(sent: bytes) -> None:
    async with watching() as face:
        face.writer.write(sent)
        await face.site.until(lambda: any(e.get("what") == "no-button" for e in face.site.truth.entries))
        assert not [e for e in face.site.truth.entries if e["kind"] == "stimulus"]


async def test_a_line_without_an_end_is_no_finger() -> None:
    async with watching() as face:
        reader, writer = await asyncio.open_connection("127.0.0.1", face.site.annunciator_port)
        writer.write(b"x" * 1000)
        with contextlib.suppress(ConnectionError):
            while await reader.read(100):
                pass
        writer.close()
        await face.do("day.low", Action.RAISE)
        await face.until(LAMP="ON")


async def test_not_more_than_so_many_stand_before_it() -> None:
    async with watching() as face:
        others = [
            await asyncio.open_connection("127.0.0.1", face.site.annunciator_port) for _ in range(CLIENTS_MAX - 1)
        ]
        for reader, _ in others:
            await reader.readline()
        reader, writer = await asyncio.open_connection("127.0.0.1", face.site.annunciator_port)
        with contextlib.suppress(ConnectionError):
            assert await reader.read() == b""
        for _, each in (*others, (reader, writer)):
            each.close()


async def test_the_test_block_knows_nothing_of_buttons() -> None:
    """Its counter counts writes to it: whoever checks that his write was taken must not be misled."""
    async with watching() as face:
        await face.do("day.low", Action.RAISE)
        await face.until(HORN="ON")
        face.press("silence")
        await face.until(HORN="OFF")
        await face.do("day.low", Action.CLEAR)
        counts = [e["count"] for e in face.site.truth.entries if e["kind"] == "stimulus"]
    assert counts == [1, None, 2]


# --- every defect does what it says ---------------------------------------------------------------------------------


async def test_dead_lamp() -> None:
    async with watching("never-appears:lamp@annunciator") as face:
        await face.do("day.low", Action.RAISE)
        await face.until(HORN="ON", SHOWS="DAY LOW")
        assert face.now["LAMP"] == "OFF"
        assert changes(face.site.truth.entries, "annunciator", "lamp") == []


async def test_dead_horn_and_display() -> None:
    async with watching("never-appears:horn@annunciator", "never-appears:day.low@annunciator.display") as face:
        await face.do("day.low", Action.RAISE)
        await face.until(LAMP="ON")
        assert face.now == {"LAMP": "ON", "HORN": "OFF", "SHOWS": "-"}


@pytest.mark.parametrize("place", ["annunciator", "bms.horn"])
async def test_horn_that_is_not_silenced(place: str) -> None:
    async with watching(f"not-silenced@{place}", output_delay_ns=0) as face:
        await face.do("day.low", Action.RAISE)
        await face.until(HORN="ON")
        await face.site.until(lambda: bool(changes(face.site.truth.entries, "bms.horn", "horn")))
        face.press("silence")
        other = "bms.horn" if place == "annunciator" else "annunciator"
        await face.site.until(lambda: len(changes(face.site.truth.entries, other, "horn")) == 2)
        assert [value for value, _ in changes(face.site.truth.entries, place, "horn")] == [1]
        face.press("acknowledge")
        await face.site.until(lambda: len(changes(face.site.truth.entries, place, "horn")) == 2)


async def test_display_of_another_alarm() -> None:
    async with watching("wrong-bit:day.low@annunciator.display=sump-b.leak") as face:
        await face.do("day.low", Action.RAISE)
        await face.until(LAMP="ON", SHOWS="SUMP B LEAK")
        assert shown(face.site.truth.entries, "annunciator.display", "day.low") == []


async def test_lamp_that_does_not_hold() -> None:
    async with watching("unlatched:lamp@annunciator") as face:
        await face.do("day.low", Action.RAISE)
        await face.until(LAMP="ON")
        await face.do("day.low", Action.CLEAR)
        await face.until(**QUIET)
        assert face.site.controller.situation().open


async def test_lamp_that_is_stuck_inverted_late_or_momentary() -> None:
    async with watching("stuck:lamp@annunciator") as face:
        await face.do("day.low", Action.RAISE)
        await face.until(LAMP="ON")
        await face.do("day.low", Action.ACKNOWLEDGE)
        await face.do("day.low", Action.CLEAR)
        await face.until(SHOWS="-", HORN="OFF")
        assert face.now["LAMP"] == "ON"
    async with watching("inverted:lamp@annunciator") as face:
        await face.until(LAMP="ON")
        await face.do("day.low", Action.RAISE)
        await face.until(LAMP="OFF", HORN="ON")
    async with watching("momentary:lamp@annunciator=30ms") as face:
        await face.do("day.low", Action.RAISE)
        await face.until(LAMP="ON")
        await face.until(LAMP="OFF")
        assert face.now["HORN"] == "ON"
    async with watching("late:lamp@annunciator=200ms") as face:
        await face.do("day.low", Action.RAISE)
        await face.until(LAMP="ON")
        entries = face.site.truth.entries
        (raised,) = [e["at_ns"] for e in entries if e["kind"] == "alarm"]
        assert changes(entries, "annunciator", "lamp")[0][1].before_ns >= raised + 210 * NS_PER_MS
