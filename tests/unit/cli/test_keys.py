"""Keys of a terminal: real ones through a real pty, what each means, and the terminal as it was afterwards."""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import signal
import sys
from collections.abc import Iterator

import pytest

from harness.cli.keys import KeyClient, Keys, TerminalKeys, key_client
from harness.links.base import LinkState
from harness.links.person_messages import Said, Undone, decode
from harness.links.person_reports import Ask
from tests.unit.links.person_bench import ALARM, FAULT, TEXT, Person, S, link

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals")


@pytest.fixture
def pty() -> Iterator[tuple[int, int]]:
    """The hand's side and the program's side of a terminal."""
    hand, program = os.openpty()
    yield hand, program
    for descriptor in (hand, program):
        with contextlib.suppress(OSError):  # the test closed it
            os.close(descriptor)


def client_of(*persons: Person, keys: Keys | None = None) -> tuple[KeyClient, list[str]]:
    """A client for persons, and whether it was stopped."""
    stopped: list[str] = []
    client = KeyClient(keys or TerminalKeys(0), lambda: persons[0].now, lambda: stopped.append("stop"))
    client._reports = [person.reports for person in persons]
    return client, stopped


def said(person: Person) -> list[tuple[str, bool] | str]:
    """What came out, in words."""
    found: list[tuple[str, bool] | str] = []
    for message in person.messages:
        it = decode(message.data)
        assert it is not None
        found.append((f"{it.sign.value} {it.label}", it.on) if isinstance(it, Said) else f"undo {it.of}")
        assert isinstance(it, Said | Undone)
    return found


def test_small_letters_report_on_and_with_shift_off() -> None:
    person = Person()
    client, _ = client_of(person)
    person.reports.ask(Ask.LOOK, (ALARM, FAULT, TEXT), "look")
    for key in "lLaAtT":
        client.press(key, person.at(1))
    assert said(person) == [
        (ALARM, True), (ALARM, False), (FAULT, True), (FAULT, False), (TEXT, True), (TEXT, False),
    ]  # fmt: skip


def test_space_answers_all_that_is_asked_and_nothing_else() -> None:
    person = Person()
    client, _ = client_of(person)
    person.reports.ask(Ask.READY, (ALARM, FAULT), "how is it?")
    client.press("l", person.at(1))
    client.press(" ", person.at(2))
    client.press(" ", person.at(3))
    assert said(person) == [(ALARM, True), (FAULT, False)]


def test_y_says_that_all_that_is_asked_stayed_off_and_nothing_else_does() -> None:
    person = Person()
    client, _ = client_of(person)
    person.reports.ask(Ask.READY, (ALARM, FAULT), "how is it?")
    client.press("y", person.at(1))
    assert not person.messages, "it was not the question"
    client.press(" ", person.at(1))
    person.reports.ask(Ask.LOOK, (ALARM, FAULT), "look")
    person.reports.ask(Ask.STAYED, (ALARM, FAULT), "off all the time?")
    client.press(" ", person.at(2))
    assert len(person.messages) == 2
    assert "  y off all the time, I kept looking   - cannot say" in client.lines()
    client.press("y", person.at(3))
    stayed = [it.stayed_since_ns for message in person.messages if isinstance(it := decode(message.data), Said)]
    assert stayed == [None, None, person.at(1), person.at(1)]


def test_a_comma_says_that_the_newest_report_was_late() -> None:
    person = Person()
    client, _ = client_of(person)
    person.reports.ask(Ask.READY, (ALARM,), "how is it?")
    client.press("L", person.at(0))
    person.reports.ask(Ask.LOOK, (ALARM,), "look")
    assert ", I was late" not in "".join(client.lines())
    client.press("l", person.at(5))
    assert client.lines()[-1] == "  u take back (lamp ALARM lit)   , I was late   q clear and stop"
    client.press(",", person.at(6))
    assert client.lines()[-1] == "  its time does not count: lamp ALARM lit"
    newest = decode(person.messages[-1].data)
    assert isinstance(newest, Said)
    assert (newest.on, newest.is_change, person.messages[-1].last_ns) == (True, False, person.at(5))


def test_undo_takes_back_across_persons_the_newest_first() -> None:
    near, far = Person(), Person(link(name="roof", in_sight=False))
    client, _ = client_of(near, far)
    near.reports.ask(Ask.LOOK, (ALARM,), "look")
    far.reports.ask(Ask.STATE, (ALARM,), "walk")
    client.press("l", near.at(1))
    client.press("a", near.at(2))
    assert said(near) == [(ALARM, True)]
    assert said(far) == [(ALARM, True)]
    client.press("u", near.at(3))
    assert said(far) == [(ALARM, True), "undo 1"]
    client.press("u", near.at(4))
    client.press("u", near.at(5))
    assert said(near) == [(ALARM, True), "undo 1"]


def test_keys_without_a_meaning_report_nothing_and_say_so() -> None:
    person = Person()
    client, _ = client_of(person)
    client.press("l", person.at(1))
    assert not person.messages
    assert client.lines() == ["key l has no meaning now"]
    person.reports.ask(Ask.LOOK, (ALARM,), "look")
    client.press("\t", person.at(2))
    client.press("é", person.at(2))
    assert not person.messages
    assert client.lines()[-1] == "  key é has no meaning now"


def test_the_stop_key_stops_like_an_interrupt() -> None:
    person = Person()
    client, stopped = client_of(person)
    client.press("q", person.at(1))
    assert stopped == ["stop"]
    came: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, _: came.append(number))
    try:
        KeyClient(TerminalKeys(0)).press("q", 0)
    finally:
        signal.signal(signal.SIGINT, before)
    assert came == [signal.SIGINT]


def test_what_to_do_stands_on_the_screen_within_80_columns() -> None:
    person = Person()
    client, _ = client_of(person)
    person.reports.ask(Ask.STATE, (ALARM, FAULT), "bulk-a.high is held: how is it now?", person.now + 20 * S)
    person.reports.held_since(person.now - 12 * S)
    client.press("L", person.now)
    lines = client.lines()
    assert lines == [
        "the door   held for 12 s   20 s left",
        "> bulk-a.high is held: how is it now?",
        "  l lit  L dark          lamp ALARM: dark",
        "? a lit  A dark          lamp FAULT: not reported",
        "  space all marked ? are off   - cannot say",
        "  u take back (lamp ALARM dark)   q clear and stop",
    ]
    assert client.lasting_lines()[:2] == ["the door", "> bulk-a.high is held: how is it now?"]
    person.reports.rest()
    assert client.lines()[:2] == ["the door", "> nothing is asked; what you see can be reported at any time"]


def test_what_was_said_of_a_key_goes_with_the_question() -> None:
    person = Person()
    client, _ = client_of(person)
    person.reports.ask(Ask.LOOK, (ALARM,), "look")
    client.press("x", person.at(1))
    assert client.lines()[-1] == "  key x has no meaning now"
    person.reports.ask(Ask.LOOK, (ALARM,), "look on")
    assert "x" not in client.lines()[-1]


def test_whoever_did_not_answer_is_there_again_at_any_key() -> None:
    person = Person()
    client, _ = client_of(person)

    async def nobody() -> None:
        person.reports.ask(Ask.READY, (ALARM, FAULT), "how is it?")
        assert not await person.reports.answered(person.now)

    asyncio.run(nobody())
    assert client.lines()[1] == "> nobody answered: press any key to be asked again"
    client.press("x", person.at(1))
    assert person.reports.is_attended
    assert not person.messages
    assert "nobody" not in "".join(client.lines())
    asyncio.run(nobody())
    client.press("l", person.at(2))
    assert said(person) == [(ALARM, True)], "a report is one all the same"
    assert person.reports.is_attended


def test_a_sign_keeps_its_letter_while_it_is_watched_and_the_rest_is_counted() -> None:
    person = Person()
    client, _ = client_of(person)
    person.reports.ask(Ask.LOOK, (FAULT,), "look")
    assert client.lines()[2].startswith("  l lit")
    person.reports.ask(Ask.STATE, (ALARM,), "how is it?")
    lines = client.lines()
    assert lines[2].startswith("? a lit  A dark          lamp ALARM")
    assert lines[3].startswith("  l lit  L dark          lamp FAULT")


def test_keys_through_a_real_terminal_within_bounds(pty: tuple[int, int]) -> None:
    """Arrow keys and pasted escape sequences are no reports; the stamp holds the instant of the key."""
    hand, program = pty
    person = Person()
    now = [person.now]

    async def main() -> None:
        loop = asyncio.get_running_loop()
        person.clock = lambda: now[0]
        client = KeyClient(TerminalKeys(program), lambda: now[0])
        came = asyncio.Event()
        task = loop.create_task(client.attend([person.reports]))
        await asyncio.sleep(0)
        person.reports.ask(Ask.LOOK, (ALARM, FAULT), "look")
        person.reports.subscribe(came.set)
        for key, wanted in (("l", 1), ("\x1b[A\x1bOPL", 2), ("\x1b[1;5Da", 3)):
            before = now[0]
            now[0] += S
            os.write(hand, key.encode())
            async with asyncio.timeout(30):
                while len(person.messages) < wanted:
                    came.clear()
                    await came.wait()
            message = person.messages[-1]
            assert before <= message.last_ns <= now[0]
            assert message.first_ns <= before + S
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

    asyncio.run(main())
    assert said(person) == [(ALARM, True), (ALARM, False), (FAULT, True)]


def test_a_terminal_that_goes_away_ends_the_reports_and_nothing_else(pty: tuple[int, int]) -> None:
    hand, program = pty
    person = Person()
    person.reports.detach("only the keys report here")

    async def main() -> None:
        task = asyncio.ensure_future(KeyClient(TerminalKeys(program), lambda: person.now).attend([person.reports]))
        await asyncio.sleep(0)
        os.close(hand)
        async with asyncio.timeout(30):
            await task

    asyncio.run(main())
    assert [state for state, _ in person.states][-1] is LinkState.DOWN


def test_the_terminal_is_put_back_whatever_happens(pty: tuple[int, int]) -> None:
    import termios

    hand, program = pty
    before = termios.tcgetattr(program)
    os.write(hand, b"typed before\n")
    assert select.select([program], [], [], 30)[0], "the line never came"

    def fails_inside(keys: TerminalKeys) -> None:
        inside = termios.tcgetattr(program)
        assert not inside[3] & termios.ECHO
        assert not inside[3] & termios.ICANON
        assert inside[3] & termios.ISIG, "Ctrl-C interrupts"
        assert inside[6][termios.VSUSP] == bytes([os.fpathconf(program, "PC_VDISABLE")])
        assert keys.read() == "", "what was typed before is no report"
        raise RuntimeError("inside")

    with pytest.raises(RuntimeError, match="inside"), TerminalKeys(program) as keys:
        fails_inside(keys)
    assert termios.tcgetattr(program) == before


def test_without_a_terminal_it_is_said_what_is_not_observed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class NoTerminal:
        def isatty(self) -> bool:
            return False

    monkeypatch.setattr(sys, "stdin", NoTerminal())
    assert key_client([link()]) is None
    assert "what door should see is not observed" in capsys.readouterr().err
    assert key_client([]) is None
    assert capsys.readouterr().err == ""
