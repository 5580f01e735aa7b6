"""Whom the simulated building device tells of what: subscribers of values, recipients of events; and what spoils it."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from typing import Any

from sims.building_alarming import Notice
from sims.building_apdu import datagram
from sims.building_cov import Reported, Subscriber, Subscription, Subscriptions
from sims.building_faults import FLOOD_EVERY_S, WRONG_CLASS, Faults, Later
from sims.building_notices import cov_encoder, event_encoder, event_words
from sims.building_objects import PROCESS
from sims.building_options import BuildingOptions
from sims.building_outgoing import About, Encode, Outgoing, Recipient
from sims.building_views import Standing
from sims.defect_kinds import Name
from sims.output import Surroundings
from sims.points import Place, Table

Send = Callable[[bytes, Recipient], None]


class Teller:
    """Sends notifications, and logs the two instants between which each was handed to the socket."""

    def __init__(self, options: BuildingOptions, faults: Faults, site: Surroundings, send: Send) -> None:
        self._confirmed = options.confirmed
        self._recipients = () if faults.find(Name.NO_RECIPIENT) else options.recipients
        elsewhere = options.recipients_elsewhere
        self._elsewhere = self._recipients if elsewhere is None else elsewhere
        self._faults = faults
        self._site = site
        self._send_datagram = send
        self._subscriptions = Subscriptions()
        self._later = Later()
        self._outgoing = Outgoing(
            self, asyncio.get_running_loop(), timeout_s=options.apdu_timeout_s, retries=options.apdu_retries
        )

    def recipients(self, class_number: int) -> tuple[Recipient, ...]:
        """Who is in the Recipient_List of a notification class."""
        return self._elsewhere if class_number == WRONG_CLASS.number else self._recipients

    def close(self) -> None:
        """Tell nobody any more."""
        self._later.cancel()
        self._outgoing.close()

    # --- values ---------------------------------------------------------------------------------------

    def subscribe(
        self, subscriber: Subscriber, process: int, standing: Standing, *, confirmed: bool, lifetime_s: int
    ) -> None:
        """Take a subscription. Raises NoRoomError."""
        now_ns = time.monotonic_ns()
        self._subscriptions.subscribe(
            subscriber, process, standing.object_id, confirmed=confirmed, lifetime_s=lifetime_s, now_ns=now_ns
        )
        self._log_subscription(standing, subscriber, process, "subscribed", lifetime_s)

    def subscribed(self, standing: Standing) -> None:
        """Send the first notification of a new or renewed subscription, which says how things stand."""
        self.values(standing)
        lost_s = self._seconds(Name.LOST_SUBSCRIPTION, standing)
        if lost_s is not None:
            self._later.call(lost_s, self._lose, standing)

    def unsubscribe(self, subscriber: Subscriber, process: int, standing: Standing) -> None:
        """End a subscription, if there is one."""
        if self._subscriptions.cancel(subscriber, process, standing.object_id):
            self._log_subscription(standing, subscriber, process, "cancelled", 0)

    def values(self, standing: Standing) -> None:
        """Tell the subscribers of an object, where there is something to tell."""
        now_ns = time.monotonic_ns()
        now = Reported(standing.value, standing.flags)
        for subscription in self._subscriptions.due(standing.object_id, now, standing.increment, now_ns):
            self._tell_value(standing, subscription, confirmed=subscription.confirmed)

    def _tell_value(self, standing: Standing, subscription: Subscription, *, confirmed: bool, why: str = "") -> None:
        now = Reported(standing.value, standing.flags)
        process, remaining_s = subscription.process, subscription.remaining_s(time.monotonic_ns())
        encode = cov_encoder(standing, now, process, remaining_s, confirmed=confirmed)
        about = _about(standing, "cov", why) | {"value": now.value, "flags": now.flags, "process": process}
        self._send_both(standing, subscription.subscriber, encode, about, confirmed=confirmed)

    def _lose(self, standing: Standing) -> None:
        for lost in self._subscriptions.drop(standing.object_id):
            host, port = lost.subscriber
            self._site.fault(
                Place.BUILDING, Name.LOST_SUBSCRIPTION, f"{standing.signal}: that of {host}:{port} is forgotten"
            )

    # --- events ---------------------------------------------------------------------------------------

    def event(self, standing: Standing, notice: Notice) -> None:
        """Tell the recipients of an event or of its acknowledgement."""
        self._tell_event(standing, notice, confirmed=self._confirmed)
        flood_s = self._seconds(Name.NOTIFICATION_FLOOD, standing)
        if flood_s is not None and notice.event is not None:
            self._site.fault(Place.BUILDING, Name.NOTIFICATION_FLOOD, f"{standing.signal}: for {flood_s:g} s")
            for number in range(1, 1 + round(flood_s / FLOOD_EVERY_S)):
                self._later.call(number * FLOOD_EVERY_S, self._flood, standing, notice)

    def _tell_event(self, standing: Standing, notice: Notice, *, confirmed: bool, why: str = "") -> None:
        encode = event_encoder(standing, notice, confirmed=confirmed)
        what = "event" if notice.event is not None else "acknowledgement"
        about = _about(standing, what, why) | event_words(notice) | {"process": PROCESS}
        for recipient in self.recipients(notice.class_number):
            self._send_both(standing, recipient, encode, about, confirmed=confirmed)

    def _flood(self, standing: Standing, notice: Notice) -> None:
        why = str(Name.NOTIFICATION_FLOOD)
        self._tell_event(standing, notice, confirmed=False, why=why)
        for subscription in self._subscriptions.all(time.monotonic_ns()):
            if subscription.object_id == standing.object_id:
                self._tell_value(standing, subscription, confirmed=False, why=why)

    # --- the wire -------------------------------------------------------------------------------------

    def answered(self, sender: Recipient, invoke_id: int, outcome: str) -> bool:
        """A peer answered a confirmed request: whether it was one of the notifications."""
        return self._outgoing.answered(sender, invoke_id, outcome)

    def _seconds(self, name: Name, standing: Standing) -> float | None:
        """The time of a defect at this object, if it has it: they are at the inputs, not at the states beside them."""
        return self._faults.seconds(name, standing.signal) if standing.object_id[0] == Table.BINARY_INPUT else None

    def _send_both(
        self, standing: Standing, recipient: Recipient, encode: Encode, about: About, *, confirmed: bool
    ) -> None:
        """Send, and again where a defect has it so; what is sent again is not repeated anew."""
        self._send(recipient, encode, about, confirmed=confirmed)
        again_s = self._seconds(Name.REPEATED_NOTIFICATION, standing)
        if again_s is not None and not about["why"]:
            again = {**about, "why": str(Name.REPEATED_NOTIFICATION)}
            self._later.call(again_s, lambda: self._send(recipient, encode, again, confirmed=confirmed))

    def _send(self, recipient: Recipient, encode: Encode, about: About, *, confirmed: bool) -> None:
        if confirmed:
            self._outgoing.confirmed(recipient, encode, about)
        else:
            self._outgoing.unconfirmed(recipient, encode, about)

    def sent(self, about: About, recipient: Recipient, invoke_id: int | None, attempt: int, data: bytes) -> None:
        """Hand a notification to the socket."""
        whole = datagram(data)
        before_ns = time.monotonic_ns()
        self._send_datagram(whole, recipient)
        after_ns = time.monotonic_ns()
        self._site.log(
            "notification",
            place=Place.BUILDING,
            **about,
            confirmed=invoke_id is not None,
            recipient=_words(recipient),
            invoke_id=invoke_id,
            attempt=attempt,
            sent_before_ns=before_ns,
            sent_after_ns=after_ns,
        )

    def ended(self, about: About, recipient: Recipient, invoke_id: int | None, outcome: str) -> None:
        """A confirmed notification was answered, given up or dropped."""
        self._site.log(
            "notification-end",
            place=Place.BUILDING,
            **about,
            recipient=_words(recipient),
            invoke_id=invoke_id,
            outcome=outcome,
            at_ns=time.monotonic_ns(),
        )

    def _log_subscription(
        self, standing: Standing, subscriber: Subscriber, process: int, what: str, lifetime_s: int
    ) -> None:
        self._site.log(
            "subscription",
            place=Place.BUILDING,
            **_about(standing, what, ""),
            process=process,
            recipient=_words(subscriber),
            lifetime_s=lifetime_s,
            at_ns=time.monotonic_ns(),
        )


def _about(standing: Standing, what: str, why: str) -> dict[str, Any]:
    """``why`` is empty for what a healthy device sends."""
    table, address = standing.object_id
    return {"what": what, "why": why, "table": table, "address": address, "signal": standing.signal}


def _words(recipient: Recipient) -> str:
    host, port = recipient
    return f"{host}:{port}"
