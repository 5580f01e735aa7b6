"""What a BACnet object says of itself as a cause, and what looks like it and is none."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from harness.core.instants import Bounds
from harness.core.model import Judgement
from harness.core.objects import ObjectSays
from harness.core.places import Arrival
from harness.core.verdicts import Verdict
from harness.correlate.engine import correlate
from tests.peers.trace_bench import Bench, at_ms, codes

POLL, COV, EVENT = Arrival.POLL, Arrival.COV, Arrival.EVENT
ALARMS: Final = 3
EVERY: Final = 6000


def says(instance: int, **more: object) -> ObjectSays:
    return ObjectSays(name=f"binary-input {instance}", **more)  # type: ignore[arg-type]


def name_of(number: int, arrives: Arrival) -> str:
    return f"building.{number} by {arrives.value}"


def bench_of(shows: Mapping[Arrival, frozenset[int]], late: float = 150) -> Bench:
    """Alarms a0, a1, … at objects 0, 1, …, by each way; shown by those in ``shows``, for the two seconds it is up."""
    bench = Bench()
    for number in range(ALARMS):
        bench.alarm(f"a{number}")
        start = 1000 + EVERY * number
        bench.raised(f"a{number}", start, clear=start + 2000)
        for arrives, shown in shows.items():
            name = name_of(number, arrives)
            bench.object(name, number, arrives)
            bench.row(f"a{number}", name)
            if number in shown:
                bench.on(name, start + late, start + 2000 + late)
    return bench


def judged(bench: Bench, objects: Mapping[str, ObjectSays], **more: object) -> Judgement:
    found = correlate(bench.site(), replace(bench.evidence(), objects=objects, **more))  # type: ignore[arg-type]
    assert not found.failures_of_checkers
    return found


def objects_of(bench: Bench, *special: tuple[int, ObjectSays]) -> dict[str, ObjectSays]:
    known = dict(special)
    return {
        name: known.get(number, says(number))
        for number in range(ALARMS)
        for arrives in Arrival
        if (name := name_of(number, arrives)) in bench.points
    }


def first_codes(found: Judgement) -> dict[str, str]:
    return {it.point: it.causes[0].code for it in found.results if it.causes}


ALL: Final = frozenset(range(ALARMS))
BUT_1: Final = ALL - {1}


def test_an_object_out_of_service_is_one_cause_by_each_way_in_which_it_arrives() -> None:
    bench = bench_of({POLL: BUT_1, COV: BUT_1, EVENT: BUT_1})
    out = says(1, out_of_service=Bounds(at_ms(0), at_ms(60_000)))
    found = judged(bench, objects_of(bench, (1, out)))
    assert first_codes(found) == {name_of(1, way): "out-of-service" for way in (POLL, COV, EVENT)}
    assert len(found.causes) == 1
    assert "Status_Flags" in found.causes[0].evidence


def test_an_object_that_was_out_of_service_at_another_time_only_is_silent_by_itself() -> None:
    bench = bench_of({POLL: BUT_1})
    out = says(1, out_of_service=Bounds(at_ms(0), at_ms(1000)))
    assert first_codes(judged(bench, objects_of(bench, (1, out)))) == {name_of(1, POLL): "point-silent"}


def test_an_object_out_of_service_that_shows_all_the_same_is_no_cause() -> None:
    bench = bench_of({POLL: ALL})
    out = says(1, out_of_service=Bounds(at_ms(0), at_ms(60_000)))
    assert codes(judged(bench, objects_of(bench, (1, out)))) == {}


def test_events_that_are_not_enabled_are_named_for_the_events_and_for_nothing_else() -> None:
    bench = bench_of({COV: BUT_1, EVENT: BUT_1})
    found = judged(bench, objects_of(bench, (1, says(1, tells_alarms=False))))
    assert first_codes(found) == {name_of(1, COV): "point-silent", name_of(1, EVENT): "events-disabled"}


def test_events_that_are_enabled_and_do_not_come_are_not_called_disabled() -> None:
    bench = bench_of({COV: ALL, EVENT: BUT_1})
    found = judged(bench, objects_of(bench, (1, says(1, tells_alarms=True))))
    assert first_codes(found) == {name_of(1, EVENT): "point-silent"}


def test_a_flood_explains_what_cannot_be_told_apart() -> None:
    for count, is_flood in ((100, True), (19, False)):
        bench = bench_of({COV: ALL})
        for number in range(8):  # up and down again while it is up
            bench.on(name_of(1, COV), 9250 + 400 * number, 9450 + 400 * number)
        found = judged(bench, objects_of(bench, (1, says(1, most_in_a_second=count))))
        named = {
            causes[0].code
            for causes in [it.causes for it in found.results] + [it.causes for it in found.strays]
            if causes
        }
        assert named
        assert (named == {"notification-flood"}) is is_flood, count


def test_a_flood_is_no_cause_where_all_was_told_as_it_should() -> None:
    bench = bench_of({COV: ALL})
    assert codes(judged(bench, objects_of(bench, (1, says(1, most_in_a_second=100))))) == {}


def test_reads_that_lag_behind_notifications_are_one_cause_of_the_device() -> None:
    bench = bench_of({POLL: frozenset(), COV: ALL})
    found = judged(bench, objects_of(bench))
    assert first_codes(found) == {name_of(number, POLL): "stale-reads" for number in range(ALARMS)}
    assert len(found.causes) == 1


def test_one_object_that_reads_do_not_show_is_not_the_device() -> None:
    bench = bench_of({POLL: BUT_1, COV: ALL})
    assert first_codes(judged(bench, objects_of(bench))) == {name_of(1, POLL): "point-silent"}


WHY: Final = "not a recipient: ask the site"


def test_another_notification_class_than_that_of_its_device_is_named_with_the_missing_recipient() -> None:
    for number, names in ((2, ("not-a-recipient", "wrong-class")), (1, ("not-a-recipient",))):
        bench = bench_of({EVENT: BUT_1})
        of = {n: says(n, notification_class=number if n == 1 else 1) for n in range(ALARMS)}
        found = judged(bench, objects_of(bench, *of.items()), not_run={name_of(1, EVENT): WHY})
        (result,) = [it for it in found.results if it.causes]
        assert result.verdict is Verdict.NOT_RUN
        assert result.causes[0].codes == names


def test_a_subscription_that_was_forgotten_is_told_from_one_that_was_refused() -> None:
    for why, code in (
        ("subscription of binary-input 1 gone: its device lists it no more", "subscription-lost"),
        ("subscription of binary-input 1 refused: failed: error: services, service-request-denied",
         "subscription-refused"),
        ("the device does not answer", "link-down"),
    ):  # fmt: skip
        bench = bench_of({COV: ALL})
        bench.blind_from("building", 6500, 12_000, why)
        assert first_codes(judged(bench, objects_of(bench))) == {name_of(1, COV): code}


def test_a_device_in_which_nothing_ever_changes_may_be_another_one_of_the_same_instance() -> None:
    bench = bench_of({POLL: frozenset(), COV: frozenset()})
    found = judged(bench, objects_of(bench))
    assert {it.causes[0].code for it in found.results} == {"block-dead"}
    assert "duplicate-instance" in found.results[0].causes[0].codes
    lives = bench_of({POLL: frozenset({0}), COV: frozenset({0})})
    named = {code for it in judged(lives, objects_of(lives)).results for cause in it.causes for code in cause.codes}
    assert "duplicate-instance" not in named


def test_what_is_read_of_few_objects_is_explained_by_what_all_of_them_tell() -> None:
    bench = bench_of({COV: frozenset()})
    for number in range(ALARMS):  # a0 at object 1, a1 at object 2, a2 at an object that nobody knows
        start = 1000 + EVERY * number
        if number + 1 < ALARMS:
            bench.on(name_of(number + 1, COV), start + 150, start + 2150)
    bench.object(name_of(0, POLL), 0, POLL)
    bench.row("a0", name_of(0, POLL))
    found = judged(bench, objects_of(bench))
    assert set(first_codes(found).values()) == {"address-off-by-one"}
    assert len(found.causes) == 1
    alone = judged(bench, {})
    assert first_codes(alone)[name_of(0, POLL)] == "point-silent"
