"""What a raised alarm holds on while the next one is raised: exactly what has no release yet."""

from __future__ import annotations

from dataclasses import replace
from itertools import chain, combinations

import pytest

from harness.core.instants import Bounds
from harness.core.model import Behaviour, Expectation, Site, Step, Stimulus
from harness.core.release import release_of
from harness.results.steps import StepDone
from harness.run.expecting import meant_point
from harness.run.order import Selection, plan_of
from harness.run.stages import Course
from harness.run.still_held import SHARED_TOLD_MAX, held_told, holds
from harness.site.profiles import profiles_folder
from harness.site.reading import gather, read_site

STEPS = (Step.SILENCE, Step.ACKNOWLEDGE, Step.CLEAR, Step.RESET)


@pytest.fixture(scope="module")
def site() -> Site:
    documents = gather(profiles_folder() / "demo" / "site.yaml")
    return read_site(documents.files, documents.entry)[0]


def course(site: Site, steps: tuple[Step, ...]) -> Course:
    item = plan_of(site, Selection(only=("bulk-a.high",)))[0]
    done = {step: done_at(step, 10 + number) for number, step in enumerate(steps)}
    return Course(item=item, stimulus="0001", loud=item.loud, raised=done_at(Step.RAISE, 0), done=done)


def done_at(step: Step, at: int) -> StepDone:
    return StepDone(step=step, stimulus="0001", alarm="bulk-a.high", at=Bounds(at, at), proven=True, how="")


@pytest.mark.parametrize("released_by", [Step.ACKNOWLEDGE, Step.SILENCE, Step.RESET])
@pytest.mark.parametrize("behaviour", [Behaviour.FOLLOWS, Behaviour.UNTIL_ACKNOWLEDGED, Behaviour.LATCHED])
def test_it_holds_until_it_is_released(site: Site, behaviour: Behaviour, released_by: Step) -> None:
    """The judge's own word for it is the oracle."""
    for steps in chain.from_iterable(combinations(STEPS, number) for number in range(len(STEPS) + 1)):
        at = course(site, steps)
        row = replace(at.loud[0], behaviour=behaviour, released_by=released_by)
        assert holds(at, row) is (release_of(stimulus_of(at), row) is None), (steps, behaviour)


def stimulus_of(at: Course) -> Stimulus:
    def when(step: Step) -> Bounds | None:
        return at.done[step].at if step in at.done else None

    return Stimulus(
        id=at.stimulus, alarm=at.alarm.name, raised=at.raised.at, cleared=when(Step.CLEAR),
        acknowledged=when(Step.ACKNOWLEDGE), silenced=when(Step.SILENCE), reset=when(Step.RESET),
    )  # fmt: skip


@pytest.mark.parametrize("behaviour", [Behaviour.PULSE, Behaviour.QUIET])
def test_what_ends_by_itself_is_waited_for(site: Site, behaviour: Behaviour) -> None:
    at = course(site, ())
    assert not holds(at, replace(at.loud[0], behaviour=behaviour))
    own_end = replace(at.item.alarm, lasts_ns=Bounds(1, 2))
    at.item = replace(at.item, alarm=own_end)
    assert not holds(at, at.loud[0])


def test_the_message_names_a_few_points(site: Site) -> None:
    item = plan_of(site, Selection(only=("bulk-a.water",)))[0]
    told = held_told(item, {f"bms:{number}": "bulk-a.high" for number in range(SHARED_TOLD_MAX + 3)})
    assert told.startswith(
        "bulk-a.water: raised while bulk-a.high is still raised and holds bms:0, bms:1, bms:2, bms:3 and 3 more on: "
    )


def shown(site: Site, alarm: str) -> list[str]:
    rows: list[Expectation] = [row for item in plan_of(site, Selection(only=(alarm,))) for row in item.loud]
    return [row.point for row in rows]


@pytest.mark.parametrize(
    ("name", "meant"), [("printer", "printer:bulk-b.water"), ("printer:bulk-b.watr", "printer:bulk-b.water")]
)
def test_a_point_of_what_is_raised_is_proposed_first(site: Site, name: str, meant: str) -> None:
    assert meant_point(name, shown(site, "bulk-b.water"), site.points) == f"did you mean {meant}?"


def test_without_one_of_these_any_point_is_proposed(site: Site) -> None:
    assert meant_point("annunciator:1x", ["annunciator:horn"], ["annunciator:11"]) == ("did you mean annunciator:11?")
    assert meant_point("zzz", [], site.points) == ""
