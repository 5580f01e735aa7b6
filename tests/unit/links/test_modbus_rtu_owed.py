"""Whose an answer is: against units that answer late, in every way that they can within what is assumed of them.

What the simulated unit really did is known here.
"""

from __future__ import annotations

import random

import pytest

from harness.core.places import Table
from harness.links.modbus_pdu import ReadRequest
from harness.links.modbus_rtu_frames import RtuAnswer, take_answer, with_crc
from harness.links.modbus_rtu_owed import OWED_MAX, PROBES_MAX, OwedAnswers, Whose

FOREVER_NS = 10**12


def registers(address: int, count: int = 1, unit: int = 1) -> ReadRequest:
    return ReadRequest(unit=unit, table=Table.HOLDING_REGISTER, address=address, count=count)


def inputs(count: int, address: int = 0) -> ReadRequest:
    return ReadRequest(unit=1, table=Table.DISCRETE_INPUT, address=address, count=count)


def answer_of(request: ReadRequest, value: int = 0) -> RtuAnswer:
    body = bytes((request.unit, request.function, request.payload_bytes))
    answer = take_answer(with_crc(body + (value % 256).to_bytes(1, "big") * request.payload_bytes))
    assert isinstance(answer, RtuAnswer)
    return answer


def refusal_of(request: ReadRequest) -> RtuAnswer:
    answer = take_answer(with_crc(bytes((request.unit, request.function | 0x80, 4))))
    assert isinstance(answer, RtuAnswer)
    return answer


def test_without_doubt_an_answer_is_that_of_the_one_that_waits() -> None:
    owed = OwedAnswers(FOREVER_NS)
    match = owed.take(answer_of(registers(0)), registers(0), 5, 6)
    assert (match.whose, match.asked_ns) == (Whose.OWN, 5)
    assert owed.take(answer_of(registers(0, 2)), registers(0), 7, 8).whose is Whose.NOBODY
    assert owed.take(answer_of(registers(0)), None, 0, 9).whose is Whose.NOBODY


def test_the_same_places_widen_the_bounds_and_other_places_are_unsure() -> None:
    owed = OwedAnswers(FOREVER_NS)
    owed.give_up(registers(0), 10)
    match = owed.take(answer_of(registers(0)), registers(0), 20, 21)
    assert (match.whose, match.asked_ns) == (Whose.OWN, 10)
    # It may have been the late one, so that the one asked at 20 is owed now.
    assert owed.take(answer_of(registers(7)), registers(7), 30, 31).whose is Whose.UNSURE
    # Asked again, all that can come is of these places.
    match = owed.take(answer_of(registers(7)), registers(7), 40, 41)
    assert (match.whose, match.asked_ns) == (Whose.OWN, 30)


def test_an_answer_of_another_length_ends_the_doubt() -> None:
    owed = OwedAnswers(FOREVER_NS)
    owed.give_up(registers(0), 10)
    assert owed.take(answer_of(registers(0, 2)), registers(0, 2), 20, 21).whose is Whose.OWN
    assert owed.count(1, 22) == 0


def test_a_late_answer_leaves_the_one_that_waits_waiting() -> None:
    owed = OwedAnswers(FOREVER_NS)
    owed.give_up(registers(0), 10)
    assert owed.take(answer_of(registers(0)), registers(0, 2), 20, 21).whose is Whose.LATE
    match = owed.take(answer_of(registers(0, 2)), registers(0, 2), 20, 22)
    assert (match.whose, match.asked_ns) == (Whose.OWN, 20)


def test_units_do_not_share_their_debts() -> None:
    owed = OwedAnswers(FOREVER_NS)
    owed.give_up(registers(0, unit=1), 10)
    assert owed.take(answer_of(registers(0, unit=2)), registers(0, unit=2), 20, 21).asked_ns == 20
    assert owed.take(answer_of(registers(0, unit=1)), registers(0, unit=2), 30, 31).whose is Whose.LATE


def test_an_exception_in_doubt_refuses_nothing() -> None:
    owed = OwedAnswers(FOREVER_NS)
    owed.give_up(registers(0), 10)
    assert owed.take(refusal_of(registers(0)), registers(0), 20, 21).whose is Whose.UNSURE


def test_what_is_forgotten() -> None:
    owed = OwedAnswers(100)
    owed.give_up(registers(0), 10)
    assert owed.count(1, 110) == 1
    assert owed.count(1, 111) == 0
    for at_ns in range(200, 210):
        owed.asking(1)
        owed.give_up(registers(0), at_ns)
    owed.asking(1)
    assert owed.count(1, 210) == OWED_MAX


@pytest.mark.parametrize(
    ("request_", "gap_max", "count"),
    [
        (inputs(24), 64, 16),
        (inputs(20), 0, 16),
        (inputs(8), 0, None),
        (inputs(8), 8, 9),
        (inputs(3), 5, None),
        (inputs(3), 6, 9),
        (registers(5, 4), 0, 3),
        (registers(5, 1), 0, None),
        (registers(5, 1), 1, 2),
        (registers(65_535, 1), None, None),
    ],
)
def test_reads_that_end_a_doubt_stay_within_what_may_be_read(
    request_: ReadRequest, gap_max: int | None, count: int | None
) -> None:
    owed = OwedAnswers(FOREVER_NS)
    assert owed.probe_for(request_, gap_max, 0) is None, "nothing is in doubt"
    owed.give_up(request_, 1)
    probe = owed.probe_for(request_, gap_max, 2)
    assert (None if probe is None else probe.count) == count
    if probe is not None:
        assert probe.address == request_.address
        assert probe.payload_bytes != request_.payload_bytes


def test_reads_that_end_no_doubt_come_to_an_end() -> None:
    owed = OwedAnswers(FOREVER_NS)
    owed.give_up(registers(0, 20), 1)
    found = [owed.probe_for(registers(0, 20), 0, 2) is not None for _ in range(PROBES_MAX + 2)]
    assert found == [True] * PROBES_MAX + [False] * 2


@pytest.mark.parametrize("seed", range(300))
def test_no_value_is_ever_attributed_wrongly(seed: int) -> None:
    """A unit that loses requests at random and answers late at random, in order and once: every credited value is of
    the places that were asked, and was true within the bounds that are given for it.
    """
    rng = random.Random(seed)
    places = [registers(0), registers(1), registers(2, 2), registers(4, 2), inputs(8), inputs(8, 100), inputs(16)]
    requests = rng.sample(places, rng.randint(1, 4))
    owed = OwedAnswers(FOREVER_NS)
    queue: list[tuple[int, int, ReadRequest]] = []  # what the unit holds: the number of what it was asked, when, what
    now_ns = credited = 0
    waiting: ReadRequest | None = None
    for number in range(300):
        now_ns += 10
        request = waiting or rng.choice(requests)
        waiting = None
        probe = owed.probe_for(request, rng.choice((0, 16)), now_ns) if rng.random() < 0.5 else None
        asked = probe or request
        asked_ns = now_ns
        owed.asking(1)
        if rng.random() < 0.85:
            queue.append((number, asked_ns, asked))
        queue = [it for it in queue if it[0] >= number - OWED_MAX]
        open_ = True
        # It answers now what it has held for long enough, or nothing.
        while queue and open_ and rng.random() < 0.6:
            now_ns += 1
            _, true_asked_ns, true_request = queue.pop(0)
            match = owed.take(answer_of(true_request), asked, asked_ns, now_ns)
            assert match.whose is not Whose.NOBODY
            if match.whose is Whose.OWN:
                assert true_request == asked
                assert match.asked_ns <= true_asked_ns <= now_ns
                credited += 1
            if match.whose is not Whose.LATE:
                open_ = False
            if match.whose is Whose.UNSURE:
                waiting = request
        if open_:
            owed.give_up(asked, asked_ns)
        # Unasked, in the silence.
        while queue and rng.random() < 0.2:
            now_ns += 1
            _, _, true_request = queue.pop(0)
            assert owed.take(answer_of(true_request), None, 0, now_ns).whose in (Whose.LATE, Whose.NOBODY)
    assert credited > 0
