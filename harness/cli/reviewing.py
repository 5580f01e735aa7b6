"""Asks a person at the terminal about each side effect once: one key for each, and one more to take a decision back."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from typing import Final

from harness.cli.common import note, note_wrapped
from harness.cli.one_key import Key, one_of, press
from harness.core.errors import UsageError
from harness.core.model import Alarm, Decision, Site
from harness.run.gate import effects_of
from harness.site.binding import binding_of
from harness.site.reviews import Detail, Reviews

KEYS: Final = {"a": Decision.ACCEPTED, "i": Decision.ISOLATED, "x": Decision.EXCLUDED}
BACK: Final = "u"
DONE: Final = "y"
_DECIDE: Final = "  a accepted, i isolated, x exclude its alarms"
_OR_BACK: Final = ", u take the last one back"
_FINISH: Final = "\ny: these are my decisions; u: take the last one back: "


def side_effects_of(site: Site, alarms: Sequence[Alarm]) -> dict[str, list[str]]:
    """Each side effect once, with the alarms that have it, those that come along taken into account."""
    owners: dict[str, list[str]] = {}
    for alarm in alarms:
        for name in effects_of(site, alarm):
            owners.setdefault(name, []).append(alarm.name)
    return owners


def ask_reviews(
    site: Site,
    alarms: Sequence[Alarm],
    who: str,
    *,
    key: Key = press,
    describe: Callable[[str], str] | None = None,
    utc_ns: Callable[[], int] = time.time_ns,
) -> Reviews:
    """Show each side effect of alarms once and take a decision. ``describe``: asks for a line on what was isolated.

    They are of this very site and of this moment, so they are bound to it and have no day of expiry.
    """
    owners = list(side_effects_of(site, alarms).items())
    made: list[tuple[str, Decision, Detail]] = []
    while True:
        if len(made) < len(owners):
            name, of = owners[len(made)]
            _show(site, name, of, f"{len(made) + 1} of {len(owners)}")
            back = {BACK: "taken back"} if made else {}
            pressed = one_of(
                _DECIDE + (_OR_BACK if made else "") + ": ",
                {one: str(decision) for one, decision in KEYS.items()} | back,
                key,
            )
            if pressed != BACK:
                isolated = describe(name) if describe is not None and KEYS[pressed] is Decision.ISOLATED else ""
                made.append((name, KEYS[pressed], Detail(by=who, at_utc_ns=utc_ns(), isolated=isolated)))
                continue
        elif not made or one_of(_FINISH, {DONE: "decided", BACK: "taken back"}, key) == DONE:
            break
        made.pop()
    return Reviews(
        by=who,
        at_utc_ns=utc_ns(),
        decisions={name: decision for name, decision, _ in made},
        details={name: detail for name, _, detail in made},
        binding=binding_of(site),
    )


def given_reviews(
    site: Site, alarms: Sequence[Alarm], who: str, given: Mapping[Decision, Sequence[str]], *, utc_ns: int
) -> Reviews:
    """Decisions from the command line. UsageError for a name that is no side effect, or that is decided twice.

    ``--isolate 'NAME=what, and how'`` also says what was isolated.
    """
    from harness.site.names import did_you_mean

    decisions: dict[str, Decision] = {}
    details: dict[str, Detail] = {}
    for decision, names in given.items():
        for written in names:
            name, _, isolated = written.partition("=") if decision is Decision.ISOLATED else (written, "", "")
            name = name.strip()
            if name not in site.side_effects:
                hint = did_you_mean(name, site.side_effects) or "the site file names none"
                raise UsageError(f"side effect={name}: no such side effect in site={site.name}; {hint}")
            if name in decisions:
                raise UsageError(f"side effect={name}: decided twice; give one of --accept, --isolate and --exclude")
            decisions[name] = decision
            details[name] = Detail(by=who, at_utc_ns=utc_ns, isolated=" ".join(isolated.split()))
    of_alarms = side_effects_of(site, alarms)
    decisions = {name: decisions[name] for name in (*of_alarms, *decisions) if name in decisions}
    return Reviews(by=who, at_utc_ns=utc_ns, decisions=decisions, details=details, binding=binding_of(site))


def _show(site: Site, name: str, alarms: Sequence[str], number: str) -> None:
    effect = site.side_effects[name]
    note("")
    note_wrapped(f"side effect {number}, {name}: {effect.text}")
    for text in (f"raised by: {', '.join(alarms)}", f"hazard: {effect.hazard}", f"safeguard: {effect.safeguard}"):
        note_wrapped(text, first=2, hang=6)
