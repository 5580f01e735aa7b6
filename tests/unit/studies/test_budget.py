"""From a site file to the ways that its alarms take: the cycle of a bus, gateways, events, loops, and what-ifs."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import pytest

from harness.core.errors import SiteError, UsageError
from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.links import ModbusRtuLink
from harness.core.model import Site
from harness.measure.budget import Way, certain_from, chance_of, stages
from harness.measure.budget_damping import Damping
from harness.measure.budget_steps import HELD, Case, Delay, Dwell, Need, Noticed, OnDelay, OwnLength, Poll, Range, Told
from harness.report.budget import budget_json, budget_lines
from harness.report.columns import Terminal
from harness.run.poll_cycle import bus_cycle
from harness.site.reading import load_site, read_site
from harness.studies.budget import LENGTHS_NS, Asked, budget_of
from harness.studies.budget_hops import way_of
from harness.studies.budget_what_if import ALL_BUSES, WhatIf

F = Fraction
MS = F(1, 1000)


def site_of(links: str, points: str, *, alarms: str = "", loops: str = "") -> Site:
    text = f"""
site: small
controller: {{name: panel}}
links:
{links}
{loops}
alarms:
  tank.high: {{side effects: none}}
  tank.low: {{side effects: none}}
{alarms}
points:
{points}
"""
    return read_site({"site.yaml": text.encode()}, "site.yaml")[0]


def bus(units: Sequence[int], *, baud: int = 9600, extra: str = "", way: str = "receive-only", kind: str = "") -> Site:
    """Sixteen inputs of each unit, which are one read each."""
    points = [
        f"  - {{alarm: {alarm}, link: bus, unit: {unit}, address: {address}, behaviour: follows}}"
        for unit in units
        for alarm, address in (("tank.high", "10001"), ("tank.low", "10016"))
    ]
    what = kind or f"modbus-rtu: /dev/ttyUSB0\n    baud: {baud}"
    every = "" if way == "receive-only" else "\n    poll every: 1 ms"
    links = f"  bus:\n    {what}\n    way: {way}{every}\n    numbering: reference\n    timeout: 1 s\n{extra}"
    return site_of(links, "\n".join(points))


def cycle(site: Site) -> tuple[Fraction, Fraction]:
    """With all units, and with one dead."""
    spec = site.links["bus"]
    assert isinstance(spec, ModbusRtuLink)
    found = bus_cycle(site, spec)
    assert found.with_dead is not None
    return found.poll.period.usual, found.with_dead.period.usual


def way(site: Site, alarm: str = "tank.high") -> Way:
    return way_of(site, next(row for row in site.expectations if row.alarm == alarm))


# --- the serial bus -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("baud", "one"),
    [
        *((1200, F(121, 600)), (2400, F(121, 1200)), (4800, F(121, 2400)), (9600, F(121, 4800)), (19200, F(121, 9600))),
        *((38400, F(499, 64000)), (57600, F(611, 96000)), (115200, F(947, 192000))),
    ],
)
def test_cycles_at_all_speeds_to_the_microsecond(baud: int, one: Fraction) -> None:
    """MODBUS over Serial Line V1.02, 2.5.1: request, 3.5 characters, answer, 3.5 characters; 11 bits a character."""
    assert cycle(bus([1], baud=baud))[0] == one
    assert cycle(bus(range(1, 9), baud=baud))[0] == 8 * one


def test_eight_units_at_9600_baud_and_one_of_them_dead() -> None:
    """201.6667 ms; with a time-out of 1 s, 7 x 25.2083 + 9.1667 + 1000 = 1185.625 ms: 5.9 times as long."""
    alive, dead = cycle(bus(range(1, 9)))
    assert alive == F(121, 600)
    assert dead == F(1_185_625, 1_000_000)


@pytest.mark.parametrize(
    ("character", "share"), [("parity: none\n    stop bits: 1", F(10, 11)), ("parity: none", F(1))]
)
def test_the_character_is_an_input(character: str, share: Fraction) -> None:
    """10 bits, not allowed by 2.5.1 and common in the field (no source): 9.09 % less. Without parity two stop bits."""
    assert cycle(bus([1], extra=f"    {character}\n"))[0] == F(121, 4800) * share


def test_retries_of_the_master_cost_as_much_each() -> None:
    """Three times asked: 7 x 25.2083 + 3 x (9.1667 + 1000) ms."""
    _, dead = cycle(bus(range(1, 9), extra="    retries: 2\n"))
    assert dead == 7 * F(121, 4800) + 3 * (F(88, 9600) + 1)


def test_what_a_pulse_of_200_ms_makes_of_a_dead_unit() -> None:
    """0.99174 and 0.16869, min(1, d/p) of the two cycles; of 59 pulses 9.95 are seen."""
    site = bus(range(1, 9))
    found = way(site)
    (watcher,) = found.watchers
    assert watcher.name == "farend and the master of the bus"
    alive, dead = (float(chance_of(found.steps(watcher, dead=it), F("0.2"))) for it in (False, True))
    assert alive == pytest.approx(0.99174, abs=5e-6)
    assert dead == pytest.approx(0.16869, abs=5e-6)
    assert 59 * dead == pytest.approx(9.95, abs=5e-3)
    (cycle_words,) = (text for text in found.assumed if "cycle" in text)
    assert cycle_words.startswith("bus: cycle of the master not declared, taken as the least that the line needs")


def test_the_declared_cycle_of_a_master_stands_where_it_is_longer() -> None:
    assert cycle(bus(range(1, 9), extra="    poll every: 500 ms\n"))[0] == F(1, 2)
    assert cycle(bus(range(1, 9), extra="    poll every: 100 ms\n"))[0] == F(121, 600)


def test_the_units_own_time_counts_for_each_answer() -> None:
    site = bus(range(1, 9), extra="    answer time: 5 ms to 15 ms\n")
    spec = site.links["bus"]
    assert isinstance(spec, ModbusRtuLink)
    found = bus_cycle(site, spec)
    assert found.poll.period == Range(
        least=F(121, 600) + 40 * MS, usual=F(121, 600) + 80 * MS, most=F(121, 600) + 120 * MS
    )
    assert found.poll.answer.most == F(121, 4800) + 15 * MS
    assert found.with_dead is not None
    assert found.with_dead.period.usual == F(1_185_625, 1_000_000) + 70 * MS


def test_the_dead_unit_is_another_than_that_of_the_point() -> None:
    """Unit 1 has two reads, unit 2 has one: for points of unit 1 it is unit 2 that is dead."""
    links = "  bus:\n    modbus-rtu: /dev/ttyUSB0\n    baud: 9600\n    way: receive-only\n    numbering: reference\n"
    points = (
        "  - {alarm: tank.high, link: bus, unit: 1, address: 10001, behaviour: follows}\n"
        "  - {alarm: tank.low, link: bus, unit: 1, address: 40001, type: u16, behaviour: follows}\n"
        "  - {alarm: tank.high, link: bus, unit: 2, address: 10001, behaviour: follows}\n"
    )
    site = site_of(links, points)
    spec = site.links["bus"]
    assert isinstance(spec, ModbusRtuLink)
    of_1, of_2 = bus_cycle(site, spec, 1).with_dead, bus_cycle(site, spec, 2).with_dead
    assert of_1 is not None
    assert of_2 is not None
    request = F(8 * 11, 9600)
    bit, register = F(8 + 6 + 7, 1) * F(11, 9600), F(8 + 7 + 7, 1) * F(11, 9600)
    assert of_1.period.usual == bit + register + request + 1
    assert of_2.period.usual == bit + 2 * (request + 1)


def test_farend_asks_a_dead_unit_once_and_waits_for_silence() -> None:
    """On a port of its own: the request, what its answer would take, the time-out, and as long a silence again."""
    _, dead = cycle(bus([1, 2], way="poll", extra="    quiet after timeout: 300 ms\n"))
    assert dead == F(121, 4800) + F((8 + 7) * 11, 9600) + 1 + F(3, 10)


def test_a_device_server_hides_its_line_until_it_is_declared() -> None:
    kind = "modbus-rtu+tcp: 192.0.2.4:4001"
    site = bus([1, 2], way="poll", kind=kind)
    assert "bus: line behind the device server not declared, wire time taken as 0 s (optimistic)" in way(site).assumed
    silence = F(4_010_417, NS_PER_S)
    assert cycle(site)[0] == 2 * silence  # farend's own, between an answer and the next request
    site = bus([1, 2], way="poll", kind=kind, extra="    line: 19200 8E1\n")
    assert cycle(site)[0] == 2 * (F(121, 9600) + silence - F(77, 2 * 19200))


def test_a_master_of_whom_nothing_is_known_is_taken_to_read_at_once() -> None:
    """And named: neither its cycle nor the line is declared; a dead unit costs its time-out all the same."""
    found = way(bus([1, 2], kind="modbus-rtu+tcp: 192.0.2.4:4001"))
    (watcher,) = found.watchers
    assert "bus: cycle of the master not declared, taken as 0 s (optimistic)" in found.assumed
    assert chance_of(found.steps(watcher), F(1, 1000)) == 1
    assert chance_of(found.steps(watcher, dead=True), F(1, 2)) == F(1, 2)
    declared = way(bus([1, 2], kind="modbus-rtu+tcp: 192.0.2.4:4001", extra="    poll every: 2 s\n"))
    assert chance_of(declared.steps(declared.watchers[0]), F(1)) == F(1, 2)


def test_speeds_as_what_if() -> None:
    asked = Asked(what_if=WhatIf(bauds={"bus": 19200}))
    (group,) = budget_of(bus(range(1, 9)), asked).groups
    (step,) = group.way.steps(group.way.watchers[0])
    assert isinstance(step, Poll)
    assert step.period.usual == F(121, 1200)
    kind = "modbus-rtu+tcp: 192.0.2.4:4001"
    (group,) = budget_of(bus([1], kind=kind), Asked(what_if=WhatIf(bauds={ALL_BUSES: 9600}))).groups
    (step,) = group.way.steps(group.way.watchers[0])
    assert isinstance(step, Poll)
    assert step.period.usual == F(121, 4800)


def test_a_dead_unit_as_what_if_takes_the_place_of_the_cycle() -> None:
    (group,) = budget_of(bus(range(1, 9)), Asked(what_if=WhatIf(dead=("bus",)))).groups
    (hop,) = group.way.watchers[0].hops
    assert hop.with_dead is None
    assert hop.words == "bus read by its master (overheard) every 1.185625 s, with one dead unit"


# --- what is polled over a network ----------------------------------------------------------------

TCP = "  bms:\n    modbus-tcp: 192.0.2.1\n    numbering: reference\n    poll every: 100 ms\n"
HIGH = "  - {alarm: tank.high, link: bms, address: 10001, behaviour: follows}\n"


def test_a_network_device_and_who_reads_it() -> None:
    links = f"{TCP}    output delay: 0 ms to 50 ms\n    round trip: 2 ms to 10 ms\n    read every: 30 s\n"
    found = way(site_of(links, HIGH))
    assert found.assumed == ()
    assert found.steps() == (Delay(time=Range.between(F(0), 50 * MS)),)
    farend, building = found.watchers
    assert [farend.name, building.name] == ["farend", "building system"]
    answer = Range.between(2 * MS, 10 * MS)
    assert [hop.step for hop in farend.hops] == [Poll(period=Range.exactly(100 * MS), answer=answer)]
    assert [hop.step for hop in building.hops] == [Poll(period=Range.exactly(F(30)), answer=answer)]
    assert stages(found.steps(building), ())[-1].latency.most == 50 * MS + 30 + 10 * MS


def test_what_nobody_declared_is_taken_as_0_and_named() -> None:
    found = way(site_of(TCP, HIGH))
    assert found.assumed == (
        "bms: output delay not declared, taken as 0 s (optimistic)",
        "bms: round trip not declared, taken as 0 s (optimistic)",
    )
    assert found.steps() == ()


@pytest.mark.parametrize(
    ("extra", "period"),
    [
        ("    requests per second: 4\n", Range.exactly(F(1, 2))),  # two reads, four in a second
        ("    round trip: 10 ms to 80 ms\n", Range(least=100 * MS, usual=100 * MS, most=160 * MS)),
        ("    round trip: 80 ms\n    requests in flight: 2\n", Range.exactly(100 * MS)),
    ],
)
def test_a_cycle_is_as_long_as_its_requests_take(extra: str, period: Range) -> None:
    points = f"{HIGH}  - {{alarm: tank.low, link: bms, address: 40001, type: u16, behaviour: follows}}\n"
    found = way(site_of(TCP + extra, points))
    (step,) = found.steps(found.watchers[0])
    assert isinstance(step, Poll)
    assert step.period == period


GATEWAY = "  gateway:\n    modbus-tcp: 192.0.2.2\n    behind: bms\n    numbering: reference\n    poll every: 1 s\n"
BEHIND = "  - {alarm: tank.high, link: gateway, address: 10001, behaviour: %s}\n"


def test_a_gateway_is_a_poll_between() -> None:
    """6 s through polls of 5 and 8: exactly 0.70 (two uniform phases), where the second alone would have 0.75."""
    links = f"{TCP}    output delay: 150 ms\n{GATEWAY}    device polls every: 5 s\n    output delay: 0 ms\n"
    site = site_of(links, BEHIND % "follows")
    budget = budget_of(site, Asked(what_if=WhatIf(polls={"gateway": 8 * NS_PER_S})))
    (group,) = budget.groups
    words = [hop.words for hop in (*group.way.hops, *group.way.watchers[0].hops)]
    assert words == [
        "output of bms: 150 ms",
        "gateway polls bms every 5 s",
        "output of gateway: 0 s",
        "gateway polled by farend every 8 s",
    ]
    assert chance_of(group.way.steps(group.way.watchers[0]), F(6)) == F(7, 10)
    assert certain_from(group.way.steps(group.way.watchers[0])) == Need(length=F(10), longer=False)


def test_answers_to_the_gateway_take_as_long_as_those_to_farend() -> None:
    """Each as long as it likes between 10 and 40 ms: what the gateway shows is up to 30 ms shorter, or longer."""
    links = f"{TCP}    round trip: 10 ms to 40 ms\n{GATEWAY}    device polls every: 5 s\n"
    found = way(site_of(links, BEHIND % "follows"))
    poll = found.hops[0].step
    assert isinstance(poll, Poll)
    assert poll.answer == Range.between(10 * MS, 40 * MS)
    assert poll.after({F(5): F(1)}, Case.SLOWEST) == {5 - 30 * MS: F(1)}
    assert poll.after({F(5): F(1)}, Case.QUICKEST) == {5 + 30 * MS: F(1)}
    assert poll.needs(Need(length=F(5), longer=False)) == Need(length=F(10), longer=False)
    assert poll.needs(Need()) == Need(length=F(5), longer=False)
    (stage,) = stages(found.steps(), ())
    assert stage.latency.most == 5 + 40 * MS


def test_an_undeclared_poll_of_a_gateway_is_named() -> None:
    found = way(site_of(TCP + GATEWAY, BEHIND % "follows"))
    assert "gateway: how often it polls bms is not declared, taken as 0 s (optimistic)" in found.assumed
    assert isinstance(found.hops[0].step, Told)


def test_what_the_gateway_s_device_polls_as_what_if() -> None:
    site = site_of(f"{TCP}{GATEWAY}    device polls every: 5 s\n", BEHIND % "follows")
    (group,) = budget_of(site, Asked(what_if=WhatIf(device_polls={"gateway": 2 * NS_PER_S}))).groups
    assert group.way.hops[0].words == "gateway polls bms every 2 s"


def test_a_gateway_behind_a_bus_polls_as_its_line_lets_it() -> None:
    links = (
        "  bus:\n    modbus-rtu: /dev/ttyUSB0\n    baud: 1200\n    way: receive-only\n    numbering: reference\n"
        "    timeout: 1 s\n" + GATEWAY.replace("bms", "bus") + "    device polls every: 100 ms\n"
    )
    points = "  - {alarm: tank.low, link: bus, address: 10016, behaviour: follows}\n"
    points += "  - {alarm: tank.low, link: bus, address: 10001, behaviour: quiet}\n"
    site = site_of(links, points.replace("tank.low, link: bus, address: 10001", "tank.high, link: bus, address: 10001")
                   + BEHIND % "follows")  # fmt: skip
    row = next(row for row in site.expectations if site.points[row.point].link == "gateway")
    hop = way_of(site, row).hops[0]
    assert isinstance(hop.step, Poll)
    assert isinstance(hop.with_dead, Poll)
    assert hop.step.period.usual == F(121, 600)
    assert hop.with_dead.period.usual > 1
    assert not any("how often it polls" in text for text in way_of(site, row).assumed)


# --- held, latched, pulsed ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("row", "step"),
    [
        ("behaviour: until-acknowledged", OwnLength(length=HELD)),
        ("behaviour: latched, released by: reset", OwnLength(length=HELD)),
        ("behaviour: follows, dwell: 2 s", Dwell(time=F(2))),
        ("behaviour: pulse, visible for: 3 s", OwnLength(length=F(3))),
        ("behaviour: pulse, shortest on: 4 s", OwnLength(length=F(4))),
    ],
)
def test_what_holds_on(row: str, step: object) -> None:
    found = way(site_of(TCP, f"  - {{alarm: tank.high, link: bms, address: 10001, {row}}}\n"))
    assert found.steps() == (step,)


def test_a_pulse_of_unknown_length_is_named() -> None:
    found = way(site_of(TCP, HIGH.replace("follows", "pulse")))
    assert "bms: length of a pulse not declared, taken as that of the alarm" in found.assumed


def test_what_is_held_is_held_where_it_promises_least() -> None:
    """Whether the gateway latches, or what it polls, nobody says: behind its poll a transient may be gone already."""
    links = f"{TCP}{GATEWAY}    device polls every: 5 s\n"
    found = way(site_of(links, BEHIND % "latched"))
    assert chance_of(found.steps(found.watchers[0]), F(1)) == F(1, 5)
    both = BEHIND % "latched" + HIGH.replace("follows", "latched")
    site = site_of(links, both)
    row = next(row for row in site.expectations if site.points[row.point].link == "gateway")
    found = way_of(site, row)
    assert chance_of(found.steps(found.watchers[0]), F(1)) == 1


# --- BACnet, text, MQTT, persons, loops -----------------------------------------------------------

BACNET = (
    "  building:\n    bacnet: 192.0.2.12\n    device: 1001\n    listen on: 192.0.2.5/24\n    poll every: 2 s\n"
    "    longest delay: 500 ms\n    promises every change: yes\n    output delay: 0 s\n    round trip: 0 s\n"
)


@pytest.mark.parametrize(
    ("link", "row", "delays"),
    [
        ("    time delay: 5 s\n    time delay normal: 3 s\n", "arrives by: event", (F(5), F(3))),
        ("    time delay: 5 s\n", "arrives by: event", (F(5), F(5))),  # one serves both (ASHRAE 135, 13.3)
        ("    time delay: 5 s\n", "arrives by: event, time delay: 2 s, time delay normal: 0 s", (F(2), F(0))),
        ("    time delay: 5 s\n", "part: in-alarm", (F(5), F(5))),
        ("    time delay: 5 s\n", "arrives by: cov", None),
        ("    time delay: 5 s\n", "arrives by: poll", None),
    ],
)
def test_time_delays_are_of_events(link: str, row: str, delays: tuple[Fraction, Fraction] | None) -> None:
    found = way(site_of(BACNET + link, f"  - {{alarm: tank.high, link: building, object: BI 1, {row}, "
                                       "behaviour: follows}\n"))  # fmt: skip
    filters = [step for step in found.steps() if isinstance(step, OnDelay)]
    assert [(it.on, it.off) for it in filters] == ([] if delays is None else [delays])
    assert found.assumed == ()


def test_events_are_told_and_values_are_polled() -> None:
    rows = "  - {alarm: tank.high, link: building, object: BI 1, arrives by: %s, behaviour: follows}\n"
    told = way(site_of(BACNET + "    time delay: 0 s\n", rows % "event")).watchers[0].hops[-1]
    assert told.words == "told by event by building within 500 ms"
    assert told.step == Told(time=Range.between(F(0), F(1, 2)))
    polled = way(site_of(BACNET, rows % "poll")).watchers[0].hops[-1]
    assert isinstance(polled.step, Poll)
    assert polled.step.period == Range.exactly(F(2))


def test_the_building_system_reads_only_what_it_is_not_told() -> None:
    rows = "  - {alarm: tank.high, link: building, object: BI 1, arrives by: %s, behaviour: follows}\n"
    names = {
        how: [it.name for it in way(site_of(BACNET + "    read every: 1 min\n", rows % how)).watchers]
        for how in ("poll", "cov", "event")
    }
    assert names == {"poll": ["farend", "building system"], "cov": ["farend"], "event": ["farend"]}


def test_what_tells_without_a_promise_is_named() -> None:
    links = "  log:\n    text+tcp: 192.0.2.9:4001\n    raised: 'ON {text}'\n"
    alarms = "  tank.named: {side effects: none, text: NAMED}\n"
    site = site_of(links, "  - {alarm: tank.named, link: log, behaviour: follows}\n", alarms=alarms)
    found = way(site, "tank.named")
    assert found.assumed == (
        "log: output delay not declared, taken as 0 s (optimistic)",
        "log: longest delay not declared, taken as 0 s (optimistic)",
        "log: taken to tell every change, which it does not promise (optimistic)",
    )
    assert found.watchers[0].hops[0].words == "printed by log at once"


def test_a_person_in_sight_and_out_of_sight() -> None:
    rows = "  - {alarm: tank.high, link: eyes, sign: lamp, label: red, behaviour: follows}\n"
    seen = way(site_of("  eyes:\n    person: door\n    reaction: 0.2 s to 1 s\n", rows)).watchers[0].hops[0].step
    assert seen == Noticed(surely=F("1.125"), time=Range.between(F("0.2"), F(1)))
    away = way(site_of("  eyes:\n    person: door\n    in sight: no\n", rows)).watchers[0].hops[0].step
    assert isinstance(away, Noticed)
    assert away.surely == HELD


LOOP = (
    "loops:\n  level:\n    link: bms\n    address: 30001\n    raw at 4 mA: 819\n    raw at 20 mA: 4095\n"
    "    input from: 0 mA\n    input to: 22 mA\n"
)


@pytest.mark.parametrize(
    ("loop", "row", "assumed"),
    [
        ("", "", "loop level: damping not declared, taken as 0 s (optimistic)"),
        ("    damping: 2 s\n", ", driven to: 95",
         "loop level: at rest not declared, so damping is taken as 0 s (optimistic)"),
        ("    damping: 2 s\n    at rest: 50\n", "",
         "loop level: driven to not declared, so damping is taken as 0 s (optimistic)"),
    ],
)  # fmt: skip
def test_damping_needs_to_know_from_where_to_where(loop: str, row: str, assumed: str) -> None:
    points = f"  - {{alarm: tank.high, loop: level, on when: above 90, behaviour: follows{row}}}\n"
    found = way(site_of(TCP, points, loops=LOOP + loop))
    assert assumed in found.assumed
    assert found.steps() == ()


def test_damping_as_declared() -> None:
    points = "  - {alarm: tank.high, loop: level, on when: above 90, driven to: 95, behaviour: follows}\n"
    found = way(site_of(TCP, points, loops=f"{LOOP}    damping: 2 s\n    at rest: 40 to 60\n"))
    assert found.steps() == (Damping(tau=F(2), rest=(40.0, 60.0), driven_to=95.0, threshold=90.0),)
    assert found.hops[0].words == "damping 2 s: from 40 to 60 towards 95 %, on above 90"
    assert way(site_of(TCP, points, loops=f"{LOOP}    damping: 0 s\n")).steps() == ()


def test_a_failure_current_has_to_last_first() -> None:
    """NAMUR NE 43, as given in trade literature: 4 s. 3.9 s is no failure; 4.1 s is one as soon as a poll meets it."""
    points = "  - {alarm: tank.high, loop: level, on when: failure low, behaviour: follows}\n"
    site = site_of(TCP.replace("100 ms", "1 ms"), points, loops=f"{LOOP}    damping: 0 s\n")
    found = way(site)
    steps = found.steps(found.watchers[0])
    assert steps[-1] == OnDelay(on=F(4), off=F(0))
    assert chance_of(steps, F("3.9")) == 0
    assert chance_of(steps, F("4.1")) == 1


# --- the whole ------------------------------------------------------------------------------------


def test_rows_with_one_way_are_told_together() -> None:
    points = (
        HIGH
        + HIGH.replace("high", "low").replace("10001", "10002")
        + HIGH.replace("10001", "10003").replace("follows", "latched")
    )
    budget = budget_of(site_of(TCP, points), Asked())
    assert [len(group.rows) for group in budget.groups] == [2, 1]
    assert budget.total == 3
    assert len(budget.assumed) == 2
    assert budget.lengths == tuple(F(it, NS_PER_S) for it in LENGTHS_NS)


def test_a_site_s_own_transients_are_asked_about() -> None:
    alarms = "  sump.leak: {side effects: none, lasts: 1.5 s +/- 100 ms}\n"
    alarms += "  sump.splash: {side effects: none, lasts: 800 ms}\n"
    points = HIGH + "".join(
        f"  - {{alarm: sump.{name}, link: bms, address: {number}, behaviour: follows}}\n"
        for name, number in (("leak", 10002), ("splash", 10003))
    )
    assert budget_of(site_of(TCP, points, alarms=alarms), Asked()).lengths == (F("0.8"), F("1.5"))
    asked = Asked(lengths_ns=(3 * NS_PER_S, 200 * NS_PER_MS))
    assert budget_of(site_of(TCP, points, alarms=alarms), asked).lengths == (F("0.2"), F(3))


def test_rows_by_pattern() -> None:
    points = HIGH + HIGH.replace("high", "low").replace("10001", "10002")
    site = site_of(TCP, points)
    assert [row.alarm for group in budget_of(site, Asked(rows=("*.low",))).groups for row in group.rows] == ["tank.low"]
    assert [row.alarm for group in budget_of(site, Asked(rows=("bms:10001",))).groups for row in group.rows] == [
        "tank.high"
    ]
    with pytest.raises(UsageError, match=r"--row tank\.lo: fits no alarm, point or row; rows are written ALARM@POINT"):
        budget_of(site, Asked(rows=("tank.lo",)))


@pytest.mark.parametrize(
    ("what_if", "message"),
    [
        (WhatIf(polls={"bmx": 1}), "--poll bmx: no such link; did you mean bms?"),
        (WhatIf(polls={"eyes": 1}), "--poll eyes: is not polled: what it tells, it tells by itself"),
        (WhatIf(reads={"eyes": 1}), "--read eyes: is not read: what it tells, it tells by itself"),
        (WhatIf(device_polls={"bms": 1}), "--device-poll bms: it is behind no other link; links that are: gateway"),
        (WhatIf(bauds={"bms": 9600}), "--baud bms=9600: no serial bus; buses are line"),
        (WhatIf(dead=("bms",)), "--dead-unit bms: no serial bus; buses are line"),
        (WhatIf(dead=("lime",)), "--dead-unit lime: no such link; did you mean line?"),
    ],
)
def test_what_ifs_of_what_the_site_has_not(what_if: WhatIf, message: str) -> None:
    links = f"{TCP}{GATEWAY}  eyes:\n    person: door\n    reaction within: 1 s\n"
    links += "  line:\n    modbus-rtu: /dev/ttyUSB0\n    numbering: reference\n    poll every: 1 s\n"
    with pytest.raises(UsageError) as caught:
        budget_of(site_of(links, HIGH), Asked(what_if=what_if))
    assert str(caught.value) == message


def test_a_speed_where_there_is_no_bus() -> None:
    with pytest.raises(UsageError, match="--baud 9600: the site has no serial bus"):
        budget_of(site_of(TCP, HIGH), Asked(what_if=WhatIf(bauds={ALL_BUSES: 9600})))


def test_every_site_that_can_be_read_has_a_budget() -> None:
    """Those that give nothing but a warning: whatever links, rows and gaps in declarations they have."""
    found = 0
    for path in sorted((Path(__file__).parents[1] / "site" / "bad").glob("*.yaml")):
        try:
            site, _ = load_site(path)
        except SiteError:
            continue
        budget = budget_of(site, Asked())
        assert sum(len(group.rows) for group in budget.groups) == len(site.expectations)
        assert budget_lines(budget, Terminal(width=80))
        assert budget_json(budget)["site"] == site.name
        found += 1
    assert found > 20
