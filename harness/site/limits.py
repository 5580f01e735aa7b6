"""Limits that this way of looking, or this kind of stimulus, can never prove, with the values that it could.

A polled change is known to lie within one poll period and one exchange (asked to told), a pushed one within the longest
delay of its path, a reported one within the reaction time of the person; the raise itself is known within what the
reference point's own way of looking leaves, the write's exchange, or the time that a person takes. A latency is known
no better than the sum of the two. What is proven for every phase of the polls needs a limit of at least that sum, on
top of the true delay. The exchange itself is not declared, so every number here is a lower bound, and says "more than".
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from harness.core.errors import Origin
from harness.core.links import HAND_FINEST_NS, LinkSpec, PersonLink, TextLink
from harness.core.model import KEY_BEFORE_NS, Alarm, Behaviour, Expectation, Point, Site, Step
from harness.core.places import OnWhen, TextPlace
from harness.site.durations import write_duration
from harness.site.forms import Form
from harness.site.looking import Looking, looking_at, period_of, pushed
from harness.site.problems import Problems
from harness.site.row_limits import is_out_of_sight


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    """One row with what limits the knowledge about it."""

    row: Expectation
    alarm: Alarm
    point: Point
    link: LinkSpec

    looking: Looking

    @property
    def period_ns(self) -> int:
        """The poll period, 0 for a link that is told."""
        return self.looking.period_ns


def check_limits(site: Site, form: Form, problems: Problems) -> None:
    """Check every row; rows that come from one line of the user's file are reported once."""
    for row in site.expectations:
        alarm, point = site.alarms.get(row.alarm), site.points.get(row.point)
        link = site.links.get(point.link) if point is not None else None
        if alarm is None or point is None or link is None or "poll every" in form.forms("links")[point.link].broken:
            continue
        case = _Case(row=row, alarm=alarm, point=point, link=link, looking=looking_at(point, link))
        if is_out_of_sight(link):
            _out_of_sight(case, form, problems)
            continue
        if isinstance(link, PersonLink) and _finer_than_a_hand(case, form, problems):
            continue
        for check in (_lasting, _appears, _visible, _gone, _leak, _told, _persistence):
            check(case, site, form, problems)
    _holds(site, form, problems)


def _at(case: _Case, name: str, form: Form) -> tuple[Origin, str]:
    """Where a limit was set: the row, or the site's defaults."""
    defaults = form.get("defaults", Form)
    fields: Callable[[str], int | None] = lambda _: None  # noqa: E731 - a default that finds nothing
    if defaults is not None:
        own_defaults = defaults
        fields = lambda wanted: own_defaults.get(wanted, int)  # noqa: E731
    value = {
        "appears within": case.row.limits.appears_within_ns,
        "visible for": case.row.limits.visible_for_ns,
        "gone within": case.row.limits.gone_within_ns,
        "shortest leak": case.row.limits.leak_ns,
    }[name]
    shown_value = f"{name}={write_duration(value or 0)}"
    if defaults is not None and fields(name) == value:
        return defaults.at(name), shown_value
    return case.row.origin, shown_value


def _raise_width(case: _Case, site: Site) -> tuple[int, str]:
    """How exactly the raise can be known at best, and by what."""
    if case.alarm.reference is not None:
        point = site.points.get(case.alarm.reference)
        link = site.links.get(point.link) if point is not None else None
        looking = looking_at(point, link) if point is not None and link is not None else None
        if looking is not None and looking.period_ns:
            return looking.width_ns, f"its reference is polled every {write_duration(looking.period_ns)}"
        return looking.width_ns if looking is not None else 0, "its reference is told"
    if Step.RAISE in case.alarm.writes:
        return 0, "it is written"
    by_key_ns = site.key_within_ns + KEY_BEFORE_NS
    return by_key_ns, f"a person raises it, whose key tells no finer than {write_duration(by_key_ns)}"


def _lasting(case: _Case, _site: Site, form: Form, problems: Problems) -> None:
    """A transient cannot be demanded to show for longer than it lasts, nor surely for as long as it may last."""
    demanded, lasts = case.row.limits.visible_for_ns, case.alarm.lasts_ns
    ends_with_alarm = case.row.behaviour is Behaviour.FOLLOWS
    if demanded is None or lasts is None or not ends_with_alarm or case.row.limits.dwell_ns > 0:
        return
    origin, text = _at(case, "visible for", form)
    span = write_duration(lasts.lo)
    if lasts.lo != lasts.hi:
        span = f"{span} to {write_duration(lasts.hi)}"
    if demanded > lasts.hi:
        text += f": {case.alarm.name} itself lasts {span}, so a point that follows it is never on for that long"
        problems.error(origin, "longer-than-alarm", text, f"set it below {write_duration(lasts.lo)}")
    elif demanded > lasts.lo:
        text += f": {case.alarm.name} lasts {span}, which lies on both sides of this limit"
        problems.warning(origin, "straddles-alarm", text, f"set it below {write_duration(lasts.lo)}")
    elif demanded > lasts.lo - 2 * case.period_ns:
        most = max(0, lasts.lo - 2 * case.period_ns)
        text += f": {case.alarm.name} lasts {span}, of which polls every {write_duration(case.period_ns)} prove "
        text += f"{write_duration(most)} at least"
        problems.warning(origin, "unprovable-visible", text, "set it below that, or poll faster")
    elif isinstance(case.link, PersonLink) and demanded > lasts.lo - 2 * case.looking.width_ns:
        most = max(0, lasts.lo - 2 * case.looking.width_ns)
        text += f": {case.alarm.name} lasts {span}, of which reports known within "
        text += f"{write_duration(case.looking.width_ns)} prove {write_duration(most)} at least"
        problems.warning(origin, "unprovable-visible", text, "set it below that, or look at it over another link")


def _appears(case: _Case, site: Site, form: Form, problems: Problems) -> None:
    limit = case.row.limits.appears_within_ns
    if limit is None:
        return
    raise_ns, how = _raise_width(case, site)
    width_ns = raise_ns + case.looking.width_ns
    if limit > width_ns:
        return
    origin, text = _at(case, "appears within", form)
    because = " and ".join(part for part in (case.looking.why, how) if part)
    text += f": {because}, so nothing shorter than {write_duration(width_ns)} can be relied on to be proven"
    remedy = f"set it above {write_duration(width_ns)}"
    if case.period_ns and limit > raise_ns:
        remedy += f", or poll more often than every {write_duration(limit - raise_ns)}"
    elif raise_ns:
        is_by_hand = case.alarm.reference is None  # a written raise is known exactly
        remedy += ", or give the alarm a reference point or a written raise" if is_by_hand else ""
    problems.warning(origin, "unprovable-latency", text, remedy)


def _visible(case: _Case, _site: Site, form: Form, problems: Problems) -> None:
    if case.row.limits.visible_for_ns is None or not case.period_ns:
        return
    off_ns = case.point.hold.off_ns
    if off_ns <= case.period_ns:
        origin, text = _at(case, "visible for", form)
        text += f": between two polls {write_duration(case.period_ns)} apart {case.point.name} may be off for "
        text += f"{write_duration(off_ns)} unseen, so no time can be proven"
        problems.warning(origin, "unprovable-visible", text,
                         f"poll more often than every {write_duration(off_ns)}, or mend shortest off")  # fmt: skip


def _gone(case: _Case, site: Site, form: Form, problems: Problems) -> None:
    limit = case.row.limits.gone_within_ns
    if limit is None or case.row.behaviour is Behaviour.QUIET:
        return
    raise_ns, how = _raise_width(case, site)
    width_ns = raise_ns + case.looking.width_ns
    if limit <= width_ns:
        origin, text = _at(case, "gone within", form)
        because = " and ".join(part for part in (case.looking.why, how) if part)
        text += f": {because}, so nothing shorter than {write_duration(width_ns)} can be relied on to be proven"
        problems.warning(origin, "unprovable-end", text, f"set it above {write_duration(width_ns)}")


def _leak(case: _Case, _site: Site, form: Form, problems: Problems) -> None:
    if case.row.behaviour is not Behaviour.QUIET or not case.period_ns:
        return
    if case.row.limits.leak_ns <= case.period_ns:
        origin, text = _at(case, "shortest leak", form)
        text += f": {case.point.link} is polled every {write_duration(case.period_ns)}, and a leak of that length "
        text += "fits between two polls, so quiet can never be proven"
        remedy = f"set it above {write_duration(case.period_ns)}, or poll more often than every "
        problems.warning(origin, "unprovable-quiet", text, remedy + write_duration(case.row.limits.leak_ns))


def _told(case: _Case, _site: Site, form: Form, problems: Problems) -> None:
    """What a path that tells unasked can never prove."""
    link = pushed(case.point, case.link)
    _quiet_eyes(case, form, problems)
    if link is None:
        return
    if case.row.behaviour is Behaviour.QUIET and not (link.promises_every_change and link.longest_delay_ns):
        text = f"behaviour=quiet: silence on {link.name} proves nothing, so quiet can never be proven"
        remedy = f"if it is so, declare in link {link.name}: promises every change: yes, and longest delay:"
        problems.warning(case.row.origin, "unprovable-quiet", text, remedy)
    demanded, lasts = case.row.limits.visible_for_ns, case.alarm.lasts_ns
    delay_ns = link.longest_delay_ns
    place = case.point.place
    if case.row.behaviour is Behaviour.PULSE and isinstance(place, TextPlace) and place.cleared is None:
        late = "late by nobody knows how much" if delay_ns is None else f"up to {write_duration(delay_ns)} late"
        text = f"behaviour=pulse: {link.name} prints no end, and a line {late} may tell of a moment before the raise, "
        text += "so that it showed after it can never be proven"
        remedy = "if its end is printed too, add cleared: and write behaviour follows"
        problems.warning(case.row.origin, "unprovable-pulse", text, remedy)
    follows = case.row.behaviour in (Behaviour.FOLLOWS, Behaviour.PULSE)
    if delay_ns is not None and lasts is not None and lasts.lo <= delay_ns and follows and not demanded:
        text = f"{case.alarm.name} lasts {write_duration(lasts.lo)}, and {link.name} tells it up to "
        text += f"{write_duration(delay_ns)} late: by what it tells, it may have been gone before it was raised"
        remedy = f"declare in link {link.name} a longest delay below {write_duration(lasts.lo)}, if that is true"
        problems.warning(case.row.origin, "unprovable-transient", text, remedy)
    if demanded is None:
        return
    if link.longest_delay_ns is None:
        origin, text = _at(case, "visible for", form)
        what = "a line's state" if isinstance(link, TextLink) else "what it told"
        text += f": {link.name} declares no longest delay, so the end of {what} is not known from below"
        problems.warning(origin, "unprovable-visible", text, f"declare longest delay: in link {link.name}")
    elif lasts is not None and lasts.lo - link.longest_delay_ns < demanded <= lasts.lo:
        origin, text = _at(case, "visible for", form)
        most = write_duration(max(0, lasts.lo - link.longest_delay_ns))
        text += f": with a longest delay of {write_duration(link.longest_delay_ns)} no more than {most} can be proven"
        problems.warning(origin, "unprovable-visible", text, f"set it to {most} or less")


def _finer_than_a_hand(case: _Case, form: Form, problems: Problems) -> bool:
    """A limit so short is refused: no key pressed by hand could tell whether it was met."""
    limits = {
        "appears within": case.row.limits.appears_within_ns,
        "visible for": case.row.limits.visible_for_ns,
        "gone within": case.row.limits.gone_within_ns,
    }
    too_fine = [name for name, limit in limits.items() if limit is not None and limit < HAND_FINEST_NS]
    for name in too_fine:
        origin, text = _at(case, name, form)
        text += f": at {case.link.name} keys are pressed by hand, and a claim finer than 0.1 s from them is refused"
        problems.error(origin, "finer-than-a-hand", text, "set it above what a person can tell, or delete it")
    return bool(too_fine)


def _out_of_sight(case: _Case, form: Form, problems: Problems) -> None:
    """A person who has to walk there sees that it showed, and no time."""
    limits = {
        "appears within": case.row.limits.appears_within_ns,
        "visible for": case.row.limits.visible_for_ns,
        "gone within": case.row.limits.gone_within_ns,
    }
    for name, limit in limits.items():
        if limit is None:
            continue
        origin, text = _at(case, name, form)
        text += f": {case.link.name} is out of sight, where no time is measured, so it can never be met"
        problems.warning(origin, "out-of-sight", text, "delete it: appeared is then what the row can pass with")
    _quiet_eyes(case, form, problems)


def _quiet_eyes(case: _Case, form: Form, problems: Problems) -> None:
    """Who walks there has not looked all the time; who looks all the time may overlook what is very short."""
    link = case.link
    if not isinstance(link, PersonLink) or case.row.behaviour is not Behaviour.QUIET:
        return
    if not link.in_sight:
        text = f"behaviour=quiet: {link.name} is out of sight, and nobody there looks all the time, so quiet can never "
        remedy = "delete the row, or look at it over another link"
        problems.warning(case.row.origin, "unprovable-quiet", f"{text}be proven", remedy)
    elif case.row.limits.leak_ns < link.noticed_ns:
        origin, text = _at(case, "shortest leak", form)
        least = write_duration(link.noticed_ns)
        text += f": who watches {link.name} is relied on to notice what is on for {least}, so quiet can never be proven"
        problems.warning(origin, "unprovable-quiet", text, f"set it to {least} or more")


def _persistence(case: _Case, _site: Site, form: Form, problems: Problems) -> None:
    """A failure current counts only once it has lasted (NAMUR NE 43), so nothing shows before."""
    loop = getattr(case.point.place, "loop", None)
    if loop is None or getattr(case.point.place, "on_when", None) not in (OnWhen.FAILURE_HIGH, OnWhen.FAILURE_LOW):
        return
    lasts, limit = case.alarm.lasts_ns, case.row.limits.appears_within_ns
    if case.period_ns and case.point.hold.off_ns <= case.period_ns:
        off = write_duration(case.point.hold.off_ns)
        text = (
            f"{case.point.name}: between two polls {write_duration(case.period_ns)} apart the current of {loop.name} "
        )
        text += f"may leave its failure range for {off} unseen, so that it lasted can never be proven"
        remedy = f"poll more often than every {off}, or mend shortest off"
        problems.warning(case.row.origin, "persistence", text, remedy)
        return
    counts = f"the failure current of {loop.name} counts only after {write_duration(loop.persistence_ns)} (NAMUR NE 43)"
    if lasts is not None and lasts.hi <= loop.persistence_ns and case.row.behaviour is not Behaviour.QUIET:
        text = f"{case.alarm.name} lasts {write_duration(lasts.hi)} at most, and {counts}, so it can never show"
        problems.warning(case.row.origin, "persistence", text, "delete the row, or mend persistence of the loop")
    elif limit is not None and limit <= loop.persistence_ns:
        origin, text = _at(case, "appears within", form)
        remedy = f"set it above {write_duration(loop.persistence_ns + case.looking.width_ns)}"
        problems.warning(origin, "persistence", f"{text}: {counts}, so it can never be met", remedy)


def _holds(site: Site, form: Form, problems: Problems) -> None:
    """A point that can be on for less than a poll period can be on unseen; one warning for each line that says so."""
    for point in site.points.values():
        link = site.links.get(point.link)
        period_ns = period_of(point, link) if link is not None else 0
        if not period_ns or not point.hold.on_declared:
            continue
        if point.hold.on_ns <= period_ns:
            link_form, defaults = form.forms("links")[point.link], form.get("defaults", Form)
            origin = point.origin
            for source in (defaults, link_form):
                if source is not None and source.get("shortest on", int) == point.hold.on_ns:
                    origin = source.at("shortest on")
            text = f"shortest on={write_duration(point.hold.on_ns)}: {point.link} is polled every "
            text += f"{write_duration(period_ns)}, so it can be on between two polls unseen"
            problems.warning(origin, "hold-below-poll", text,
                             f"poll more often than every {write_duration(point.hold.on_ns)}")  # fmt: skip
