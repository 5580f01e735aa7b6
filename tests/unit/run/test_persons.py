"""What a run asks of the persons who watch: nothing twice, nothing for ever, and nothing of who is not there."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Coroutine
from pathlib import Path

import pytest

from harness.core.instants import NS_PER_S as S
from harness.core.model import Expectation, Site
from harness.links.person import PersonListener
from harness.links.person_reports import Ask, Reports
from harness.run.live import LiveSource
from harness.run.order import WALK_MAX_NS
from harness.run.persons import ANSWER_MAX_NS, BACK_MAX_NS, FRESH_NS, READY_MAX_NS, Persons
from harness.site.reading import load_site
from tests.live.test_person_truth import site_file
from tests.peers.virtual_time import run

LAMP, HORN, TEXT = "door:lamp ALARM", "door:horn SIREN", "door:text BULK A WATER"
WHAT = "bulk-a.water"


class Stage:
    """One person at a door, all in virtual time: ``asked`` is every question that was put, with its signs."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.live = LiveSource(site, self.clock)
        points = [it for it in site.points.values() if it.link == "door"]
        spec = site.links["door"]
        listener = PersonListener(spec, points, self.live, self.clock)  # type: ignore[arg-type]  # it is a person's
        self.reports: Reports = listener.reports
        self.reports.attach("test")
        self.reports.subscribe(self._changed)
        self.persons = Persons(site, self.clock, self.live, {"door": self.reports})
        self.asked: list[tuple[str, tuple[str, ...]]] = []
        self.answers: dict[str, bool] = {}
        """What the person answers at once, by point; nothing for the others."""

    def clock(self) -> int:
        return time.monotonic_ns()

    def rows(self, *points: str) -> list[Expectation]:
        return [it for it in self.site.expectations if it.alarm == WHAT and (not points or it.point in points)]

    def _changed(self) -> None:
        pending = self.reports.pending()
        signs = tuple(sign.point for sign in pending.signs if sign.is_asked)
        if signs and (not self.asked or self.asked[-1][0] != pending.text):
            self.asked.append((pending.text, signs))
            asyncio.get_running_loop().call_soon(self._answer, signs)

    def _answer(self, signs: tuple[str, ...]) -> None:
        for point in signs:
            if point in self.answers:
                self.reports.report(point, self.answers[point], self.clock())


def play(tmp_path: Path, main: Callable[[Stage], Coroutine[None, None, None]], *, in_sight: bool = True) -> Stage:
    """Run ``main`` on a stage of its own in virtual time."""
    site, _ = load_site(site_file(tmp_path, 9, {}, in_sight=in_sight))

    async def staged() -> Stage:
        stage = Stage(site)
        await main(stage)
        return stage

    return run(staged)


def seconds(began: int) -> float:
    return (time.monotonic_ns() - began) / S


def test_who_said_so_a_moment_ago_is_not_asked_again(tmp_path: Path) -> None:
    async def main(stage: Stage) -> None:
        stage.answers = dict.fromkeys((LAMP, HORN, TEXT), False)
        await stage.persons.ready(stage.rows(), WHAT)
        await stage.persons.ready(stage.rows(), WHAT)
        assert len(stage.asked) == 1
        await asyncio.sleep(FRESH_NS / S + 1)
        stage.asked.clear()
        await stage.persons.ready(stage.rows(), WHAT)
        assert len(stage.asked) == 1

    play(tmp_path, main)


def test_only_what_was_not_reported_is_asked_for_and_a_stuck_sign_once(tmp_path: Path) -> None:
    async def main(stage: Stage) -> None:
        stage.answers = {HORN: True}
        for point, on in ((LAMP, False), (HORN, True), (TEXT, False)):
            stage.reports.report(point, on, stage.clock())
        await asyncio.sleep(FRESH_NS / S + 1)
        await stage.persons.gone(stage.rows(), "it is acknowledged")
        await stage.persons.dark_again(stage.rows(), WHAT)
        assert [signs for _, signs in stage.asked] == [(HORN,)]

    play(tmp_path, main)


def test_nobody_is_waited_for_without_end(tmp_path: Path) -> None:
    async def main(stage: Stage) -> None:
        began = time.monotonic_ns()
        await stage.persons.ready(stage.rows(), WHAT)
        assert seconds(began) == pytest.approx(READY_MAX_NS / S, abs=0.1)
        assert not stage.reports.is_attended
        assert not stage.persons.watched(stage.rows()), "nothing is asked of who is not there"
        await stage.persons.gone(stage.rows(), "gone")
        assert len(stage.asked) == 1
        began = time.monotonic_ns()
        await stage.persons.back(stage.rows())
        assert seconds(began) == pytest.approx(BACK_MAX_NS / S, abs=0.1)
        await stage.persons.back(stage.rows())
        assert seconds(began) == pytest.approx(BACK_MAX_NS / S, abs=0.1), "once, and not for each alarm"

    play(tmp_path, main)


def test_a_key_ends_the_waiting_for_who_was_away(tmp_path: Path) -> None:
    async def main(stage: Stage) -> None:
        await stage.persons.ready(stage.rows(), WHAT)
        asyncio.get_running_loop().call_later(40, stage.reports.here)
        began = time.monotonic_ns()
        await stage.persons.back(stage.rows())
        assert seconds(began) == pytest.approx(40, abs=0.1)
        assert stage.reports.pending().ask is Ask.NOTHING
        assert stage.persons.watched(stage.rows())

    play(tmp_path, main)


def test_what_must_stay_off_is_asked_of_who_looked_since_before_the_raise(tmp_path: Path) -> None:
    async def main(stage: Stage) -> None:
        stage.answers = dict.fromkeys((LAMP, HORN, TEXT), False)
        rows = stage.rows(LAMP, HORN)
        await stage.persons.ready(rows, WHAT)
        looked = stage.persons.looked_at(rows)
        assert looked == stage.clock() + S, "the longest reaction time"
        await asyncio.sleep(2)
        raised = stage.clock()
        stage.persons.look(rows, WHAT)
        stage.reports.report(HORN, True, stage.clock())
        stage.answers = {}
        began = time.monotonic_ns()
        await stage.persons.stayed(rows, raised, WHAT)
        assert stage.asked[-1] == (f"{WHAT} is over: was this off all the time?", (LAMP,))
        assert seconds(began) == pytest.approx(ANSWER_MAX_NS / S, abs=0.1)

    play(tmp_path, main)


def test_out_of_sight_only_walks_are_asked_for_and_what_is_dark_is_not_walked_to_again(tmp_path: Path) -> None:
    async def main(stage: Stage) -> None:
        stage.answers = dict.fromkeys((LAMP, HORN, TEXT), False)
        await stage.persons.ready(stage.rows(), WHAT)
        stage.persons.look(stage.rows(), WHAT)
        assert stage.reports.pending().text.endswith("wait here until you are sent to look")
        stage.answers = {LAMP: True, HORN: True}
        began = time.monotonic_ns()
        await stage.persons.walk(stage.rows(), WHAT)
        assert seconds(began) == pytest.approx(WALK_MAX_NS / S, abs=0.1), "the text was never answered"
        stage.answers = {LAMP: False, HORN: False}
        await stage.persons.dark_again(stage.rows(), WHAT)
        await stage.persons.ready(stage.rows(), WHAT)
        assert [signs for _, signs in stage.asked] == [(LAMP, HORN, TEXT), (LAMP, HORN, TEXT), (LAMP, HORN)]

    play(tmp_path, main, in_sight=False)
