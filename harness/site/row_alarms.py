"""Which alarms a row of a point map is for: by name, text or tag, pattern or class."""

from __future__ import annotations

import fnmatch
from collections.abc import Mapping
from dataclasses import dataclass

from harness.core.links import LinkSpec
from harness.core.model import Alarm, AlarmClass
from harness.site.forms import Form
from harness.site.loops import Loop
from harness.site.names import did_you_mean, plain, shown
from harness.site.problems import Problems


@dataclass(frozen=True, slots=True, kw_only=True)
class Context:
    """All that a row may refer to. ``link_forms``, ``loop_forms``: also of those that could not be read."""

    links: Mapping[str, LinkSpec]
    link_forms: Mapping[str, Form]
    alarms: Mapping[str, Alarm]
    alarm_forms: Mapping[str, Form]
    defaults: Form | None
    loops: Mapping[str, Loop]
    loop_forms: Mapping[str, Form]
    problems: Problems

    called: Mapping[str, tuple[str, ...]]
    """Alarms by their texts and tags, spelt plainly (see ``names.plain``)."""

    @property
    def declared(self) -> tuple[str, ...]:
        """The names of all links of the site file."""
        return tuple(self.link_forms)


def names_by_call(alarm_forms: Mapping[str, Form]) -> Mapping[str, tuple[str, ...]]:
    """Names of alarms by what else they are called: their texts and tags."""
    called: dict[str, tuple[str, ...]] = {}
    for name, form in alarm_forms.items():
        for call in {plain(form.text("text")), *(plain(str(tag.means)) for tag in form.many("tags"))} - {""}:
            called[call] = (*called.get(call, ()), name)
    return called


def alarms_of(row: Form, context: Context) -> tuple[tuple[str, ...], int]:
    """The alarms that a row is for, and how specially it names them."""
    wanted = row.text("alarm")
    if not wanted:
        return (), 0
    alarms = context.alarms
    if wanted in alarms:
        return (wanted,), 3
    if plain(wanted).startswith("class:"):
        return _of_class(row, wanted.split(":", 1)[1].strip(), context), 1
    called = context.called.get(plain(wanted), ())
    if len(called) == 1:
        return (called[0],), 3
    if called:
        found = f"alarm={shown(wanted)}: this is the text or tag of {', '.join(called)}"
        context.problems.error(row.at("alarm"), "ambiguous-alarm", found, "write the alarm's name")
        return (), 0
    if any(sign in wanted for sign in "*?["):
        matched = tuple(name for name in alarms if fnmatch.fnmatchcase(name, wanted))
        if not matched:
            context.problems.error(row.at("alarm"), "unknown-alarm", f"alarm={shown(wanted)}: matches no alarm",
                                   did_you_mean(wanted.strip("*?"), alarms))  # fmt: skip
        return matched, 2
    if context.problems.is_full:
        return (), 0
    known = [*alarms, *(form.text("text") for form in context.alarm_forms.values() if form.text("text"))]
    context.problems.error(row.at("alarm"), "unknown-alarm", f"alarm={shown(wanted)}: no such alarm",
                           did_you_mean(wanted, known, otherwise="add it under alarms:"))  # fmt: skip
    return (), 0


def _of_class(row: Form, word: str, context: Context) -> tuple[str, ...]:
    words = [member.value for member in AlarmClass]
    if word not in words:
        found = f"alarm={shown(row.text('alarm'))}: expected class:alarm, class:warning or class:fault"
        known = [f"class:{known}" for known in words]
        context.problems.error(row.at("alarm"), "unknown-class", found, did_you_mean(f"class:{word}", known))
        return ()
    names = tuple(name for name, alarm in context.alarms.items() if alarm.alarm_class.value == word)
    if not names:
        found = f"alarm={shown(row.text('alarm'))}: no alarm has this class"
        context.problems.warning(row.at("alarm"), "empty-class", found, "delete the row, or set class: of its alarms")
    return names
