"""The safety gate: nothing is raised before every side effect of every alarm in the plan has been reviewed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from harness.core.errors import SafetyError, UsageError
from harness.core.instants import NS_PER_S
from harness.core.model import Alarm, Decision, Site
from harness.site.binding import binding_of, changes
from harness.site.moments import moment_text, utc_ns_of
from harness.site.names import did_you_mean
from harness.site.reviews import Reviews, parse_reviews

__all__ = ("Reviews", "acting", "effects_of", "pass_gate", "read_reviews", "reviewed_until_ns")

CLOCKS_APART_MAX_NS: Final = 600 * NS_PER_S
"""How far the clocks of two computers may be apart: common practice, no source. A review from later than that was made
by a wrong clock, or is read by one, and then nobody knows whether it has expired."""

CHANGES_SHOWN_MAX: Final = 8
"""More than these nobody reads in a refusal: then the whole site file is another one."""


def read_reviews(path: Path) -> Reviews:
    """Read a reviews file. UsageError or SiteError with the line of everything that does not fit.

    Whether they are still valid, and of this site file, is for :func:`pass_gate` to say.
    """
    try:
        data = path.read_bytes()
    except OSError as exc:
        raise UsageError(f"{path}: cannot be read: {exc.strerror}; give the file in which the reviews are") from exc
    return parse_reviews(data, path.name)


def pass_gate(
    site: Site, alarms: Iterable[Alarm], reviews: Reviews | None, now: datetime | None = None
) -> tuple[str, ...]:
    """The names of the alarms that are excluded by the reviews. Raises SafetyError with everything that is missing.

    ``now`` knows its zone: reviews are valid through the end of their last day there. Default: this computer's.
    """
    chosen = list(alarms)
    decisions = {} if reviews is None else reviews.decisions
    needed: dict[str, list[str]] = {}
    unstated = {one.name: one for alarm in chosen for one in acting(site, alarm) if one.side_effects is None}
    missing = [
        f"{one.origin}: alarm={one.name}: its side effects are not stated, and unknown is not none; "
        "write 'side effects: none' if a person made sure of it, or name them"
        for one in unstated.values()
    ]
    for alarm in chosen:
        for name in effects_of(site, alarm):
            needed.setdefault(name, []).append(alarm.name)
    for name, owners in needed.items():
        if name not in decisions:
            effect = site.side_effects[name]
            missing.append(
                f"{effect.origin}: side effect={name} ({effect.text}) of {', '.join(owners)}: not reviewed; "
                f"hazard: {effect.hazard}; safeguard: {effect.safeguard}; "
                f"decide it with 'farend review' and give its file with --reviews"
            )
    if reviews is not None:
        missing += _invalid(site, reviews, now or datetime.now(UTC).astimezone())
    if missing:
        raise SafetyError("nothing is raised:\n" + "\n".join(missing))
    excluded = {name for name, decision in decisions.items() if decision is Decision.EXCLUDED}
    return tuple(alarm.name for alarm in chosen if excluded.intersection(effects_of(site, alarm)))


def _invalid(site: Site, reviews: Reviews, now: datetime) -> Iterator[str]:
    """Why reviews do not hold now, or not for this site file. What was just decided for this very site holds."""
    again = "look at each side effect again with 'farend review'"
    named = reviews.file or "the reviews"
    if reviews.file and reviews.binding is None:
        yield (
            f"{named}: 'bound to' is missing, so nobody knows for which site file these decisions were made; " + again
        )
    if reviews.file and reviews.expires is None:
        yield f"{named}: 'expires' is missing; add the last day on which it is valid: 'expires: {now:%Y-%m-%d}'"
    if reviews.expires is not None and now.date() > reviews.expires:
        yield (
            f"{named}: expires={reviews.expires}: it was valid through the end of that day, and today is "
            f"{now:%Y-%m-%d}; {again}"
        )
    if reviews.at_utc_ns is not None and reviews.at_utc_ns > utc_ns_of(now) + CLOCKS_APART_MAX_NS:
        yield (
            f"{named}: reviewed at={moment_text(reviews.at_utc_ns, now.tzinfo)}: this is still to come, since "
            f"now it is {now:%Y-%m-%d %H:%M}; set the clock of this computer, or {again}"
        )
    for name in reviews.standing:
        if name not in site.alarms and name not in site.points:
            hint = did_you_mean(name, (*site.alarms, *site.points))
            yield f"{named}: standing={name}: no alarm and no point has this name; {hint or 'mend it'}"
    binding = binding_of(site)
    if reviews.binding is not None and reviews.binding.whole != binding.whole:
        told = changes(reviews.binding, binding) if reviews.binding.alarms else ()
        shown = "; ".join(told[:CHANGES_SHOWN_MAX]) or f"what it was made for is not site={site.name} as it is now"
        more = f"; and {len(told) - CHANGES_SHOWN_MAX} more" if len(told) > CHANGES_SHOWN_MAX else ""
        yield (
            f"{named}: bound to={reviews.binding.whole}: this site file is {binding.whole}, and does other things than "
            f"the one that was reviewed: {shown}{more}; {again}"
        )


def reviewed_until_ns(reviews: Reviews, now: datetime) -> int | None:
    """UTC in ns of the end of the last day on which reviews are valid, in the zone of ``now``; None: without end.

    A summer-time change on that day is left out of account: it moves the end by an hour.
    """
    if reviews.expires is None:
        return None
    start = datetime(reviews.expires.year, reviews.expires.month, reviews.expires.day, tzinfo=now.tzinfo)
    return utc_ns_of(start) + 86_400 * NS_PER_S


def acting(site: Site, alarm: Alarm) -> tuple[Alarm, ...]:
    """The alarm and all that it brings along: raised together, each acts in the real world."""
    return alarm, *(site.alarms[name] for name in site.brought_along(alarm.name))


def effects_of(site: Site, alarm: Alarm) -> tuple[str, ...]:
    """The names of all side effects that raising an alarm has, of those that it brings along too."""
    return tuple(dict.fromkeys(name for one in acting(site, alarm) for name in one.side_effects or ()))
