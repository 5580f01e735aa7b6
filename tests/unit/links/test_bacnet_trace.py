"""Notifications as traces: bounds, what is an edge, what is sealed, and what breaks it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest

from harness.core.links import BacnetLink
from harness.core.places import Arrival, BacnetPlace, EventState, ObjectPart, ObjectType, OnWhen
from harness.core.trace import Trace
from harness.links.bacnet_messages import (
    NOTIFY_ACK,
    BacnetMessage,
    EventNotice,
    Gap,
    Reporting,
    Stamp,
    Subscription,
    SubscriptionStep,
    ValueChange,
    decode,
    encode,
)
from harness.links.bacnet_trace import bacnet_trace
from harness.links.bacnet_untold import held_back, unreachable_points, unsubscribed_times
from harness.links.bacnet_values import ObjectReading, Status, pack
from harness.links.base import AnyBlock, LinkState, ObjectBlock
from harness.links.seen import Dropped, Failure, Message, Polls, StateChange
from tests.peers.bacnet import bacnet_link, bacnet_point

BI1 = (ObjectType.BINARY_INPUT, 1)
BLOCK = ObjectBlock(id=1, link="building", objects=(BI1,))
D = 100
END = 100_000


@dataclass
class Heard:
    """A source made by hand. Times are in ns, small on purpose."""

    told: list[Message] = field(default_factory=list)
    states: list[StateChange] = field(default_factory=list)
    drops: list[Dropped] = field(default_factory=list)
    polled: list[tuple[int, int, int]] = field(default_factory=list)
    values: dict[int, float] = field(default_factory=dict)
    """Present_Value by the instant of asking, where it is not 0."""

    def up(self, at_ns: int) -> Heard:
        self.states.append(StateChange(at_ns=at_ns, state=LinkState.UP, why=""))
        return self

    def down(self, at_ns: int) -> Heard:
        self.states.append(StateChange(at_ns=at_ns, state=LinkState.DOWN, why=""))
        return self

    def say(self, at_ns: int, message: BacnetMessage) -> Heard:
        self.told.append(Message(first_ns=at_ns - 1, last_ns=at_ns, data=encode(message)))
        return self

    def step(self, at_ns: int, step: SubscriptionStep, since_ns: int | None = None) -> Heard:
        return self.say(at_ns, Subscription(object=BI1, step=step, since_ns=since_ns))

    def cov(self, at_ns: int, value: int, invoke: int | None = None) -> Heard:
        reading = ObjectReading(value=float(value), status=Status(0))
        invoke = self._next(invoke)
        return self.say(at_ns, ValueChange(object=BI1, process=1, invoke=invoke, remaining_s=60, reading=reading))

    def event(self, at_ns: int, before: int, after: int, invoke: int | None = None, notify_type: int = 0) -> Heard:
        return self.say(
            at_ns,
            EventNotice(
                object=BI1,
                process=1,
                invoke=self._next(invoke),
                stamp=Stamp(sequence=at_ns),
                notification_class=1,
                priority=1,
                event_type=1,
                notify_type=notify_type,
                ack_required=True,
                from_state=before,
                to_state=after,
            ),
        )

    def _next(self, invoke: int | None) -> int:
        """An invoke id of its own, where none is given: what is told here is told with a confirmation."""
        return 1000 + len(self.told) if invoke is None else invoke

    def poll(self, at_ns: int, state: int = 0) -> Heard:
        self.polled.append((at_ns, at_ns + 2, state))
        return self

    # --- Source -----------------------------------------------------------------------------------------

    def blocks(self) -> tuple[AnyBlock, ...]:
        return (BLOCK,)

    def polls(self, block_id: int) -> Polls:
        assert block_id == BLOCK.id
        return Polls(
            asked=np.array([asked for asked, _, _ in self.polled], dtype=np.int64),
            told=np.array([told for _, told, _ in self.polled], dtype=np.int64),
            starts=np.arange(len(self.polled), dtype=np.int64),
            payloads=[
                pack(ObjectReading(value=self.values.get(asked, 0.0), event_state=state))
                for asked, _, state in self.polled
            ],
        )

    def failures(self, block_id: int) -> tuple[Failure, ...]:
        del block_id
        return ()

    def messages(self, link: str) -> tuple[Message, ...]:
        del link
        return tuple(self.told)

    def link_states(self, link: str) -> tuple[StateChange, ...]:
        del link
        return tuple(self.states)

    def dropped(self, link: str) -> tuple[Dropped, ...]:
        del link
        return tuple(self.drops)


def subscribed() -> Heard:
    """Up at 10, subscribed at 20 (asked 1 ns before), told "off" at 30."""
    return Heard().up(10).step(20, SubscriptionStep.ASKED).cov(30, 0).step(31, SubscriptionStep.KEPT)


def spec(delay_ns: int | None = D, *, promises: bool = True) -> BacnetLink:
    return bacnet_link(1, longest_delay_ns=delay_ns, promises_every_change=promises)


def trace(
    heard: Heard,
    link: BacnetLink | None = None,
    arrives: Arrival = Arrival.COV,
    part: ObjectPart = ObjectPart.PRESENT_VALUE,
    end_ns: int = END,
    event_state: EventState | None = None,
) -> Trace:
    place = BacnetPlace(
        object_type=ObjectType.BINARY_INPUT, instance=1, arrives=arrives, part=part, event_state=event_state
    )
    return bacnet_trace("p", place, link or spec(), heard, heard.blocks(), 0, end_ns)


def runs(it: Trace) -> list[tuple[bool, int, int, bool]]:
    """(on, lo, hi, is an edge) of the first sample of each run."""
    firsts = [int(at) for at in it.starts]
    return [(it.run_is_on(run), int(it.lo[at]), int(it.hi[at]), bool(it.edges[run])) for run, at in enumerate(firsts)]


def sealed(it: Trace) -> list[bool]:
    assert it.sealed is not None
    return [bool(flag) for flag in it.sealed]


def test_every_kind_of_message_comes_back_as_it_was() -> None:
    every: list[BacnetMessage] = [
        Gap(since_ns=7, why="busy"),
        Reporting(object=BI1, time_delay_ns=5, event_enable=(True, False, True), limit_enable=(True, True), why="ä"),
        Subscription(object=BI1, step=SubscriptionStep.LOST, why="x", since_ns=1),
        ValueChange(object=BI1, process=1, invoke=None, remaining_s=1, reading=ObjectReading(value=1.0, event_state=2)),
    ]
    assert [decode(encode(it)) for it in every] == every
    with pytest.raises(ValueError, match="no message of a BACnet link"):
        decode(b'{"kind":"else"}')


def test_the_first_value_is_a_state_and_a_change_lies_within_d_before_its_arrival() -> None:
    found = trace(subscribed().cov(500, 1).cov(900, 0))
    assert runs(found) == [(False, 19, 30, False), (True, 399, 500, True), (False, 799, 900, True)]
    assert sealed(found) == [False, True, True]


def test_without_d_a_change_reaches_back_to_the_one_before_it() -> None:
    found = trace(subscribed().cov(500, 1).cov(900, 0), spec(None))
    assert [(lo, hi) for _, lo, hi, _ in runs(found)] == [(19, 30), (20, 500), (21, 900)]


def test_a_path_that_promises_nothing_is_never_sealed_and_silence_proves_nothing() -> None:
    found = trace(subscribed().cov(500, 1).poll(5000), spec(promises=False))
    assert sealed(found) == [False, False]


def test_silence_is_proven_up_to_the_last_answer_less_d() -> None:
    found = trace(subscribed().poll(5000).poll(9000))
    assert (int(found.lo[-1]), int(found.hi[-1]), sealed(found)[-1]) == (8900, 8900, True)
    assert not found.run_is_on(len(found.starts) - 1)


def test_a_poll_is_no_evidence_of_a_value_that_was_not_told() -> None:
    assert not trace(Heard().up(10).poll(50, 2).poll(60, 2)).lo.size


def test_after_a_lost_subscription_nothing_is_claimed_until_the_next_value() -> None:
    heard = subscribed().poll(5000).step(6000, SubscriptionStep.LOST, since_ns=31)
    heard.step(6001, SubscriptionStep.ASKED).cov(6010, 1)
    found = trace(heard)
    assert runs(found) == [(False, 19, 30, False), (True, 6000, 6010, False)]
    assert sealed(found) == [False, False]


def test_after_the_link_was_down_a_different_value_is_a_state() -> None:
    heard = subscribed().down(2000).up(3000).step(3001, SubscriptionStep.ASKED).cov(3010, 1)
    assert runs(trace(heard))[1] == (True, 3000, 3010, False)


def test_notifications_that_this_computer_dropped_unseal_what_came_since() -> None:
    heard = subscribed().cov(500, 1).cov(900, 0).say(1000, Gap(since_ns=600, why="busy")).cov(2000, 0)
    assert sealed(trace(heard)) == [False, True, False, False]


def test_a_datagram_that_makes_no_sense_breaks_the_trace_and_a_late_answer_does_not() -> None:
    heard = subscribed().cov(2000, 1)
    heard.drops.append(Dropped(at_ns=1000, what="answers nothing that is still asked", data=b""))
    assert sealed(trace(heard))[-1]
    heard.drops.append(Dropped(at_ns=1000, what="cannot be decoded", data=b""))
    assert not sealed(trace(heard))[-1]
    assert not runs(trace(heard))[-1][3]


def test_a_retransmission_is_not_a_second_change() -> None:
    once = subscribed().cov(500, 1, invoke=7)
    assert runs(trace(once.cov(600, 1, invoke=7)))[1:] == [(True, 399, 500, True)]


def test_a_retransmission_that_comes_behind_another_change_claims_nothing() -> None:
    found = trace(subscribed().cov(500, 1, invoke=7).cov(600, 0, invoke=8).cov(700, 1, invoke=7).cov(5000, 0, invoke=9))
    assert [(on, edge) for on, _, _, edge in runs(found)] == [(False, False), (True, True), (False, True)]
    assert not sealed(found)[-1]


def test_a_device_that_always_uses_one_invoke_id_repeats_nothing() -> None:
    found = trace(subscribed().cov(500, 1, invoke=1).cov(900, 0, invoke=1).cov(1500, 1, invoke=1))
    assert [on for on, *_ in runs(found)] == [False, True, False, True]


def test_events_are_changes_behind_the_state_that_was_read_first() -> None:
    heard = Heard().up(10).poll(20).event(500, 0, 2).event(900, 2, 0).poll(5000)
    found = trace(heard, arrives=Arrival.EVENT)
    assert runs(found) == [(False, 20, 22, False), (True, 399, 500, True), (False, 799, 900, True)]
    assert sealed(found) == [False, True, True, True]


def test_an_alarm_that_was_only_read_to_be_up_is_no_event() -> None:
    heard = Heard().up(1000).poll(1010, 0)
    heard.say(5000, Gap(since_ns=4000, why="not kept up"))
    for at_ns, state in ((5010, 2), (6000, 2), (7000, 0)):
        heard.poll(at_ns, state)
    assert [on for on, *_ in runs(trace(heard, arrives=Arrival.EVENT))] == [False]
    standing = Heard().up(1000).poll(1010, 2)
    assert [on for on, *_ in runs(trace(standing, arrives=Arrival.EVENT))] == [True]


def test_an_event_that_contradicts_what_was_known_proves_that_one_was_lost() -> None:
    heard = Heard().up(10).poll(20).event(500, 0, 2).event(2000, 0, 2)
    found = trace(heard, arrives=Arrival.EVENT)
    assert [on for on, *_ in runs(found)] == [False, True, False, True]
    assert sealed(found)[2:] == [False, False]


def test_an_event_told_soon_after_the_first_read_may_lie_before_it() -> None:
    found = trace(Heard().up(1000).poll(1010).event(1050, 0, 2), arrives=Arrival.EVENT)
    assert runs(found) == [(False, 948, 1012, False), (True, 949, 1050, True)]


def test_the_first_event_since_the_link_came_up_says_what_was_so_from_then_on() -> None:
    it = trace(Heard().up(100).event(5_000, 0, 2), arrives=Arrival.EVENT)
    assert runs(it)[0] == (False, 100, 100, False)
    assert runs(it)[1][0] is True
    assert sealed(it)[1] is True


def test_after_something_was_lost_or_without_a_promise_an_event_says_what_was_just_before_it() -> None:
    heard = Heard().up(100).say(4_000, Gap(since_ns=3_000, why="busy")).event(5_000, 0, 2)
    assert runs(trace(heard, arrives=Arrival.EVENT))[0][2] >= 4_900
    unpromised = trace(Heard().up(100).event(5_000, 0, 2), spec(promises=False), arrives=Arrival.EVENT)
    assert runs(unpromised)[0][2] >= 4_900


def test_the_notice_of_an_acknowledgement_says_nothing_of_the_state() -> None:
    heard = Heard().up(10).poll(20).event(500, 0, 2).event(800, 2, 2, notify_type=NOTIFY_ACK)
    assert len(runs(trace(heard, arrives=Arrival.EVENT))) == 2


def test_fault_hides_the_alarm_and_is_on_only_for_a_point_that_asks_for_it() -> None:
    heard = Heard().up(10).poll(20).event(500, 0, 1)
    assert [on for on, *_ in runs(trace(heard, arrives=Arrival.EVENT))] == [False]
    assert [on for on, *_ in runs(trace(heard, arrives=Arrival.EVENT, part=ObjectPart.FAULT))] == [False, True]


def test_a_low_limit_is_no_alarm_of_a_row_that_waits_for_the_high_one() -> None:
    heard = Heard().up(10).poll(20).event(500, 0, 4).event(900, 4, 3).event(1500, 3, 0)
    high = trace(heard, arrives=Arrival.EVENT, event_state=EventState.HIGH_LIMIT)
    low = trace(heard, arrives=Arrival.EVENT, event_state=EventState.LOW_LIMIT)
    assert [(on, lo, hi) for on, lo, hi, _ in runs(high)][1:] == [(True, 799, 900), (False, 1399, 1500)]
    assert [(on, lo, hi) for on, lo, hi, _ in runs(low)][1:] == [(True, 399, 500), (False, 799, 900)]
    assert [on for on, *_ in runs(trace(heard, arrives=Arrival.EVENT))] == [False, True, False]


def test_what_tells_neither_on_nor_off_ends_what_was_known() -> None:
    """Out of service and set by hand, or in a fault: it may be on all the while, and silence proves nothing."""
    hand = ObjectReading(value=1.0, status=Status.OUT_OF_SERVICE)
    by_hand = ValueChange(object=BI1, process=1, invoke=None, remaining_s=60, reading=hand)
    told = subscribed().poll(1_000).say(2_000, by_hand).poll(50_000)
    assert [on for on, *_ in runs(trace(told))] == [False]
    assert trace(told).hi[-1] <= 2_000 - D
    fault = Heard().up(10).poll(20).event(2_000, 0, 1).event(60_000, 1, 0)
    fault.polled += [(at, at + 2, 1) for at in range(3_000, 60_000, 1_000)]
    found = trace(fault, arrives=Arrival.EVENT)
    assert found.sealed is not None
    assert not found.sealed[-1]
    assert not any(2_000 < lo < 59_800 for lo in found.lo.tolist()), "nothing is claimed of the time in fault"


def test_an_event_of_the_same_object_takes_nothing_from_what_cov_told() -> None:
    heard = subscribed().cov(500, 1).event(510, 0, 2).event(520, 0, 2, notify_type=2).cov(2000, 0)
    alone = subscribed().cov(500, 1).cov(2000, 0)
    assert runs(trace(heard)) == runs(trace(alone))
    assert sealed(trace(heard)) == sealed(trace(alone))
    assert all(sealed(trace(heard))[1:])


def test_events_of_a_path_that_promises_nothing_seal_nothing() -> None:
    heard = Heard().up(10).poll(20).event(5_000, 0, 2)
    assert np.any(trace(heard, arrives=Arrival.EVENT).sealed)
    assert not np.any(trace(heard, spec(promises=False), arrives=Arrival.EVENT).sealed)


def test_a_poll_that_read_what_was_not_told_unseals_the_time_around_it() -> None:
    """The device keeps answering, so the silence would be evidence; but a change in it was read and not told."""
    told = subscribed().poll(1_000)
    told.polled += [(5_000, 5_002, 0), (50_000, 50_002, 0)]
    assert np.any(trace(told).sealed)
    told.values[5_000] = 1.0
    assert not np.any(trace(told).sealed)


@pytest.mark.parametrize(
    ("increment", "first", "is_proven"), [(5.0, 88.0, False), (5.0, 85.0, True), (2.0, 88.0, True), (None, 50.0, False)]
)
def test_an_analog_value_may_pass_its_limit_by_less_than_is_told(
    increment: float | None, first: float, is_proven: bool
) -> None:
    """Told 88 with an increment of 5: it may have been above 90 for a long time before 93 is told."""
    ai1 = (ObjectType.ANALOG_INPUT, 1)

    def value(at_ns: int, number: float) -> None:
        reading = ObjectReading(value=number, status=Status(0))
        heard.say(at_ns, ValueChange(object=ai1, process=1, invoke=at_ns, remaining_s=60, reading=reading))

    heard = Heard().up(10).say(15, Reporting(object=ai1, cov_increment=increment))
    heard.say(20, Subscription(object=ai1, step=SubscriptionStep.ASKED))
    value(30, first)
    value(5_000, 93.0)
    place = BacnetPlace(
        object_type=ai1[0], instance=1, arrives=Arrival.COV, on_when=OnWhen.ABOVE, threshold=90.0
    )  # fmt: skip
    found = bacnet_trace("p", place, spec(), heard, heard.blocks(), 0, END)
    assert found.edges.tolist() == [False, is_proven]
    assert found.sealed is not None
    assert found.sealed.tolist() == [False, is_proven]


def test_points_whose_events_nobody_sends_here_are_not_run_unless_one_came() -> None:
    points = [bacnet_point(1, Arrival.EVENT), bacnet_point(1, Arrival.COV)]
    denied = Reporting(object=BI1, is_recipient=False, why="its list is empty")
    heard = Heard().up(10).say(20, denied)
    assert unreachable_points(heard, points) == {
        "binary-input-1-event": "not a recipient: ask the site; its list is empty"
    }
    assert unreachable_points(heard.event(500, 0, 2), points) == {}


def test_where_it_is_not_known_who_is_notified_silence_proves_nothing() -> None:
    points = [bacnet_point(1, Arrival.EVENT)]
    heard = Heard().up(10).say(20, Reporting(object=BI1, is_recipient=None, why="its list cannot be read"))
    why = unreachable_points(heard, points)["binary-input-1-event"]
    assert why == "whether farend is a recipient is not known: ask the site; its list cannot be read"
    assert unreachable_points(heard.say(30, Reporting(object=BI1, is_recipient=True)), points) == {}


def test_a_time_delay_belongs_to_what_follows_the_event_state() -> None:
    points = [bacnet_point(1, Arrival.EVENT), bacnet_point(1), bacnet_point(1, Arrival.COV, part=ObjectPart.IN_ALARM)]
    heard = Heard().say(20, Reporting(object=BI1, time_delay_ns=5))
    assert held_back(heard, points) == {"binary-input-1-event": 5, "binary-input-1-cov": 5}


def test_the_time_without_a_subscription_is_blind() -> None:
    heard = subscribed().step(600, SubscriptionStep.LOST, since_ns=40).step(700, SubscriptionStep.KEPT)
    heard.step(800, SubscriptionStep.REFUSED)
    assert [(lo, hi) for lo, hi, _ in unsubscribed_times(heard, "building", END)] == [(40, 700), (799, END)]
