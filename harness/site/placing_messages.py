"""The messages that one row of a point map means: of an MQTT topic, or of a person who looks at a sign."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from typing import Final

from harness.core.links import MqttLink, PersonLink
from harness.core.places import MqttPlace, OnWhen, PersonPlace, Sign
from harness.site.forms import Form
from harness.site.kinds import When
from harness.site.names import shown
from harness.site.patterns import check_searched_pattern
from harness.site.placed import Placed, RowAlarms
from harness.site.placeholders import check_placeholders, filled, pointer_token, used, values_of
from harness.site.placing import refuse_failure
from harness.site.problems import Mismatch, Problems
from harness.site.protocol_kinds import check_topic

_VALUE_NAMES: Final = ("on values", "off values")
_TEMPLATE_NAMES: Final = ("topic", "pointer", "pattern", *_VALUE_NAMES)
_Spelt = Callable[[str], str]


def mqtt_points(row: Form, link: MqttLink, own: RowAlarms, problems: Problems) -> Iterable[Placed]:
    """The topics of a row: one place for each alarm where a field holds its name, text or code, else one for all."""
    if not row.has("topic") and not problems.is_cut_short:
        text = f"row {row.text('alarm')}: topic is missing"
        problems.error(row.origin, "missing", text, f"add the topic on {link.name}; {{name}} stands for the alarm's")
    if "topic" not in row.values or row.broken & {*_TEMPLATE_NAMES, "on when"}:
        return
    if not _are_placeholders_good(row, problems) or not _check_values(row, problems):
        return
    words = used(_templates(row))
    if not words:
        yield from _mqtt_placed(row, link, own.names, {}, problems)
        return
    for name in own.names:
        values = values_of(own.alarms[name], own.forms[name], words, f"a field of its row on {link.name}", problems)
        if values is None:
            continue
        placed = tuple(_mqtt_placed(row, link, (name,), values, problems))
        if not placed:
            return
        yield from placed


def _templates(row: Form) -> Iterable[str]:
    yield from (row.text(name) for name in ("topic", "pointer", "pattern"))
    yield from (str(value.means) for name in _VALUE_NAMES for value in row.many(name))


def _are_placeholders_good(row: Form, problems: Problems) -> bool:
    for name in _TEMPLATE_NAMES:
        texts = [str(it.means) for it in row.many(name)] if name in _VALUE_NAMES else [row.text(name)]
        for text in texts:
            try:
                check_placeholders(text)
            except Mismatch as mismatch:
                problems.mismatch(row.at(name), name, text, mismatch)
                return False
    return True


def _check_values(row: Form, problems: Problems) -> bool:
    """True where the row says which values are on, in one way only."""
    listed = [name for name in _VALUE_NAMES if row.many(name)]
    when = row.get("on when", When)
    if row.has("pointer") and row.has("pattern"):
        text = f"pattern={shown(row.text('pattern'))}: pointer says already where the value is"
        problems.error(row.at("pattern"), "pattern", text, "delete one of the two")
        return False
    if when is not None and when.is_failure:
        refuse_failure(row, problems)
        return False
    if when is not None and listed:
        text = f"{listed[0]}={shown(row.written(listed[0]))}: on when says already what is on"
        problems.error(row.at(listed[0]), "on-values", text, "delete one of the two")
        return False
    both = {str(it.means) for it in row.many("on values")} & {str(it.means) for it in row.many("off values")}
    if both:
        text = f"off values={shown(min(both))}: it is among the on values too"
        problems.error(row.at("off values"), "on-values", text, "delete it from one of the two")
    return not both


def _mqtt_placed(
    row: Form, link: MqttLink, names: tuple[str, ...], values: Mapping[str, str], problems: Problems
) -> Iterable[Placed]:
    def text(name: str, spelt: _Spelt = str) -> str | None:
        written = row.get(name, str)
        return None if written is None else filled(written, values, spelt)

    def several(name: str) -> tuple[str, ...]:
        return tuple(filled(str(value.means), values) for value in row.many(name))

    topic, pattern = text("topic") or "", text("pattern", re.escape)
    checks = (("topic", check_topic, topic), ("pattern", check_searched_pattern, pattern))
    for name, check, found in checks:
        if found is None:
            continue
        try:
            check(found)
        except Mismatch as mismatch:
            if mismatch.code == "topic-wildcard":
                mismatch.remedy += "; {name}, {text} and {code} stand for those of each alarm"
            problems.mismatch(row.at(name), name, found if name == "topic" else row.text(name), mismatch)
            return
    when = row.get("on when", When) or When(on_when=OnWhen.SET)
    pointer = text("pointer", pointer_token)
    place = MqttPlace(
        topic=topic,
        pointer=pointer,
        pattern=pattern,
        on_values=several("on values"),
        off_values=several("off values"),
        on_when=when.on_when,
        threshold=when.threshold,
    )
    yield Placed(name=_mqtt_name(row, link, place, names, when), place=place, written=topic, alarms=names)


def _mqtt_name(row: Form, link: MqttLink, place: MqttPlace, names: tuple[str, ...], when: When) -> str:
    """By its topic; where the payload tells several alarms of one topic apart, by its alarm as well."""
    own = f"{link.name}:{place.topic}{place.pointer or ''}"
    by_payload = used([row.text("pattern"), *(str(v.means) for name in _VALUE_NAMES for v in row.many(name))])
    told_apart = by_payload and not used([row.text("topic"), row.text("pointer")])
    return f"{own} {names[0]}" if told_apart and names else f"{own}{when.suffix}"


def person_points(row: Form, link: PersonLink, own: RowAlarms, problems: Problems) -> Iterable[Placed]:
    """The signs of a row: one for each alarm where the label holds its text, else one for all. A text is its own."""
    sign = row.get("sign", Sign)
    if not row.has("sign") and not problems.is_cut_short:
        text = f"row {row.text('alarm')}: sign is missing"
        problems.error(row.origin, "missing", text, f"add what is seen or heard at {link.name}: lamp, horn or text")
    if sign is None or "label" in row.broken:
        return
    label = row.text("label") or ("{text}" if sign is Sign.TEXT else "")
    if not label:
        if not problems.is_cut_short:
            text = f"row {row.text('alarm')}: label is missing"
            problems.error(row.origin, "missing", text, f"add how the {sign.value} is found, such as label: red, left")
        return
    try:
        check_placeholders(label)
    except Mismatch as mismatch:
        problems.mismatch(row.at("label"), "label", label, mismatch)
        return
    words = used([label])
    if not words:
        yield _person_placed(link, sign, label, own.names)
        return
    for name in own.names:
        values = values_of(own.alarms[name], own.forms[name], words, f"the label of its row on {link.name}", problems)
        if values is not None:
            yield _person_placed(link, sign, filled(label, values), (name,))


def _person_placed(link: PersonLink, sign: Sign, label: str, names: tuple[str, ...]) -> Placed:
    place = PersonPlace(sign=sign, label=label)
    return Placed(name=f"{link.name}:{sign.value} {label}", place=place, written=f"{sign.value} {label}", alarms=names)
