"""The keys of a guided test: what each does, what it is told, and that all of it fits into 80 columns."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from textwrap import wrap

import pytest

from harness.cli.guide_keys import BOUNCE_NS, GuideKeys
from harness.cli.keys import WIDTH, KeyClient, TerminalKeys
from harness.core.instants import NS_PER_S, Bounds
from harness.core.model import Step
from harness.links.person_reports import Ask
from harness.run.guide import REASONS, Pressed, Said
from tests.unit.links.person_bench import ALARM, Person
from tests.unit.run.test_guide import Bench

S = NS_PER_S


class Keyboard:
    """Keys for a guide, a second apart."""

    def __init__(self) -> None:
        self.bench = Bench()
        self.keys = GuideKeys(self.bench.guide)

    def press(self, key: str, after_ns: int = S) -> str | None:
        self.bench.now += after_ns
        return self.keys.press(key, self.bench.now)

    def lines(self) -> list[str]:
        return list(self.keys.lines())

    async def raised(self) -> None:
        task = await self.bench.asked(Step.RAISE)
        assert self.press("\r") == ""
        await task


@pytest.fixture
def keyboard() -> Iterator[Keyboard]:
    one = Keyboard()
    with one.bench.guide.attached(lambda: None):
        one.bench.begin("bulk-a.interstitial-leak", "bulk-a.probe-fault")
        yield one


def test_what_is_proposed_stands_first_with_its_key(keyboard: Keyboard) -> None:
    async def main() -> None:
        task = await keyboard.bench.asked(Step.RAISE)
        assert keyboard.lines() == [
            "> raise it",
            "    Enter  at the moment it is raised",
            "    6 skip   7 not possible   8 note   9 again   0 leave",
        ]
        keyboard.press("\n")
        await task
        keyboard.bench.guide.late_of(Step.RAISE, Bounds(1, 2))
        assert keyboard.lines() == [
            "> watching: the next step is proposed when the outputs have settled",
            "    done already: 2 silenced   3 acknowledged   4 cleared   5 reset",
            "    6 skip   7 not possible   8 note   9 again   0 leave",
            "    , I pressed late for: raised",
        ]
        task = await keyboard.bench.asked(Step.ACKNOWLEDGE)
        assert keyboard.lines()[:3] == [
            "> acknowledge it",
            "    Enter  acknowledged   +  nothing to acknowledge",
            "    done already: 2 silenced   4 cleared   5 reset",
        ]
        keyboard.press("4")
        assert keyboard.lines()[2] == "    done already: 2 silenced   5 reset"
        keyboard.press("+")
        assert not (await task).is_done

    asyncio.run(main())


def test_between_two_alarms_there_is_no_key() -> None:
    one = Keyboard()
    with one.bench.guide.attached(lambda: None):
        assert one.lines() == []
        assert one.press("6") == "6: nothing is asked that it could answer"
        assert one.press("\r") == "Enter: nothing is asked that it could answer"
        assert one.press("x") is None


@pytest.mark.parametrize(
    ("key", "said"), [("6", Said.SKIP), ("7", Said.NOT_POSSIBLE), ("8", Said.NOTE), ("0", Said.LEAVE)]
)
def test_reasons_are_chosen_by_one_key_and_enter_takes_it_back(key: str, said: Said, keyboard: Keyboard) -> None:
    assert keyboard.press(key) == ""
    lines = keyboard.lines()
    assert [line.split(maxsplit=1)[1] for line in lines[1:-1]] == list(REASONS[said])
    assert lines[-1] == "    Enter  never mind"
    assert keyboard.press("9") == "9 is none of the reasons"
    assert keyboard.press("\r") == ""
    assert not keyboard.bench.interruptions
    keyboard.press(key)
    assert keyboard.press("1") == ("noted" if said is Said.NOTE else "")
    assert len(keyboard.bench.interruptions) == (said is not Said.NOTE)


def test_once_more_says_of_which_alarm(keyboard: Keyboard) -> None:
    keyboard.press("9")
    assert keyboard.lines()[0] == "> bulk-a.probe-fault ONCE MORE from the start, because:"


def test_a_key_that_slips_or_is_held_down_counts_once(keyboard: Keyboard) -> None:
    async def main() -> None:
        task = await keyboard.bench.asked(Step.RAISE)
        assert keyboard.press("\r") == ""
        await task
        for _ in range(10):  # held down: it repeats for seconds, and answers nothing
            assert keyboard.press("\r", BOUNCE_NS - 1) == ""
        task = await keyboard.bench.asked(Step.ACKNOWLEDGE)
        for _ in range(10):
            assert keyboard.press("\r", BOUNCE_NS - 1) == ""
        assert not task.done()
        assert keyboard.press("\r", BOUNCE_NS) == ""
        await task

    asyncio.run(main())


def test_a_reason_that_slips_raises_nothing(keyboard: Keyboard) -> None:
    """6 and then 1, and 1 again from the same press: the next alarm is asked for by then."""

    async def main() -> None:
        keyboard.press("6")
        keyboard.press("1")
        keyboard.bench.guide.end()
        keyboard.bench.begin("next")
        task = await keyboard.bench.asked(Step.RAISE)
        keyboard.press("1", BOUNCE_NS - 1)
        assert not task.done()
        task.cancel()

    asyncio.run(main())


def test_what_became_of_a_key_is_told(keyboard: Keyboard) -> None:
    async def main() -> None:
        assert keyboard.press("3") == "3: nothing is raised yet"
        task = await keyboard.bench.asked(Step.RAISE)
        assert keyboard.press("\r", 1) == "Enter came too soon after this was asked; press it again once it is done"
        keyboard.press("\r")
        await task
        assert keyboard.press("4") == "noted: cleared already"
        keyboard.bench.guide.late_of(Step.RAISE, Bounds(1, 2))
        assert keyboard.press(",") == "noted: raised some time before its key"
        assert keyboard.press("1") == "noted: raised at this key or at the one before"
        assert keyboard.press("+") == "+: nothing is asked that it could answer"

    asyncio.run(main())


def test_what_has_come_in_the_place_of_something_else_is_answered_by_a_key_of_its_own(keyboard: Keyboard) -> None:
    async def main() -> None:
        await keyboard.raised()
        task = await keyboard.bench.asked(Step.ACKNOWLEDGE)
        task.cancel()
        await asyncio.wait([task])
        task = await keyboard.bench.asked(Step.CLEAR)
        assert keyboard.lines()[1] == "    4  cleared   +  it cannot be cleared now"
        assert keyboard.press("\r") == "Enter: something else is asked now; read it, and press again once it is done"
        assert keyboard.lines()[1] == "    Enter  cleared   +  it cannot be cleared now"
        keyboard.press("4")
        await task

    asyncio.run(main())


def test_letters_stay_for_what_a_person_sees(keyboard: Keyboard) -> None:
    for key in "abcdefghijklmnopqrstuvwxyzLHTUQ -":
        assert keyboard.press(key) is None


def test_a_comma_is_for_the_newest_key_alone(keyboard: Keyboard) -> None:
    """A step at the panel and a report of a lamp can both come late: what came last is meant."""

    async def main() -> None:
        person = Person()
        client = KeyClient(TerminalKeys(0), lambda: person.now, guide=keyboard.keys)
        client._reports = [person.reports]
        await keyboard.raised()
        keyboard.bench.guide.late_of(Step.RAISE, Bounds(1, 2))
        person.reports.ask(Ask.READY, (ALARM,), "how is it?")
        client.press("L", person.at(0))
        person.reports.ask(Ask.LOOK, (ALARM,), "look")
        client.press("l", person.at(1))
        shown = "\n".join(client.lines())
        assert ", I was late" in shown
        assert "I pressed late" not in shown
        client.press(",", person.at(2))
        assert "late" not in [kind for kind, _ in keyboard.bench.events], "it was the lamp"
        client.press("4", person.at(5))
        keyboard.bench.guide.late_of(Step.CLEAR, Bounds(1, 2))
        shown = "\n".join(client.lines())
        assert "I pressed late for: cleared" in shown
        assert ", I was late" not in shown
        client.press(",", person.at(6))
        assert keyboard.bench.events[-1][0] == "late"

    asyncio.run(main())


def test_every_line_fits_into_eighty_columns(keyboard: Keyboard) -> None:
    """Nothing that we write ourselves is folded; only a site's own long names may be."""

    async def main() -> None:
        seen: list[str] = []

        async def answered(step: Step) -> Pressed:
            task = await keyboard.bench.asked(step)
            seen.extend(keyboard.lines())
            for key in "67890":
                keyboard.press(key)
                seen.extend(keyboard.lines())
                keyboard.press("\r")
            keyboard.bench.now += S
            keyboard.press("\r")
            return await task

        for step in Step:
            await answered(step)
            keyboard.bench.guide.late_of(step, Bounds(1, 2))
            seen.extend(keyboard.lines())
        assert len(seen) > 100
        for line in seen:
            assert wrap(line, WIDTH, subsequent_indent="    ") == [line]

    asyncio.run(main())
