"""Plants of which every alarm shows at one shared point, raised and cleared in any order: see ``plants``.

What a device does with such a point is a habit: it holds it for each alarm until that alarm lets it go, or lets go
sooner (at the alarm's own clear, at the first clear or acknowledge of any), or one of them goes wrong.
"""

from __future__ import annotations

from random import Random
from typing import Final

from harness.core.behaviours import release_choices
from harness.core.instants import Bounds
from harness.core.links import ModbusTcpLink
from harness.core.model import Alarm, AlarmClass, Behaviour, Expectation, Limits, Point, Step, Stimulus
from harness.core.places import ModbusPlace, Numbering, Table, TextPlace
from tests.properties.plants import (
    AT,
    MS,
    START,
    Contribution,
    Plan,
    Plant,
    Span,
    Steps,
    drawn_log,
    ms,
    observe,
    release_of,
)

HABITS: Final = (
    "each",  # held for each alarm until that one's release
    "own-clear",  # and let go at the alarm's own clear where that comes first
    "first-clear",  # let go, for all that are up, with the first clear
    "first-acknowledge",  # or with the first acknowledge, whichever alarm it was meant for
    "dead",  # as "each", but one alarm is never shown
    "late",  # as "each", but one alarm is shown too late
    "stuck",  # as "each", but it stays on for one alarm
)
POINT: Final = "bms.common"


def shared_plant(number: int, habit: str, *, loss: float = 0.0, outages: int = 0, told: bool = False) -> Plant:
    """A plant with this habit; ``number`` is the seed of all that is drawn. ``told``: printed, and not polled."""
    draw = Random(number)
    plant = Plant(plan=Plan(apart="overlapping", loss=loss, outages=outages))
    if told:
        plant.links["log"] = drawn_log(draw)
        text = TextPlace(raised=f"ON {POINT}", cleared=f"OFF {POINT}")
        plant.points[POINT] = Point(name=POINT, link="log", place=text, origin=AT)
    else:
        plant.links["bms"] = ModbusTcpLink(
            name="bms",
            host="127.0.0.1",
            port=502,
            numbering=Numbering.REFERENCE,
            poll_period_ns=100 * MS,
            timeout_ns=500 * MS,
            origin=AT,
        )
        place = ModbusPlace(unit=1, table=Table.DISCRETE_INPUT, address=0)
        plant.points[POINT] = Point(name=POINT, link="bms", place=place, origin=AT)
    _draw_rows(draw, plant)
    _draw_steps(draw, plant)
    _draw_spans(draw, plant, habit)
    observe(draw, Random(number + 1), plant)
    return plant


def _draw_rows(draw: Random, plant: Plant) -> None:
    behaviour = draw.choice((Behaviour.FOLLOWS, Behaviour.UNTIL_ACKNOWLEDGED, Behaviour.UNTIL_ACKNOWLEDGED))
    mixed = draw.random() < 0.25
    for number in range(draw.randint(2, 4)):
        name = f"a{number}"
        plant.alarms[name] = Alarm(
            name=name, alarm_class=AlarmClass.ALARM, priority=None, text=name, side_effects=(), origin=AT
        )
        if mixed:
            behaviour = draw.choice(
                (Behaviour.FOLLOWS, Behaviour.UNTIL_ACKNOWLEDGED, Behaviour.LATCHED, Behaviour.PULSE)
            )
        choices = release_choices(behaviour)
        within = draw.randint(200, 1000) * MS
        plant.rows.append(
            Expectation(
                key=f"{name}@{POINT}",
                alarm=name,
                point=POINT,
                behaviour=behaviour,
                limits=Limits(
                    appears_within_ns=within,
                    visible_for_ns=draw.choice((None, draw.randint(50, 900) * MS)),
                    gone_within_ns=draw.choice((None, draw.randint(200, 1000) * MS)),
                    dwell_ns=draw.choice((0, 0, 400)) * MS if behaviour is not Behaviour.PULSE else 0,
                    search_ns=within + draw.choice((0, 500)) * MS,
                    settle_ns=draw.choice((100, 400)) * MS,
                ),
                released_by=draw.choice(choices) if choices and draw.random() < 0.3 else Step.ACKNOWLEDGE,
                origin=AT,
            )
        )


def _draw_steps(draw: Random, plant: Plant) -> None:
    """Every alarm once or twice: raised soon after each other, cleared and acknowledged in any order."""
    width, apart = draw.choice((1, 10, 60)), draw.choice((300, 2500, 2500, 7000))

    def sure(at: int | None) -> Bounds | None:
        return None if at is None else Bounds(at - ms(draw, 0, width), at + ms(draw, 0, width))

    plant.end = START
    for round_ in range(draw.randint(1, 2)):
        start = plant.end + ms(draw, 1, 2000) * round_
        for name in draw.sample(list(plant.alarms), draw.randint(2, len(plant.alarms))):
            raised = start + ms(draw, 0, apart)
            cleared = raised + ms(draw, 300, 3500)
            silenced = raised + ms(draw, 150, 5000) if draw.random() < 0.2 else None
            acknowledged = raised + ms(draw, 150, 5000) if draw.random() < 0.7 else None
            if acknowledged is None and draw.random() < 0.5:
                acknowledged = start + (apart + 4000) * MS + ms(draw, 0, 1000)  # put back afterwards
            reset = cleared + ms(draw, 50, 2000) if draw.random() < 0.5 else None
            steps = Steps(raised, silenced, acknowledged, reset, cleared)
            number = f"s{len(plant.stimuli)}"
            known = sure(raised)
            assert known is not None
            plant.stimuli.append(
                Stimulus(
                    id=number,
                    alarm=name,
                    raised=known,
                    silenced=sure(silenced),
                    acknowledged=sure(acknowledged),
                    reset=sure(reset),
                    cleared=sure(cleared),
                )
            )
            plant.steps[number] = steps
            known_steps = (raised, silenced, acknowledged, reset, cleared)
            plant.end = max(plant.end, *(at + 400 * MS for at in known_steps if at is not None))
    plant.end += 9000 * MS


def _draw_spans(draw: Random, plant: Plant, habit: str) -> None:
    rows = {row.alarm: row for row in plant.rows}
    spoilt = draw.choice(list(plant.alarms))
    clears = sorted(it.cleared for it in plant.steps.values() if it.cleared is not None)
    acknowledges = sorted(it.acknowledged for it in plant.steps.values() if it.acknowledged is not None)
    for it in plant.stimuli:
        row, steps = rows[it.alarm], plant.steps[it.id]
        spans, fault = _healthy(draw, row, steps, plant.end), ""
        if habit in ("own-clear", "first-clear", "first-acknowledge"):
            own = [] if steps.cleared is None else [steps.cleared]
            ends = {"own-clear": own, "first-clear": clears}.get(habit, acknowledges)
            spans = _cut(spans, [at for at in ends if at > steps.raised])
        elif habit in ("dead", "late", "stuck") and it.alarm == spoilt:
            fault = habit
            spans = _spoilt(draw, row, steps, spans, habit)
        plant.contributions.append(Contribution(POINT, it.id, spans, fault))


def _healthy(draw: Random, row: Expectation, steps: Steps, end: int) -> list[Span]:
    within, gone = row.limits.appears_within_ns or 0, row.limits.gone_within_ns or 500 * MS
    onset = steps.raised + draw.randint(0, int(0.6 * within))
    if row.behaviour is Behaviour.PULSE:
        return [(onset, onset + max(row.limits.visible_for_ns or 0, 100 * MS) + ms(draw, 1, 100))]
    release = release_of(row, steps)
    stop = end + 5000 * MS if release is None else release + row.limits.dwell_ns + draw.randint(0, int(0.6 * gone))
    return [(onset, stop)] if onset < stop and (release is None or onset < release) else []


def _cut(spans: list[Span], ends: list[int]) -> list[Span]:
    return [(begin, min([end, *(at for at in ends if at > begin)])) for begin, end in spans]


def _spoilt(draw: Random, row: Expectation, steps: Steps, spans: list[Span], fault: str) -> list[Span]:
    if fault == "dead" or not spans:
        return []
    (begin, end) = spans[0]
    if fault == "late":
        later = steps.raised + (row.limits.appears_within_ns or 0) + ms(draw, 1, 900)
        return [(later, max(end, later + ms(draw, 50, 500)))]
    return [(begin, end + (row.limits.gone_within_ns or 0) + draw.choice((300, 3000)) * MS)]
