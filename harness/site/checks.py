"""What can be wrong with a site although each line of it reads well: rows against alarms, points and each other."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Final

from harness.core.errors import Origin
from harness.core.instants import Bounds
from harness.core.links import PersonLink, TextLink
from harness.core.model import Behaviour, Site, Step, Write
from harness.core.places import Numbering, TextPlace
from harness.site.acknowledging import is_acknowledgement
from harness.site.addresses import WORD_OF, write_number
from harness.site.forms import Form, Value
from harness.site.limits import check_limits
from harness.site.link_checks import check_links
from harness.site.looking import pushed
from harness.site.names import did_you_mean, shown
from harness.site.place_checks import check_places
from harness.site.problems import Problems
from harness.site.text_checks import check_texts

Check = Callable[[Site, Form, Problems], None]


def check_site(site: Site, form: Form, problems: Problems) -> None:
    """Run every cross-check on what could be read."""
    for check in CHECKS:
        check(site, form, problems)


def _side_effects(_site: Site, form: Form, problems: Problems) -> None:
    known = set(form.forms("side effects"))
    used = set()
    for name, alarm_form in form.forms("alarms").items():
        for value in alarm_form.many("side effects"):
            effect = str(value.means)
            used.add(effect)
            if effect not in known:
                remedy = did_you_mean(effect, known, otherwise="define it under side effects:")
                problems.error(
                    value.origin, "unknown-side-effect", f"side effects={shown(effect)}: not defined", remedy
                )
        if not alarm_form.has("side effects"):
            text = f"alarm {name}: its side effects are not stated, and a test refuses to raise it"
            problems.warning(alarm_form.origin, "side-effects-unknown", text, "write side effects: none, or name them")
    for name in known - used:
        text = f"side effect {name}: no alarm has it"
        problems.warning(form.forms("side effects")[name].origin, "unused-side-effect", text, "delete it, or name it")


def _also_raises(site: Site, form: Form, problems: Problems) -> None:
    for name, alarm_form in form.forms("alarms").items():
        for value in alarm_form.many("also raises"):
            other = str(value.means)
            if other not in site.alarms:
                text = f"also raises={shown(other)}: no such alarm"
                problems.error(value.origin, "unknown-alarm", text, did_you_mean(other, site.alarms))
            elif other == name:
                problems.error(value.origin, "also-raises", f"also raises={other}: the alarm itself", "delete it")
            elif name in site.alarms[other].also_raises and name < other:
                text = f"also raises={other}: {other} also raises {name}, so neither can be told from the other"
                problems.error(value.origin, "also-raises", text, "delete one of the two")


def _same_stimulus(site: Site, form: Form, problems: Problems) -> None:
    """Two alarms that are raised by the same write: one of them would raise the other, with its side effects."""
    first: dict[tuple[Write, ...], str] = {}
    for name, alarm in site.alarms.items():
        writes = alarm.writes.get(Step.RAISE)
        if not writes:
            continue
        other = first.setdefault(tuple(writes), name)
        if other != name:
            alarm_form = form.forms("alarms")[name]
            text = f"alarm {name}: is raised by the very write that raises {other}"
            problems.error(alarm_form.origin, "same-stimulus", text, "give each alarm its own code or values")


def _unexpected(site: Site, form: Form, problems: Problems) -> None:
    if not form.has("points") or "points" in form.broken or problems.has_errors:
        return
    expected = {row.alarm for row in site.expectations}
    for alarm in site.alarms.values():
        if alarm.name not in expected:
            text = f"alarm {alarm.name}: no row of the point map expects it anywhere"
            problems.warning(alarm.origin, "no-expectation", text, "add a row, or delete the alarm")
    if not site.expectations:
        problems.error(form.at("points"), "no-rows", "points: no row at all", "add one row for each alarm and output")


def _references(site: Site, form: Form, problems: Problems) -> None:
    alarm_forms = form.forms("alarms")
    rows = {(row.alarm, row.point): row for row in site.expectations}
    owners: dict[str, str] = {}
    for alarm in site.alarms.values():
        if alarm.reference is None:
            continue
        origin = alarm_forms[alarm.name].at("reference")
        point = site.points.get(alarm.reference)
        if point is None:
            continue
        own = rows.get((alarm.name, point.name))
        if own is not None:
            text = f"reference={point.name}: the row at {own.origin} expects {alarm.name} at this very point"
            problems.error(
                origin, "own-reference", text, "no row is timed by its own point: delete it, or name another"
            )
        link = site.links.get(point.link)
        if link is not None and (isinstance(link, PersonLink) or pushed(point, link) is not None):
            what = "what a person reports" if isinstance(link, PersonLink) else "what is told unasked"
            what = "a printed line" if isinstance(link, TextLink) else what
            text = f"reference={point.name}: {what} comes after a delay of its own"
            problems.warning(origin, "reference-text", text, "a polled point of the controller itself is better")
        before = site.before(point.link)
        expected = (site.points[row.point].link for row in site.expectations_of(alarm.name))
        timed = next((it for it in expected if it in before), None)
        if timed is not None:
            text = f"reference={point.name}: link {point.link} is behind {timed}, where {alarm.name} is expected"
            remedy = "a reference must not come after what it times: name a point of the controller itself"
            problems.error(origin, "reference-behind", text, remedy)
        owner = owners.setdefault(point.name, alarm.name)
        if owner != alarm.name:
            text = f"reference={point.name}: it already is the reference of {owner}"
            problems.error(origin, "shared-reference", text, "a reference point shows one alarm only")


# --- writes ---------------------------------------------------------------------------------------


def _writes(site: Site, form: Form, problems: Problems) -> None:
    stimulus = form.get("stimulus", Form)
    alarm_forms = form.forms("alarms")
    if "writable" in form.broken:
        return
    for alarm in site.alarms.values():
        own = alarm_forms[alarm.name]
        for step, writes in alarm.writes.items():
            lines = [value for value in _lines_of(own, stimulus, step) if not is_acknowledgement(value)]
            for write, value in zip(writes, lines, strict=False):
                if not _is_writable(write, site):
                    _refuse_write(write, step, value.origin, site, problems)
        lines = [value for value in _lines_of(own, stimulus, Step.ACKNOWLEDGE) if is_acknowledgement(value)]
        for acknowledged, value in zip(alarm.acknowledgements, lines, strict=False):
            if acknowledged.link not in site.acknowledgeable:
                text = f"acknowledge: events of {acknowledged.link} may not be acknowledged at this site"
                remedy = f"if they may, add under writable: - {{link: {acknowledged.link}, acknowledge: yes}}"
                problems.error(value.origin, "not-acknowledgeable", text, remedy)
        clears = own.has("clear") or (stimulus is not None and stimulus.has("clear") and own.has("code"))
        if Step.RAISE in alarm.writes and not clears and not own.has("lasts"):
            text = f"alarm {alarm.name}: raise is written, clear is not, and it does not say how long it lasts"
            problems.warning(own.origin, "no-clear", text, "add clear:, or lasts: if it clears by itself")


def _lines_of(own: Form, stimulus: Form | None, step: Step) -> tuple[Value, ...]:
    """The lines that say how a step is done: the alarm's own, else those of the site."""
    source = own if own.has(step.value) or stimulus is None else stimulus
    return source.many(step.value)


def _refuse_write(write: Write, step: Step, origin: Origin, site: Site, problems: Problems) -> None:
    link = site.links[write.link]
    numbering = getattr(link, "numbering", Numbering.REFERENCE)
    first = write_number(write.table, write.address, numbering)
    last = write_number(write.table, write.address + len(write.values) - 1, numbering)
    span = first if first == last else f"{first}-{last}"
    word = WORD_OF[write.table]
    text = f"{step.value}: {word}={span}: not among the writable addresses of this site"
    remedy = f"if it may be written, add under writable: - {{link: {write.link}, {word}: {span}}}"
    problems.error(origin, "not-writable", text, remedy)


def _is_writable(write: Write, site: Site) -> bool:
    return any(
        r.link == write.link and r.unit == write.unit and r.table is write.table
        and r.address <= write.address and write.address + len(write.values) <= r.address + r.count
        for r in site.writable
    )  # fmt: skip


def _transients(site: Site, form: Form, problems: Problems) -> None:
    for alarm in site.alarms.values():
        if alarm.lasts_ns == Bounds.exactly(0):
            origin = form.forms("alarms")[alarm.name].at("lasts")
            problems.error(origin, "lasts", "lasts=0 s: expected more than 0 s", "write how long it lasts")


def _patternless(site: Site, _form: Form, problems: Problems) -> None:
    told = set()
    for row in site.expectations:
        place = site.points[row.point].place
        if not isinstance(place, TextPlace) or place.cleared is not None or row.point in told:
            continue
        if row.behaviour not in (Behaviour.PULSE, Behaviour.QUIET):
            told.add(row.point)
            text = f"behaviour={row.behaviour.value}: {row.point} has no cleared pattern, so its end is never seen"
            remedy = "add cleared:, or write behaviour pulse if no such line is printed"
            problems.warning(row.origin, "no-cleared", text, remedy)


CHECKS: Final[Iterable[Check]] = (
    check_links,
    _side_effects,
    _also_raises,
    _references,
    check_places,
    _writes,
    _same_stimulus,
    _transients,
    _patternless,
    check_texts,
    check_limits,
    _unexpected,
)
