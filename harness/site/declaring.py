"""What a site file declares of the times on the way to its outputs, for ``farend budget``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from harness.core.declared_times import DeclaredTimes
from harness.core.instants import Bounds
from harness.core.links import BusWay, LinkSpec, ModbusRtuLink, SerialPort
from harness.core.places import Arrival, BacnetPlace, CurrentLoop, ObjectPart, OnWhen, Place
from harness.site.fields import DRIVEN_TO
from harness.site.forms import Form
from harness.site.link_fields import TIME_DELAYS
from harness.site.names import shown
from harness.site.problems import Problems

_EVENT_PARTS: Final = (ObjectPart.EVENT_STATE, ObjectPart.IN_ALARM)


def build_times(
    forms: Mapping[str, Form], links: Mapping[str, LinkSpec], problems: Problems
) -> dict[str, DeclaredTimes]:
    """By link, for those that say anything."""
    found = {}
    for name in links:
        form = forms[name]
        if form.has("device polls every") and not form.has("behind"):
            text = f"device polls every={shown(form.written('device polls every'))}: of which device? behind is missing"
            problems.error(form.at("device polls every"), "missing", text, "add behind: the link of what it polls")
        spec = links[name]
        if form.has("retries") and isinstance(spec, ModbusRtuLink) and spec.way is BusWay.POLL:
            text = f"retries={shown(form.written('retries'))}: farend is the master here, and asks nobody again"
            problems.error(form.at("retries"), "unfit-time", text, "delete the line, or write way: receive-only")
        times = DeclaredTimes(
            output_delay=form.get("output delay", Bounds),
            device_poll_ns=form.get("device polls every", int),
            round_trip=form.get("round trip", Bounds),
            answer_time=form.get("answer time", Bounds),
            retries=form.get("retries", int),
            line=form.get("line", SerialPort),
            read_every_ns=form.get("read every", int),
            time_delay_ns=form.get("time delay", int),
            time_delay_normal_ns=form.get("time delay normal", int),
        )
        if times != DeclaredTimes():
            found[name] = times
    return found


def has_time_delay(place: Place) -> bool:
    """True where what is read or told goes through the event algorithm of its object (ASHRAE 135, 13.3)."""
    return isinstance(place, BacnetPlace) and (place.arrives is Arrival.EVENT or place.part in _EVENT_PARTS)


def check_declared(row: Form, place: Place, problems: Problems) -> None:
    """Report what a row declares of times that its point has not."""
    for name in (field.name for field in TIME_DELAYS):
        if name in row.values and not has_time_delay(place):
            text = f"{name}={shown(row.written(name))}: goes with events, and with part: event-state or in-alarm"
            problems.error(row.at(name), "unfit-time", text, "delete it, or say how the alarm arrives")
    name = DRIVEN_TO[0].name
    if name not in row.values or name in row.broken:
        return
    loop = getattr(place, "loop", None)
    if loop is None:
        text = f"{name}={shown(row.written(name))}: only a current loop is driven"
        problems.error(row.at(name), "unfit-time", text, "delete it, or name the loop")
        return
    _check_driven(row, loop, place, problems)


def _check_driven(row: Form, loop: CurrentLoop, place: Place, problems: Problems) -> None:
    """It has to cross the threshold on the way there, or the row could never show."""
    to, when, threshold = row.get("driven to", float), place_when(place), getattr(place, "threshold", None)
    if to is None or threshold is None or when not in (OnWhen.ABOVE, OnWhen.BELOW):
        return
    sign = 1 if when is OnWhen.ABOVE else -1
    if sign * (to - threshold) <= 0:
        text = f"driven to={shown(row.written('driven to'))}: it is not on there, on when is {when.value} {threshold:g}"
        problems.error(row.at("driven to"), "unfit-time", text, "mend one of the two")
    elif loop.rest is not None and sign * (loop.rest[1 if sign > 0 else 0] - threshold) >= 0:
        low, high = loop.rest
        text = f"driven to={shown(row.written('driven to'))}: loop {loop.name} is at rest at {low:g} to {high:g}, "
        text += f"where on when {when.value} {threshold:g} is on already"
        problems.error(row.at("driven to"), "unfit-time", text, "mend at rest of the loop, or on when")


def place_when(place: Place) -> OnWhen | None:
    """When a value counts as on; None for what is no value."""
    found = getattr(place, "on_when", None)
    return found if isinstance(found, OnWhen) else None
