"""What a device says of its own life: lists of subscriptions, the chain over renewals, and what stays assumed."""

from __future__ import annotations

from bacpypes3.basetypes import COVSubscription, ObjectPropertyReference, Recipient, RecipientProcess
from bacpypes3.basetypes import DeviceAddress as Address
from bacpypes3.constructeddata import Any as AnyValue
from bacpypes3.constructeddata import ListOf
from bacpypes3.primitivedata import Boolean, OctetString, Real, Unsigned
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.core.links import BacnetLink
from harness.core.places import Arrival, ObjectType
from harness.links.bacnet_apdu import Subscribed, octets_of, subscriptions_of
from harness.links.bacnet_assumed import assumed_alive
from harness.links.bacnet_messages import LifeSign, SubscriptionStep
from tests.peers.bacnet import bacnet_link, bacnet_point
from tests.unit.links.test_bacnet_trace import BI1, Heard, sealed, spec, subscribed, trace

MS = 1_000_000
END = 10**12
ListOfSubscriptions = ListOf(COVSubscription)
NUMBERS = {ObjectType.ANALOG_INPUT: 0, ObjectType.BINARY_INPUT: 3, ObjectType.MULTI_STATE_VALUE: 19}


@st.composite
def entries(draw: st.DrawFn) -> Subscribed:
    by_device = draw(st.booleans())
    return Subscribed(
        device=draw(st.integers(0, 4_194_302)) if by_device else None,
        address=None if by_device else draw(st.binary(min_size=6, max_size=6)),
        process=draw(st.integers(0, 2**32 - 1)),
        object=(draw(st.sampled_from(sorted(NUMBERS))), draw(st.integers(0, 4_194_302))),
    )


def by_bacpypes3(found: list[Subscribed], remaining: int, increment: float | None) -> AnyValue:
    """The list as another encoder writes it."""
    items = []
    for it in found:
        assert it.object is not None
        if it.device is None:
            recipient = Recipient(address=Address(networkNumber=Unsigned(0), macAddress=OctetString(it.address)))
        else:
            recipient = Recipient(device=("device", it.device))
        items.append(
            COVSubscription(
                recipient=RecipientProcess(recipient=recipient, processIdentifier=Unsigned(it.process)),
                monitoredPropertyReference=ObjectPropertyReference(
                    objectIdentifier=(it.object[0].value, it.object[1]), propertyIdentifier=85
                ),
                issueConfirmedNotifications=Boolean(remaining % 2),
                timeRemaining=Unsigned(remaining),
                covIncrement=None if increment is None else Real(increment),
            )
        )
    return AnyValue(ListOfSubscriptions(items))


@given(st.lists(entries(), max_size=5), st.integers(0, 2**32 - 1), st.none() | st.floats(0, 100, width=32))
@settings(deadline=None)
def test_a_list_is_read_as_another_encoder_writes_it(
    found: list[Subscribed], remaining: int, increment: float | None
) -> None:
    assert subscriptions_of(by_bacpypes3(found, remaining, increment)) == found


def test_octets_tell_times_apart() -> None:
    assert octets_of(AnyValue(Unsigned(1))) != octets_of(AnyValue(Unsigned(2)))
    assert octets_of(AnyValue(Unsigned(1))) == octets_of(AnyValue(Unsigned(1)))


def listed(heard: Heard, at_ns: int, *, missing: bool = False) -> Heard:
    return heard.say(at_ns, LifeSign(lists=True, missing=(BI1,) if missing else ()))


def restarted(heard: Heard, at_ns: int, when: str) -> Heard:
    return heard.say(at_ns, LifeSign(restarted=when))


def promising() -> BacnetLink:
    return spec(100)


def test_where_the_device_lists_subscriptions_a_poll_proves_no_silence_and_the_list_does() -> None:
    heard = listed(subscribed(), 40).poll(5000)
    assert int(trace(heard, promising()).hi[-1]) < 4900
    found = trace(listed(heard, 6000).poll(7000), promising())
    assert (int(found.hi[-1]), sealed(found)[-1]) == (5899, True)


def test_a_list_without_it_proves_nothing() -> None:
    heard = listed(subscribed(), 40)
    found = trace(listed(heard, 6000, missing=True).poll(7000), promising())
    assert int(found.hi[-1]) < 4900


def renewed(look_ns: int) -> Heard:
    """Listed, then renewed at 500 ms, with a look at ``look_ns``, and changed at 900 ms."""
    heard = listed(listed(subscribed(), 40), look_ns)
    heard.step(500 * MS, SubscriptionStep.RENEWING).step(501 * MS, SubscriptionStep.KEPT).cov(502 * MS, 0)
    return listed(heard, 800 * MS).cov(900 * MS, 1)


def test_a_renewal_right_after_a_look_keeps_the_chain() -> None:
    found = trace(renewed(499 * MS), promising(), end_ns=END)
    assert all(sealed(found)[1:])


def test_a_renewal_long_after_the_last_look_may_have_made_a_new_one() -> None:
    """It may have been lost after the look, and made anew by the renewal: the time in between is not sealed."""
    found = trace(renewed(300 * MS), promising(), end_ns=END)
    at = [int(hi) for hi in found.hi].index(502 * MS)
    assert not sealed(found)[at]
    assert all(sealed(found)[at + 1 :])


def test_events_are_proven_from_one_time_of_restart_to_the_same_again() -> None:
    heard = restarted(Heard().up(10).poll(20), 40, "a").poll(5000)
    assert len(trace(heard, promising(), Arrival.EVENT)) == 1
    found = trace(restarted(heard, 6000, "a"), promising(), Arrival.EVENT)
    assert (int(found.hi[-1]), sealed(found)[-1]) == (5899, True)


def test_another_time_of_restart_breaks_what_was_known() -> None:
    heard = restarted(restarted(Heard().up(10).poll(20), 40, "a"), 6000, "b").poll(7000)
    found = trace(restarted(heard, 9000, "b"), promising(), Arrival.EVENT)
    assert sealed(found) == [False, False, True]


def test_what_is_assumed_is_said() -> None:
    points = [bacnet_point(1, Arrival.COV), bacnet_point(2, Arrival.EVENT)]
    links = {"building": promising()}
    nothing, lists = Heard().say(5, LifeSign()), listed(Heard(), 5)
    assert list(assumed_alive(Heard(), links, points)) == []
    (said,) = assumed_alive(nothing, links, points)
    assert said.startswith("building: the device shows neither its COV subscriptions nor when it restarted")
    (said,) = assumed_alive(lists, links, points)
    assert said.startswith("building: the device does not show when it restarted")
    assert list(assumed_alive(lists, links, points[:1])) == []
    assert list(assumed_alive(restarted(Heard(), 5, "a"), links, points)) == []
    assert list(assumed_alive(nothing, {"building": bacnet_link(1)}, points)) == []  # silence proves nothing there
