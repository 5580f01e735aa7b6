"""What a person reports, as bounds: changes within the reaction time, states, what was taken back, and out of sight."""

from __future__ import annotations

import pytest

from harness.core.links import HAND_FINEST_NS
from harness.core.model import Hold
from harness.core.places import Sign
from harness.correlate.outline import outline
from harness.links import person_messages
from harness.links.person_messages import Said, Undone
from harness.links.person_reports import Ask
from tests.unit.links.person_bench import ALARM, FAULT, MS, TEXT, Person, S, link


def onset(person: Person, point: str = ALARM) -> tuple[float, float]:
    """Bounds of the first onset, in seconds of the bench."""
    sketch = outline(person.trace(point), Hold())
    return (sketch.onset_lo[0] / S - 100, sketch.onset_hi[0] / S - 100)


def looking() -> Person:
    """Somebody who said that all is dark at 0 s and looks on."""
    person = Person()
    person.reports.ask(Ask.READY, (ALARM, FAULT), "")
    person.reports.report_rest(on=False, at_ns=person.at(0))
    person.reports.ask(Ask.LOOK, (ALARM, FAULT), "")
    return person


def test_a_change_that_was_seen_lies_within_the_reaction_time() -> None:
    person = looking()
    person.says(ALARM, True, 5)
    person.says(ALARM, False, 9)
    sketch = outline(person.trace(), Hold())
    assert onset(person) == pytest.approx((4.2, 4.8))
    assert (sketch.end_lo[0] / S - 100, sketch.end_hi[0] / S - 100) == pytest.approx((8.2, 8.8))
    assert person.trace().timed


def test_the_answer_to_a_question_is_a_state_and_may_be_old() -> None:
    person = looking()
    person.reports.ask(Ask.STATE, (ALARM,), "")
    person.says(ALARM, True, 30)
    assert onset(person) == pytest.approx((-0.8, 29.8)), "it may have come on at any time since it was seen dark"


def test_the_first_report_of_a_look_is_a_state() -> None:
    """Between two looks the person did something else, so what has changed may have changed long ago."""
    person = looking()
    person.reports.rest()
    person.reports.ask(Ask.LOOK, (ALARM,), "")
    person.says(ALARM, True, 30)
    assert onset(person) == pytest.approx((-0.8, 29.8))


def test_the_same_again_is_no_change() -> None:
    person = looking()
    person.says(ALARM, True, 5)
    person.says(ALARM, True, 6)
    trace = person.trace()
    assert list(trace.starts) == [0, 1]
    assert len(trace) == 3


def test_a_wrong_key_taken_back_is_no_evidence_and_both_are_kept() -> None:
    person = looking()
    person.says(FAULT, True, 5)
    assert person.reports.undo(person.at(6)) == FAULT
    person.says(ALARM, True, 7)
    assert not outline(person.trace(FAULT), Hold()).onset_lo
    assert len(person.messages) == 5, "two dark, the wrong one, its taking back, and the right one"
    assert onset(person) == pytest.approx((-0.8, 6.8)), "it came on perhaps when the wrong key was pressed, or before"


def test_taking_back_gives_the_state_before_and_asks_again() -> None:
    person = Person()
    person.reports.ask(Ask.STATE, (ALARM,), "")
    person.says(ALARM, True, 1)
    assert not person.reports.pending().signs[0].is_asked
    person.reports.undo(person.at(2))
    sign = person.reports.pending().signs[0]
    assert sign.on is None
    assert sign.is_asked
    assert person.reports.undo(person.at(3)) == ""


def test_after_a_new_look_a_change_counts_again() -> None:
    person = looking()
    person.says(FAULT, True, 5)
    person.reports.undo(person.at(6))
    person.reports.ask(Ask.READY, (ALARM, FAULT), "")
    person.reports.report_rest(on=False, at_ns=person.at(10))
    person.reports.ask(Ask.LOOK, (ALARM, FAULT), "")
    person.says(ALARM, True, 20)
    assert onset(person) == pytest.approx((19.2, 19.8))


def test_nothing_finer_is_claimed_than_a_hand_can_do() -> None:
    person = Person(link(least_ns=50 * MS, most_ns=60 * MS))
    person.says(ALARM, False, 0)
    person.reports._seen_this_look.add(ALARM)
    person.says(ALARM, True, 5)
    trace = person.trace()
    assert int(trace.hi[1] - trace.lo[1]) == HAND_FINEST_NS == 100 * MS


def test_a_key_that_was_read_late_widens_the_bounds() -> None:
    person = looking()
    person.reports.report(ALARM, True, person.at(5), person.at(5) - 300 * MS)
    assert onset(person) == pytest.approx((3.9, 4.8))


def test_out_of_sight_it_was_so_at_some_time_since_the_person_was_sent() -> None:
    person = Person(link(in_sight=False))
    person.at(0)
    person.reports.ask(Ask.READY, (ALARM,), "")
    person.says(ALARM, False, 60)
    person.at(100)
    person.reports.ask(Ask.STATE, (ALARM,), "")
    person.says(ALARM, True, 160)
    trace = person.trace()
    assert not trace.timed
    assert [round(int(it) / S - 100) for it in trace.lo] == [0, 100]
    assert [round(int(it) / S - 100) for it in trace.hi] == [60, 160]
    assert not trace.edges.any()


def test_what_a_display_was_read_to_show_is_kept_and_compared() -> None:
    person = looking()
    person.says(TEXT, "bulk  a high", 3)
    person.says(TEXT, "BULK A LOW", 4)
    assert [said.on for said in map(person_messages.decode, (it.data for it in person.messages[-2:]))
            if isinstance(said, Said)] == [True, False]  # fmt: skip
    said = person_messages.decode(person.messages[-1].data)
    assert isinstance(said, Said)
    assert said.text == "BULK A LOW"
    with pytest.raises(ValueError, match="a lamp shows no text"):
        person.says(ALARM, "lit", 5)
    with pytest.raises(ValueError, match="link door watches lamp ALARM, lamp FAULT, text BULK A HIGH"):
        person.says("lamp DOOR", True, 5)


def test_messages_survive_the_record() -> None:
    for said in (
        Said(id=3, sign=Sign.HORN, label="SIRÈNE \u2028", on=True, is_change=True),
        Said(id=4, sign=Sign.TEXT, label="A", on=False, since_ns=17, text='"\\'),
        Undone(id=5, of=4, sign=Sign.TEXT, label="A", then=None),
    ):
        data = person_messages.encode(said)
        assert person_messages.decode(data) == said
        assert data.isascii()
    for data in (b"", b"[]", b"{}", b"\xff", b'{"id":1,"sign":"bell","label":"x","on":true,"change":false}'):
        assert person_messages.decode(data) is None


def test_what_stayed_off_leaves_no_gap_for_what_is_noticed_and_is_not_sealed() -> None:
    """800 ms is the longest reaction time, so 900 ms is noticed for certain; nothing is claimed of less."""
    person = looking()
    person.reports.ask(Ask.STAYED, (ALARM,), "")
    person.reports.report_stayed(person.at(10))
    trace = person.trace()
    assert not trace.first_on
    assert len(trace.starts) == 1
    assert trace.sealed is not None
    assert not trace.sealed.any()
    sketch = outline(trace, Hold())
    begin, end = person.at(0.8), person.at(9.2)
    assert next(sketch.wide_gaps(person.spec.noticed_ns, begin, end), None) is None
    assert next(sketch.wide_gaps(person.spec.noticed_ns - 1, begin, end), None) is not None
    assert next(sketch.wide_gaps(person.spec.noticed_ns, begin, person.at(9.9)), None) is not None


def test_what_stayed_off_is_no_evidence_from_before_the_look_nor_once_it_is_taken_back() -> None:
    person = looking()
    person.reports.rest()
    person.at(5)
    person.reports.ask(Ask.LOOK, (ALARM,), "")
    person.reports.ask(Ask.STAYED, (ALARM,), "")
    person.reports.report_stayed(person.at(10))
    assert [int(it) for it in person.trace().lo[1:3]] == [105 * S, 105 * S + person.spec.step_ns]
    person.reports.undo(person.at(11))
    assert len(person.trace()) == 1


def test_what_was_seen_on_did_not_stay_off() -> None:
    person = looking()
    person.says(ALARM, True, 3)
    person.says(ALARM, False, 5)
    assert person.reports.looked_at_since(ALARM) is None
    assert person.reports.looked_at_since(FAULT) == 100 * S
    person.reports.ask(Ask.STAYED, (ALARM, FAULT), "")
    person.reports.cannot_say()
    assert person.reports.looked_at_since(FAULT) is None, "who cannot say did not look all the time"


def test_a_change_between_two_statements_lies_where_it_was_seen() -> None:
    person = looking()
    person.reports.ask(Ask.STAYED, (ALARM,), "")
    person.reports.report_stayed(person.at(10))
    person.reports.ask(Ask.LOOK, (ALARM,), "")
    person.says(ALARM, True, 10.5)
    person.says(ALARM, False, 14)
    assert onset(person) == pytest.approx((9.7, 10.3))
