"""The BACnet object that one row of a point map means, and the way by which its alarm must arrive."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from harness.core.links import BacnetLink
from harness.core.places import Arrival, BacnetPlace, EventState, ObjectPart, ObjectType, OnWhen
from harness.site.forms import Form
from harness.site.kinds import When
from harness.site.names import shown
from harness.site.placed import Placed, RowAlarms
from harness.site.placeholders import values_of
from harness.site.placing import refuse_failure
from harness.site.problems import Problems
from harness.site.protocol_kinds import INSTANCE_MAX, ObjectRef

_SET: Final = When(on_when=OnWhen.SET)
_LIMITED: Final = (ObjectType.ANALOG_INPUT, ObjectType.ANALOG_VALUE)


def bacnet_points(
    row: Form,
    link: BacnetLink,
    own: RowAlarms,
    problems: Problems,
) -> Iterable[Placed]:
    """The objects of a row: one for each alarm where the object holds its code, else one for all."""
    ref = row.get("object", ObjectRef)
    if not row.has("object") and not problems.is_cut_short:
        text = f"row {row.text('alarm')}: object is missing"
        problems.error(row.origin, "missing", text, f"add the object on {link.name}, such as object: binary-input 3")
    if ref is None or row.broken & {"part", "event state", "arrives by", "on when"}:
        return
    if not _check(row, ref.object_type, problems):
        return
    if ref.instance is not None:
        yield _placed(row, own.names, link, ref.object_type, ref.instance)
        return
    for name in own.names:
        values = values_of(own.alarms[name], own.forms[name], ("code",), f"object={row.written('object')}", problems)
        if values is not None and int(values["code"]) <= INSTANCE_MAX:
            yield _placed(row, (name,), link, ref.object_type, int(values["code"]))


def _placed(row: Form, names: tuple[str, ...], link: BacnetLink, object_type: ObjectType, instance: int) -> Placed:
    arrives, part = row.get("arrives by", Arrival) or Arrival.POLL, row.get("part", ObjectPart)
    when = row.get("on when", When) or _SET
    if arrives is Arrival.EVENT and part is not ObjectPart.FAULT:
        part = None  # an event tells a state of the event, whatever part of the object the row names
    place = BacnetPlace(
        object_type=object_type,
        instance=instance,
        part=part or ObjectPart.PRESENT_VALUE,
        arrives=arrives,
        on_when=when.on_when,
        threshold=when.threshold,
        event_state=row.get("event state", EventState),
    )
    written = f"{object_type.value} {instance}"
    of = f" {part.value}" if part not in (None, ObjectPart.PRESENT_VALUE) else ""
    of += f" {place.event_state.value}" if place.event_state is not None else ""
    by = "" if arrives is Arrival.POLL else f" by {arrives.value}"
    return Placed(name=f"{link.name}:{written}{of}{when.suffix}{by}", place=place, written=written, alarms=names)


def _check(row: Form, object_type: ObjectType, problems: Problems) -> bool:
    """True where this part of such an object can arrive in this way, and can be both on and off."""
    arrives, part = row.get("arrives by", Arrival) or Arrival.POLL, row.get("part", ObjectPart)
    if arrives is Arrival.COV and part is ObjectPart.EVENT_STATE:
        text = "part=event-state: a COV notification holds the value and the status flags, no Event_State"
        remedy = "write part: in-alarm or fault, or arrives by: event (ASHRAE 135, 13.1)"
        problems.error(row.at("part"), "part", text, remedy)
        return False
    if row.has("event state") and arrives is not Arrival.EVENT and part is not ObjectPart.EVENT_STATE:
        text = f"event state={shown(row.written('event state'))}: only an event, or part: event-state, has one"
        problems.error(row.at("event state"), "event-state", text, "delete it, or write arrives by: event")
        return False
    when = row.get("on when", When)
    if when is not None and when.is_failure:
        refuse_failure(row, problems)
        return False
    if arrives is Arrival.EVENT:
        if not _refuse_when(row, "an event is on where it leads to an off-normal state", problems):
            return False
        if object_type in _LIMITED and not row.has("event state") and part is not ObjectPart.FAULT:
            text = f"object={row.written('object')}: events to its high and to its low limit both count as this alarm"
            problems.warning(row.at("object"), "event-state", text, "add event state: high-limit or low-limit")
        return True
    if part not in (None, ObjectPart.PRESENT_VALUE):
        return _refuse_when(row, f"part {part.value} is on or off by itself", problems)
    return _check_value(row, object_type, when or _SET, problems)


def _refuse_when(row: Form, why: str, problems: Problems) -> bool:
    if row.has("on when") and row.get("on when", When) != _SET:
        text = f"on when={shown(row.written('on when'))}: {why}"
        problems.error(row.at("on when"), "on-when", text, "delete it")
        return False
    return True


def _check_value(row: Form, object_type: ObjectType, when: When, problems: Problems) -> bool:
    at = row.at("on when") if row.has("on when") else row.at("object")
    written = shown(row.written("on when")) or "set"
    kind = object_type.value.rpartition("-")[0]
    if kind == "binary":
        if when.threshold is None:
            return True
        text = f"on when={written}: a {object_type.value} is set (active) or clear (inactive)"
        problems.error(at, "on-when", text, "write set or clear")
        return False
    if when.threshold is None:
        article = "an" if kind == "analog" else "a"
        what = "a number" if kind == "analog" else "the number of a state, from 1"
        example = "above 90" if kind == "analog" else "equal 2"
        text = f"on when={written}: {article} {object_type.value} holds {what}, which is never simply set or clear"
        problems.error(at, "on-when", text, f"add for example on when: {example}")
        return False
    if kind == "multi-state" and _never_changes(when):
        text = f"on when={written}: the states of a {object_type.value} are numbered 1, 2, 3 ..., so it never changes"
        problems.error(at, "on-when", text, "mend the number")
        return False
    return True


def _never_changes(when: When) -> bool:
    number = when.threshold or 0.0
    if when.on_when is OnWhen.EQUAL:
        return number < 1 or number != int(number)
    return number < 1 if when.on_when is OnWhen.ABOVE else number <= 1
