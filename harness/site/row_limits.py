"""What a row of a point map demands: its limits and holds, its own or the site's."""

from __future__ import annotations

from typing import Final

from harness.core.behaviours import release_choices
from harness.core.links import LinkSpec, PersonLink
from harness.core.model import (
    LEAK_DEFAULT_NS,
    SEARCH_DEFAULT_NS,
    SETTLE_DEFAULT_NS,
    Behaviour,
    Hold,
    Limits,
    Point,
    Step,
)
from harness.site.durations import write_duration
from harness.site.fields import LIMIT_NAMES
from harness.site.forms import Form
from harness.site.names import shown
from harness.site.problems import Problems

_LOUD_ONLY: Final = ("appears within", "visible for", "dwell")
TIMED_NAMES: Final = ("appears within", "visible for", "gone within", "dwell")
"""The limits of a row that are times of what is seen."""


def check_fields(row: Form, problems: Problems) -> None:
    """Report limits that say nothing about the behaviour of their row."""
    behaviour = row.get("behaviour", Behaviour)
    if behaviour is None:
        return
    unfit: tuple[str, ...] = ()
    if behaviour is Behaviour.QUIET:
        unfit = _LOUD_ONLY
    elif behaviour is Behaviour.PULSE:
        unfit = ("dwell", "shortest leak")
    else:
        unfit = ("shortest leak",)
    choices = release_choices(behaviour)
    if not choices:
        unfit = (*unfit, "released by")
    elif row.has("released by") and "released by" in row.values and row.get("released by", Step) not in choices:
        found = f"released by={shown(row.written('released by'))}: expected "
        found += f"{' or '.join(step.value for step in choices)} for behaviour={behaviour.value}"
        problems.error(row.at("released by"), "released-by", found, "delete it, or mend the behaviour")
    for name in unfit:
        if row.has(name) and name in row.values:
            found = f"{name}={shown(row.written(name))}: says nothing about behaviour={behaviour.value}"
            problems.error(row.at(name), "unfit-limit", found, "delete it, or mend the behaviour")


def hold_of(row: Form, link_form: Form, defaults: Form | None) -> Hold:
    """The hold of a row's point: its own, else that of its link, else the site's."""
    found: dict[str, int | None] = {}
    for name in ("shortest on", "shortest off"):
        sources = [row, link_form] if defaults is None else [row, link_form, defaults]
        found[name] = next((value for s in sources if (value := s.get(name, int)) is not None), None)
    on_ns, off_ns = found["shortest on"], found["shortest off"]
    assumed = Hold()
    return Hold(
        on_ns=assumed.on_ns if on_ns is None else on_ns,
        off_ns=assumed.off_ns if off_ns is None else off_ns,
        on_declared=on_ns is not None,
        off_declared=off_ns is not None,
    )


def merged_hold(before: Point, hold: Hold, row: Form, problems: Problems) -> Hold:
    """The hold of a point that several rows speak of: the shorter, for that rules out less."""
    if before.hold.on_declared and before.hold != hold:
        text = f"shortest on/off of {before.name}: {write_duration(hold.on_ns)}/{write_duration(hold.off_ns)} here, "
        text += f"{write_duration(before.hold.on_ns)}/{write_duration(before.hold.off_ns)} at {before.origin}"
        problems.warning(row.origin, "hold-differs", text, "the shorter of the two is used; write the same in both")
    on = (before.hold, hold) if before.hold.on_declared == hold.on_declared else (hold,)
    off = (before.hold, hold) if before.hold.off_declared == hold.off_declared else (hold,)
    return Hold(
        on_ns=min(h.on_ns for h in on),
        off_ns=min(h.off_ns for h in off),
        on_declared=hold.on_declared or before.hold.on_declared,
        off_declared=hold.off_declared or before.hold.off_declared,
    )


def is_out_of_sight(link: LinkSpec | None) -> bool:
    """True where a person has to walk to look, so that only *that* something showed can be told."""
    return isinstance(link, PersonLink) and not link.in_sight


def _limit(name: str, row: Form, defaults: Form | None) -> int | None:
    found = row.get(name, int)
    return found if found is not None or defaults is None else defaults.get(name, int)


def limits_of(row: Form, defaults: Form | None, behaviour: Behaviour, link: LinkSpec) -> Limits:
    """The limits of a row: its own, else the site's defaults, else farend's.

    The site's defaults set no time limit out of sight: no time is measured there, so none could ever be met.
    """
    found = {
        name: _limit(name, row, None if name in TIMED_NAMES and is_out_of_sight(link) else defaults)
        for name in LIMIT_NAMES
    }
    quiet = behaviour is Behaviour.QUIET
    appears = None if quiet else found["appears within"]
    search = found["search"]
    settle, leak = found["settle"], found["shortest leak"]
    return Limits(
        appears_within_ns=appears,
        visible_for_ns=None if quiet else found["visible for"],
        gone_within_ns=found["gone within"],
        dwell_ns=0 if quiet or behaviour is Behaviour.PULSE else found["dwell"] or 0,
        search_ns=max(SEARCH_DEFAULT_NS, appears or 0) if search is None else search,
        settle_ns=SETTLE_DEFAULT_NS if settle is None else settle,
        leak_ns=LEAK_DEFAULT_NS if leak is None else leak,
    )


def check_search(row: Form, limits: Limits, defaults: Form | None, problems: Problems) -> None:
    """Report a search that ends before the point has to show."""
    if limits.appears_within_ns is not None and limits.search_ns < limits.appears_within_ns:
        name = "search" if row.has("search") or not row.has("appears within") else "appears within"
        source = row if row.has(name) or defaults is None else defaults
        found = f"{name}={write_duration(limits.search_ns if name == 'search' else limits.appears_within_ns)}"
        text = f"{found}: expected search of at least appears within"
        remedy = f"set search to {write_duration(limits.appears_within_ns)} or more"
        problems.error(source.at(name), "search", text, remedy)
