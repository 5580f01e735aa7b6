"""What arming a plan means, in words: how long it holds off, when it clears, what is not guaranteed. Opens nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from harness.core.model import Alarm, Site
from harness.core.wording import link_address
from harness.correlate.wording import time_text

NAMED_MAX: Final = 6
"""So many alarms are named in a sentence; more are counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkPreview:
    """What listening on one link costs its device, and what is read."""

    name: str
    address: str
    cost: str
    requests: tuple[str, ...]


def is_written(site: Site, name: str) -> bool:
    """Whether a stimulus may change something over a link."""
    return name in site.acknowledgeable or any(it.link == name for it in site.writable)


def written_only(site: Site, name: str) -> LinkPreview:
    """A link that is not listened to, and is opened for a stimulus alone."""
    cost = "not listened to in this plan; one connection while armed, for writes and reading them back"
    return LinkPreview(name=name, address=link_address(site.links[name]), cost=cost, requests=())


def armed_words(site: Site, alarms: Iterable[Alarm]) -> tuple[str, ...]:
    """Sentences on raising these alarms when armed; () where farend raises none of them."""
    return tuple(_sentences(site, list(alarms)))


def _sentences(site: Site, alarms: list[Alarm]) -> Iterator[str]:
    if not alarms:
        return
    yield from _grouped(alarms, lambda it: _hold_off_words(site.hold_off_of(it.name)))
    yield from _grouped(
        [it for it in alarms if it.lasts_ns is None],
        lambda it: f"cleared after {time_text(site.raised_at_most_of(it.name))} at the latest",
    )
    ending = [it.name for it in alarms if it.lasts_ns is not None]
    if ending:
        yield f"ended by the controller itself: {_named(ending, len(alarms))}"
    hanging = [it for it in alarms if it.lasts_ns is None]
    if hanging:
        which = _named([it.name for it in hanging], len(alarms))
        yield (
            f"CLEARING IS NOT GUARANTEED for {which}: it hangs on this computer, on farend's process and on its link. "
            "Isolate what they act on before arming"
        )
        yield from _grouped(
            hanging,
            lambda it: (
                f"isolated by: {site.isolated_by_of(it.name)}"
                if site.isolated_by_of(it.name)
                else "how that is isolated the site file does not say (isolated by:)"
            ),
        )
    if site.writable:
        yield "everything that may be written is read once before the first raise and once at the end"
    for text in dict.fromkeys(it.because for it in site.writable if not it.read_back):
        yield f"not read back, so that the answer to the write is its only proof: {text}"


def _hold_off_words(hold_off_ns: int) -> str:
    if not hold_off_ns:
        return "no hold-off: the first raise comes as soon as it is armed and the outputs are normal"
    return f"holds off {time_text(hold_off_ns)} before the first raise"


def _grouped(alarms: list[Alarm], words: Callable[[Alarm], str]) -> Iterator[str]:
    """One sentence for all alarms of which the same is said; the names only where it is not said of all."""
    groups: dict[str, list[str]] = {}
    for alarm in alarms:
        groups.setdefault(words(alarm), []).append(alarm.name)
    for text, names in groups.items():
        yield text if len(groups) == 1 else f"{text}: {_named(names, len(alarms))}"


def _named(names: list[str], total: int) -> str:
    if len(names) <= NAMED_MAX:
        return ", ".join(names)
    return f"all {total} alarms" if len(names) == total else f"{len(names)} of {total} alarms"
