"""What can be wrong with a site although each line of it reads well: rows against alarms, points and each other."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Final

from harness.core.instants import Bounds
from harness.core.links import PersonLink, TextLink
from harness.core.model import Behaviour, Site
from harness.core.places import TextPlace
from harness.site.forms import Form
from harness.site.limits import check_limits
from harness.site.link_checks import check_links
from harness.site.looking import pushed
from harness.site.names import did_you_mean, shown
from harness.site.place_checks import check_places
from harness.site.problems import Problems
from harness.site.text_checks import check_texts
from harness.site.write_checks import check_writes

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
    check_writes,
    _transients,
    _patternless,
    check_texts,
    check_limits,
    _unexpected,
)
