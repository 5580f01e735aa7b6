"""What can be wrong with the stimuli of a site: what they write, take back and wait for."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from harness.core.errors import Origin
from harness.core.links import PersonLink
from harness.core.model import Alarm, Behaviour, Site, Step
from harness.core.places import Numbering
from harness.core.writing import AnyWrite, PropertyWrite, Write
from harness.site.acknowledging import is_acknowledgement
from harness.site.addresses import WORD_OF, write_number
from harness.site.durations import write_duration
from harness.site.forms import Form, Value
from harness.site.problems import Problems

_LIFE_SAFETY: Final = (1, 2)
"""Manual and automatic life safety (ASHRAE 135, 19.2, table of standard priorities, from memory)."""


def check_writes(site: Site, form: Form, problems: Problems) -> None:
    """Every write is listed, every command is relinquished, and no two alarms are raised by the same write."""
    if "writable" not in form.broken:
        _listed(site, form, problems)
    _same_stimulus(site, form, problems)
    for alarm in site.alarms.values():
        own = form.forms("alarms")[alarm.name]
        _relinquished(alarm, own, form.get("stimulus", Form), problems)
        _long_enough(site, alarm, own, form.get("stimulus", Form), problems)
    for value in form.many("writable"):
        priority = value.means.get("priority", int) if isinstance(value.means, Form) else None
        if priority in _LIFE_SAFETY and isinstance(value.means, Form):
            text = f"priority={priority}: it stands above every other command, and is kept for life safety"
            problems.warning(value.means.at("priority"), "priority", text, "8, that of an operator, will usually do")


def _listed(site: Site, form: Form, problems: Problems) -> None:
    stimulus = form.get("stimulus", Form)
    for alarm in site.alarms.values():
        own = form.forms("alarms")[alarm.name]
        for step, writes in alarm.writes.items():
            for write, value in zip(writes, _write_lines(own, stimulus, step), strict=False):
                if not any(it.covers(write) for it in site.writable):
                    _refuse(write, step, value.origin, site, problems)
        lines = [value for value in lines_of(own, stimulus, Step.ACKNOWLEDGE) if is_acknowledgement(value)]
        for acknowledged, value in zip(alarm.acknowledgements, lines, strict=False):
            if acknowledged.link not in site.acknowledgeable:
                text = f"acknowledge: events of {acknowledged.link} may not be acknowledged at this site"
                remedy = f"if they may, add under writable: - {{link: {acknowledged.link}, acknowledge: yes}}"
                problems.error(value.origin, "not-acknowledgeable", text, remedy)
        clears = own.has("clear") or (stimulus is not None and stimulus.has("clear") and own.has("code"))
        if Step.RAISE in alarm.writes and not clears and not own.has("lasts"):
            text = f"alarm {alarm.name}: raise is written, clear is not, and it does not say how long it lasts"
            problems.warning(own.origin, "no-clear", text, "add clear:, or lasts: if it clears by itself")


def lines_of(own: Form, stimulus: Form | None, step: Step) -> tuple[Value, ...]:
    """The lines that say how a step is done: the alarm's own, else those of the site."""
    source = own if own.has(step.value) or stimulus is None else stimulus
    return source.many(step.value)


def _write_lines(own: Form, stimulus: Form | None, step: Step) -> list[Value]:
    return [value for value in lines_of(own, stimulus, step) if not is_acknowledgement(value)]


def _refuse(write: AnyWrite, step: Step, origin: Origin, site: Site, problems: Problems) -> None:
    if isinstance(write, Write):
        numbering = getattr(site.links[write.link], "numbering", Numbering.REFERENCE)
        first = write_number(write.table, write.address, numbering)
        last = write_number(write.table, write.address + len(write.values) - 1, numbering)
        where = f"{WORD_OF[write.table]}={first if first == last else f'{first}-{last}'}"
        line = where.replace("=", ": ")
        what = "among the writable addresses"
    else:
        at = "" if write.priority is None else f" at priority {write.priority}"
        where = f"object={write.object_type.value} {write.instance}: its {write.property.value}{at}"
        line = f"object: {write.object_type.value} {write.instance}, property: {write.property.value}"
        line += "" if write.priority is None else f", priority: {write.priority}"
        what = "among the writable properties"
    remedy = f"if it may be written, add under writable: - {{link: {write.link}, {line}}}"
    problems.error(origin, "not-writable", f"{step.value}: {where}: not {what} of this site", remedy)


def _relinquished(alarm: Alarm, own: Form, stimulus: Form | None, problems: Problems) -> None:
    """A command that nobody relinquishes goes on standing above the site's own, long after the test."""
    taken_back = {
        _slot(write)
        for step in (Step.CLEAR, Step.RESET)
        for write in alarm.writes.get(step, ())
        if isinstance(write, PropertyWrite) and write.value is None
    }
    for step, write in _commands(alarm):
        if write.value is None or write.priority is None or _slot(write) in taken_back:
            continue
        taken_back.add(_slot(write))
        origin = next((it.origin for it in _write_lines(own, stimulus, step)), own.origin)
        what = f"{write.object_type.value} {write.instance}"
        text = f"{step.value}: {what} is commanded at priority {write.priority}, and no clear or reset relinquishes it"
        remedy = (
            f"add under clear: {{link: {write.link}, object: {what}, property: {write.property.value}, value: "
            f"relinquish, priority: {write.priority}}}"
        )
        problems.error(origin, "not-relinquished", text, remedy)


def _commands(alarm: Alarm) -> Iterator[tuple[Step, PropertyWrite]]:
    for step, writes in alarm.writes.items():
        for write in writes:
            if isinstance(write, PropertyWrite):
                yield step, write


def _slot(write: PropertyWrite) -> tuple[object, ...]:
    return write.link, write.object_type, write.instance, write.property, write.priority


def _long_enough(site: Site, alarm: Alarm, own: Form, stimulus: Form | None, problems: Problems) -> None:
    """Cleared before its rows had their time, it would prove nothing."""
    if Step.RAISE not in alarm.writes or alarm.lasts_ns is not None:
        return
    most_ns = site.raised_at_most_of(alarm.name)
    needed = [
        ((row.limits.appears_within_ns or 0) + (row.limits.visible_for_ns or 0), row)
        for row in site.expectations_of(alarm.name)
        if row.behaviour is not Behaviour.QUIET and not _is_out_of_sight(site, row.point)
    ]
    longest_ns, row = max(needed, key=lambda it: it[0], default=(0, None))
    if row is None or longest_ns < most_ns:
        return
    source = own if own.has("raised at most") or stimulus is None else stimulus
    text = f"raised at most={write_duration(most_ns)}: the row at {row.origin} alone takes {write_duration(longest_ns)}"
    problems.error(source.at("raised at most"), "raised-at-most", text, f"write more for {alarm.name}, or less there")


def _is_out_of_sight(site: Site, point: str) -> bool:
    """What somebody has to walk to is waited for by its own limit."""
    link = site.links[site.points[point].link]
    return isinstance(link, PersonLink) and not link.in_sight


def _same_stimulus(site: Site, form: Form, problems: Problems) -> None:
    """Two alarms that are raised by the same write: one of them would raise the other, with its side effects."""
    first: dict[tuple[AnyWrite, ...], str] = {}
    for name, alarm in site.alarms.items():
        writes = alarm.writes.get(Step.RAISE)
        if not writes:
            continue
        other = first.setdefault(tuple(writes), name)
        if other != name:
            alarm_form = form.forms("alarms")[name]
            text = f"alarm {name}: is raised by the very write that raises {other}"
            problems.error(alarm_form.origin, "same-stimulus", text, "give each alarm its own code or values")
