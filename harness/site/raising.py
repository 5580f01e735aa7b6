"""How long an armed raise holds off and how long it may last, and what of it is not guaranteed, in words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from harness.core.model import Site, Step
from harness.site.durations import write_duration
from harness.site.forms import Form

NAMED_MAX: Final = 6
"""So many alarms are named in a note; more are counted."""


def with_raising(site: Site, stimulus: Form | None) -> Site:
    """The site with what its ``stimulus`` says of all alarms, and the notes on it."""
    if stimulus is not None:
        key_within = stimulus.get("key within", int)
        hold_off, at_most = stimulus.get("hold off", int), stimulus.get("raised at most", int)
        site = replace(
            site,
            hold_off_ns=site.hold_off_ns if hold_off is None else hold_off,
            raised_at_most_ns=site.raised_at_most_ns if at_most is None else at_most,
            isolated_by=stimulus.text("isolated by"),
            by_hand=stimulus.text("by hand"),
            key_within_ns=site.key_within_ns if key_within is None else key_within,
        )
    return replace(site, notes=(*site.notes, *_notes(site)))


def _notes(site: Site) -> Iterator[str]:
    raised = [alarm for alarm in site.alarms.values() if Step.RAISE in alarm.writes]
    if not raised:
        return
    yield (
        f"raised by farend: hold off {write_duration(site.hold_off_ns)} from arming to the first raise, raised at "
        f"most {write_duration(site.raised_at_most_ns)}, unless an alarm says its own"
    )
    hanging = site.clearing_hangs_on_farend
    if hanging:
        which = ", ".join(hanging) if len(hanging) <= NAMED_MAX else f"{len(hanging)} of {len(raised)} raised alarms"
        yield (
            f"clearing is not guaranteed for {which}: it hangs on farend's process and its link (no 'lasts', so the "
            "controller does not end it by itself); isolate what it acts on"
        )
    because = dict.fromkeys(it.because for it in site.writable if not it.read_back)
    for text in because:
        yield f"not read back, so that the answer to the write is its only proof: {text}"
