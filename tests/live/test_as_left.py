"""Writable points are read before anything is raised and after everything was put back; what differs is told."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable
from pathlib import Path

from harness.core.instants import NS_PER_S
from harness.core.verdicts import ExitCode
from harness.report import human
from harness.studies.attempt import attempt_document
from tests.peers.safety_runs import During, Outcome, Scene, run_scene
from tests.peers.write_relay import CLEAR, Relay

ALARM = "bulk-a.water"
NUMBER = 5
COMPARED = (", as left: may differ", "")
REGISTER = "panel: unit 1, holding register 900 on the wire"
ACTION = "panel: unit 1, holding register 901 on the wire"


def as_left(outcome: Outcome) -> list[tuple[str, str, str]]:
    told = attempt_document(outcome.judged).as_left or ()
    return [(one.what, one.as_found, one.as_left) for one in told]


def test_a_register_that_is_left_other_than_found_is_told_and_listed(tmp_path: Path) -> None:
    """The demo says of its command registers that they may differ; here the site file does not say so."""
    outcome = run_scene(tmp_path, Scene(only=(ALARM,), changes=(COMPARED,)))
    assert as_left(outcome) == [(REGISTER, "0", str(NUMBER)), (ACTION, "0", str(CLEAR))]
    assert outcome.judged.exit_code is ExitCode.NOT_RESTORED
    expected = f"NOT AS FOUND: {REGISTER}: found 0, left {NUMBER}; put it right by hand"
    assert expected in outcome.view.urgent_texts
    (found,) = outcome.judged.reader.events("as-found")
    assert [it["name"] for it in found.data["writable"]] == [REGISTER, ACTION]  # type: ignore[union-attr,index,call-overload]
    outcome.judged.reader.close()


def test_within_its_tolerance_it_is_as_found(tmp_path: Path) -> None:
    tolerated = (COMPARED[0], ", tolerance: 5")
    outcome = run_scene(tmp_path, Scene(only=(ALARM,), changes=(tolerated,)))
    assert as_left(outcome) == []
    assert outcome.judged.exit_code is ExitCode.ALL_PASS
    outcome.judged.reader.close()


def test_what_cannot_be_read_afterwards_is_not_known_and_never_the_same(tmp_path: Path) -> None:
    async def lose(during: During) -> None:
        await during.raised(ALARM)
        await during.sim.until(lambda: not during.is_active(ALARM))
        during.relay.cut()

    outcome = run_scene(tmp_path, Scene(only=(ALARM,), changes=(COMPARED,)), lose)
    (first, second) = [it for it in as_left(outcome) if it[0] in (REGISTER, ACTION)]
    assert first[1] == second[1] == "0"
    assert first[2].startswith("not known (")
    assert outcome.judged.exit_code is ExitCode.NOT_RESTORED
    outcome.judged.reader.close()


def test_what_a_lost_link_showed_last_is_no_statement_of_what_it_shows_now(tmp_path: Path) -> None:
    """The building system is lost while its outputs are on: they go off, and nobody sees it."""

    async def lose(during: During) -> None:
        await during.raised(ALARM)
        await during.sim.until(lambda: during.view.times("raised; waiting") == 1)
        await asyncio.sleep(0.5)  # its outputs show it after 0.3 s, and are on until it is cleared
        during.reading.cut()

    outcome = run_scene(tmp_path, Scene(only=(ALARM,)), lose)
    told = as_left(outcome)
    assert outcome.active == (), "it was cleared over the other link"
    assert "bms:10005" in [what for what, _, _ in told]
    started = human.utc(outcome.judged.reader.header.anchor.utc_ns)
    for what, found, left in told:
        assert (what[:4], found) == ("bms:", "off")
        seen = re.fullmatch(r"not known \(last seen on at (.*)\)", left)
        assert seen is not None, left
        assert started <= seen[1] <= human.utc(outcome.judged.reader.header.anchor.utc_ns + 60 * NS_PER_S)
    assert outcome.judged.exit_code is ExitCode.NOT_RESTORED
    outcome.judged.reader.close()


def test_what_cannot_be_read_before_is_said_at_once(tmp_path: Path) -> None:
    """Reads of the registers are not answered at first; farend says what that means, before anything is raised."""

    async def lose_at_first(during: During) -> None:
        during.relay.cut()
        await during.sim.until(lambda: bool(during.view.troubles))
        during.relay.mend()

    outcome = run_scene(tmp_path, Scene(only=(ALARM,), changes=(COMPARED,)), lose_at_first)
    assert outcome.view.troubles[0].startswith(f"{REGISTER}: not known (")
    assert "so nobody can say afterwards whether it is as it was found" in outcome.view.troubles[0]
    assert [(what, found[:9]) for what, found, _ in as_left(outcome)] == [
        (REGISTER, "not known"),
        (ACTION, "not known"),
    ]
    assert outcome.judged.exit_code is ExitCode.NOT_RESTORED
    outcome.judged.reader.close()


def test_nothing_that_is_written_is_compared_over_the_connection_that_writes(tmp_path: Path) -> None:
    """A device may have few sockets: what reads closes its connection before the first write is sent."""
    seen: list[int] = []
    relays: list[Relay] = []

    def count(action: int, frame: bytes, answer: Callable[[bytes], None]) -> bytes | None:
        seen.append(len(relays[0].open_connections))
        return frame

    async def remember(during: During) -> None:
        relays.append(during.relay)

    outcome = run_scene(tmp_path, Scene(only=(ALARM,), on_write=count), remember)
    assert seen[0] == 2, "the listener of the reference points, and the one that writes"
    outcome.judged.reader.close()
