"""The safety gate: nothing is raised before every side effect of every alarm in the plan has been reviewed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from harness.core.errors import SafetyError, UsageError
from harness.core.model import Alarm, Decision, Site
from harness.record.header import Json


@dataclass(frozen=True, slots=True, kw_only=True)
class Reviews:
    """Decisions about side effects, and who made them."""

    by: str
    decisions: Mapping[str, Decision] = field(default_factory=dict)
    file: str = ""

    def to_data(self) -> Mapping[str, Json]:
        """As the journal keeps it."""
        decisions: dict[str, Json] = {name: decision.value for name, decision in self.decisions.items()}
        return {"by": self.by, "file": self.file, "decisions": decisions}


def read_reviews(path: Path) -> Reviews:
    """Read a reviews file. UsageError with the line of everything that does not fit.

    ``reviewed by: NAME`` and ``side effects:`` with one decision each: accepted, isolated or excluded.
    """
    from harness.site.reviews import parse_reviews

    try:
        data = path.read_bytes()
    except OSError as exc:
        raise UsageError(f"{path}: cannot be read: {exc.strerror}; give the file in which the reviews are") from exc
    by, decisions = parse_reviews(data, path.name)
    return Reviews(by=by, decisions={name: Decision(word) for name, word in decisions.items()}, file=path.name)


def pass_gate(site: Site, alarms: Iterable[Alarm], reviews: Reviews | None) -> tuple[str, ...]:
    """The names of the alarms that are excluded by the reviews. Raises SafetyError with everything that is missing."""
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
                f"write '{name}: accepted', isolated or excluded into a file for --reviews"
            )
    if missing:
        raise SafetyError("nothing is raised:\n" + "\n".join(missing))
    excluded = {name for name, decision in decisions.items() if decision is Decision.EXCLUDED}
    return tuple(alarm.name for alarm in chosen if excluded.intersection(effects_of(site, alarm)))


def acting(site: Site, alarm: Alarm) -> tuple[Alarm, ...]:
    """The alarm and all that it brings along: raised together, each acts in the real world."""
    return alarm, *(site.alarms[name] for name in site.brought_along(alarm.name))


def effects_of(site: Site, alarm: Alarm) -> tuple[str, ...]:
    """The names of all side effects that raising an alarm has, of those that it brings along too."""
    return tuple(dict.fromkeys(name for one in acting(site, alarm) for name in one.side_effects or ()))
