"""Events that nobody sends to farend are not run; alarms shorter than a Time_Delay are filtered by design."""

from __future__ import annotations

from dataclasses import replace

from harness.core.model import Judgement
from harness.core.verdicts import Verdict
from harness.correlate.engine import correlate
from tests.peers.trace_bench import MS, Bench, codes

WHY = "not a recipient: ask the site; Recipient_List of notification-class 1 holds neither of farend's names"


def judged(bench: Bench, **more: object) -> Judgement:
    return correlate(bench.site(), replace(bench.evidence(), **more))  # type: ignore[arg-type]


def bench_of(shown: bool) -> Bench:
    bench = Bench()
    for number, name in enumerate(bench.inputs(2)):
        start = 1000 + 6000 * number
        bench.raised(name, start, clear=start + 2000)
        if shown or number == 1:
            bench.on(f"bms.a{number}", start + 150, start + 2150)
    return bench


def test_what_is_not_sent_here_is_not_run_with_the_reason_and_the_other_rows_are_judged() -> None:
    found = judged(bench_of(shown=False), not_run={"bms.a0": WHY})
    assert [(it.verdict, it.reason == WHY) for it in found.results] == [
        (Verdict.NOT_RUN, True),
        (Verdict.ON_TIME, False),
    ]
    assert codes(found) == {"a0@bms.a0/s1": ["not-a-recipient"]}
    assert WHY in found.results[0].causes[0].evidence


def test_nothing_passes_where_nothing_could_arrive() -> None:
    found = judged(bench_of(shown=True), not_run={"bms.a0": WHY})
    assert found.results[0].verdict is Verdict.NOT_RUN
    assert found.strays == ()


def test_an_alarm_shorter_than_the_time_delay_is_filtered_by_design() -> None:
    found = judged(bench_of(shown=False), delays={"bms.a0": 5000 * MS})
    assert found.results[0].verdict is Verdict.MISSED
    assert codes(found) == {"a0@bms.a0/s1": ["filtered-by-design"]}
    assert "Time_Delay" in found.results[0].causes[0].evidence


def test_an_alarm_that_lasts_longer_than_the_time_delay_is_not_excused_by_it() -> None:
    found = judged(bench_of(shown=False), delays={"bms.a0": 50 * MS})
    assert codes(found) == {"a0@bms.a0/s1": ["point-silent"]}
