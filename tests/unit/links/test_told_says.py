"""What of a told link tells nothing: kept messages of topics, and lines that fit nothing and do not repeat."""

from __future__ import annotations

from dataclasses import dataclass, field

from harness.core.errors import Origin
from harness.core.links import LinkSpec, MqttLink, TextLink
from harness.core.model import Point
from harness.core.places import MqttPlace, TextPlace
from harness.core.unreadable import Unreadable
from harness.links.seen import Dropped, Message
from harness.links.told_says import unreadable_of

AT = Origin(file="test", line=1)
PRINTER = TextLink(name="printer", host="127.0.0.1", tcp_port=1, origin=AT)
BROKER = MqttLink(name="broker", host="127.0.0.1", port=1883, timeout_ns=1, origin=AT)
LOST = "topic t/a: 2 messages lost: sequence number 4 was followed by 7"


@dataclass
class Told:
    """A source of which only what was told is asked for."""

    lines: list[str] = field(default_factory=list)
    drops: list[str] = field(default_factory=list)

    def messages(self, link: str) -> tuple[Message, ...]:
        return tuple(
            Message(first_ns=10 * n, last_ns=10 * n + 5, data=text.encode()) for n, text in enumerate(self.lines)
        )

    def dropped(self, link: str) -> tuple[Dropped, ...]:
        return tuple(Dropped(at_ns=10 * n, what=text, data=b"") for n, text in enumerate(self.drops))


def unreadable(told: Told) -> list[Unreadable]:
    links: dict[str, LinkSpec] = {"printer": PRINTER} if told.lines else {"broker": BROKER}
    points = [
        Point(name="printer:a", link="printer", place=TextPlace(raised=r"\d+ ON A", cleared=r"\d+ OFF A"), origin=AT),
        Point(name="broker:a", link="broker", place=MqttPlace(topic="t/a"), origin=AT),
        Point(name="broker:ab", link="broker", place=MqttPlace(topic="t/ab"), origin=AT),
    ]
    return list(unreadable_of(told, links, points))  # type: ignore[arg-type]  # only what is asked for


def test_a_line_that_ran_into_the_next_one_is_told_from_a_heartbeat() -> None:
    (found,) = unreadable(Told(lines=["1 LINE OK", "2 ON A", "3 OF4 LINE OK", "5 LINE OK", "6 OFF A"]))
    assert "3 OF4 LINE OK" in found.what
    assert (found.at.lo, found.at.hi, found.point, found.is_lost) == (20, 25, "", False)


def test_where_every_other_line_repeats_nothing_is_odd() -> None:
    assert unreadable(Told(lines=["1 LINE OK", "2 ON A", "3 LINE OK", "4 OFF A"])) == []


def test_lost_messages_are_of_their_topic_and_of_no_other() -> None:
    (found,) = unreadable(Told(drops=["the broker refuses", LOST]))
    assert (found.point, found.is_lost) == ("broker:a", True)
    assert found.what == "2 messages lost: sequence number 4 was followed by 7"


def test_a_payload_without_its_number_is_unreadable_and_not_lost() -> None:
    (found,) = unreadable(Told(drops=["topic t/ab: no sequence number where there should be one"]))
    assert (found.point, found.is_lost) == ("broker:ab", False)
