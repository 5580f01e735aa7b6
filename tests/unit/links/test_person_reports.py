"""What is asked of a person, who answers, and what a silent person makes of the link."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine

import pytest

from harness.core.errors import UsageError
from harness.core.model import Hold
from harness.correlate.outline import outline
from harness.links.base import LinkState
from harness.links.person import NOBODY, PersonListener
from harness.links.person_reports import Ask, attached
from tests.peers.virtual_time import run
from tests.unit.links.person_bench import ALARM, FAULT, MS, POINTS, Person, S, link


def in_virtual_time(person: Person, main: Callable[[], Coroutine[None, None, None]]) -> None:
    """Run ``main`` with the person's clock on the loop's own."""

    async def timed() -> None:
        loop = asyncio.get_running_loop()
        person.clock = lambda: round(loop.time() * S)
        await main()

    run(timed)


def test_answers_end_the_waiting() -> None:
    person = Person()

    async def main() -> None:
        now = round(asyncio.get_running_loop().time() * S)
        person.reports.ask(Ask.READY, (ALARM, FAULT), "how is it?", now + 60 * S)
        waiting = asyncio.ensure_future(person.reports.answered(now + 60 * S))
        await asyncio.sleep(2)
        person.reports.report(ALARM, False, now)
        await asyncio.sleep(2)
        assert not waiting.done()
        person.reports.report_rest(on=False, at_ns=now)
        assert await waiting
        assert person.reports.is_off(FAULT)
        assert person.reports.is_attended

    in_virtual_time(person, main)


def test_who_does_not_answer_is_not_there_until_the_next_report() -> None:
    person = Person()

    async def main() -> None:
        now = round(asyncio.get_running_loop().time() * S)
        person.reports.ask(Ask.READY, (ALARM,), "how is it?", now + 60 * S)
        assert not await person.reports.answered(now + 60 * S)
        assert asyncio.get_running_loop().time() == pytest.approx(now / S + 60)
        assert not person.reports.is_attended
        assert not person.messages, "silence is no report"
        person.reports.report(ALARM, False, now)
        assert person.reports.is_attended

    in_virtual_time(person, main)
    assert [state for state, _ in person.states] == [LinkState.UP, LinkState.DOWN, LinkState.UP]


def test_who_answered_only_in_part_is_there_and_what_is_left_is_not_observed() -> None:
    person = Person()

    async def main() -> None:
        now = round(asyncio.get_running_loop().time() * S)
        person.reports.ask(Ask.READY, (ALARM, FAULT), "how is it?", now + 60 * S)
        person.reports.report(ALARM, False, now)
        assert not await person.reports.answered(now + 60 * S)
        assert person.reports.is_attended
        assert not any(sign.is_asked for sign in person.reports.pending().signs)
        assert len(person.messages) == 1

    in_virtual_time(person, main)


def test_who_cannot_say_goes_on_at_once_and_stays_there() -> None:
    person = Person()

    async def main() -> None:
        now = round(asyncio.get_running_loop().time() * S)
        person.reports.ask(Ask.STATE, (ALARM,), "how is it?", now + 60 * S)
        waiting = asyncio.ensure_future(person.reports.answered(now + 60 * S))
        await asyncio.sleep(0)
        person.reports.cannot_say()
        assert await waiting
        assert person.reports.is_attended
        assert not person.messages

    in_virtual_time(person, main)


def test_clients_are_told_of_every_change() -> None:
    person = Person()
    told: list[str] = []
    person.reports.subscribe(lambda: told.append(person.reports.pending().text))
    person.reports.ask(Ask.LOOK, (ALARM,), "look")
    person.says(ALARM, True, 1)
    person.reports.rest()
    assert told == ["look", "look", ""]
    pending = person.reports.pending()
    assert [sign.is_watched for sign in pending.signs] == [True, False, False]
    assert pending.last == "lamp ALARM lit"
    assert pending.where == "the door"


def test_the_link_is_up_while_somebody_is_attached() -> None:
    person = Person()
    person.reports.detach("the test ended")
    with attached([person.reports], "keys"), attached([person.reports], "page"):
        assert person.reports.is_attended
    assert person.states == [
        (LinkState.UP, "a person reports by test"),
        (LinkState.DOWN, "the test ended"),
        (LinkState.UP, "a person reports by keys"),
        (LinkState.DOWN, "the keys ended"),
    ]


def test_a_listener_that_nobody_reports_to_is_down_and_says_what_to_do() -> None:
    async def main() -> None:
        person = Person()
        person.states.clear()
        listener = PersonListener(link(), POINTS, person, lambda: person.now)
        task = asyncio.ensure_future(listener.run())
        await asyncio.sleep(0)
        assert person.states == [(LinkState.DOWN, NOBODY)]
        listener.reports.attach("keys")
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert person.states[1:] == [
            (LinkState.UP, "a person reports by keys"),
            (LinkState.DOWN, "the listener was ended"),
        ]

    asyncio.run(main())


def test_a_claim_finer_than_a_hand_can_do_is_refused() -> None:
    with pytest.raises(UsageError, match=r"site.yaml:9: link=door: reaction=0.2 s to 0.25 s: a claim finer than 0.1 s"):
        PersonListener(link(least_ns=200 * MS, most_ns=250 * MS), POINTS, Person(), lambda: 0)
    PersonListener(link(in_sight=False, least_ns=0, most_ns=0), POINTS, Person(), lambda: 0)


def test_who_was_late_takes_back_the_time_and_not_the_state() -> None:
    person = Person()
    person.reports.ask(Ask.READY, (ALARM,), "how is it?")
    person.says(ALARM, False, 0)
    person.reports.ask(Ask.LOOK, (ALARM,), "look")
    assert person.reports.late(person.at(1)) == "", "it was no change"
    person.says(ALARM, True, 5)
    assert person.reports.pending().is_last_change
    assert person.reports.late(person.at(6)) == ALARM
    assert not person.reports.pending().is_last_change
    sketch = outline(person.trace(), Hold())
    assert (sketch.onset_lo[0] / S - 100, sketch.onset_hi[0] / S - 100) == pytest.approx((-0.8, 4.8))
    assert person.reports.undo(person.at(7)) == ALARM
    assert person.reports.is_off(ALARM)
