"""What a person reported as the trace of one lamp, horn or display. Pure functions.

In sight, what is reported at r was so at some instant in [r - reaction_max, r - reaction_min]. A report of a change,
by a person who was looking all the time since the report before, is the change itself, and nothing else came on
between the two reports; any other is a state. Out of sight it was so at some instant between being sent to look and the
report, and no time is measured: the trace is not ``timed``. Silence of a person says nothing: no time behind the last
report is sealed, nor one before a report that is a mere state. A report that was taken back is none.

Who says that it stayed off, and that they kept looking, has seen no onset; one of less than the longest reaction time
may have passed unnoticed (common practice, no source). So in every time of that length it was off at some instant, and
nothing is sealed.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from harness.core.links import HAND_FINEST_NS, PersonLink
from harness.core.places import PersonPlace
from harness.core.trace import Trace
from harness.links.person_messages import Said, is_of, standing
from harness.links.seen import Message


def person_trace(
    point: str, place: PersonPlace, spec: PersonLink, messages: Iterable[Message], start_ns: int, end_ns: int
) -> Trace:
    """The trace of ``point`` from the reports of its link between ``start_ns`` and ``end_ns``; empty without any."""
    told = [
        (message, said)
        for message, said in standing(messages)
        if is_of(said, place) and start_ns <= message.last_ns <= end_ns
    ]
    held: list[tuple[int, int, bool, bool]] = []  # from, until, on, and whether it is the change itself
    for message, said in told:
        low, high = report_bounds(spec, message, said)
        if said.stayed_since_ns is not None and spec.in_sight:
            held += [(*it, False, False) for it in stayed_bounds(spec, said.stayed_since_ns, low)]
        held.append((low, high, said.on, said.is_change and spec.in_sight))
    if any(said.stayed_since_ns is not None for _, said in told):
        held.sort(key=lambda it: it[0])  # what stayed off goes back behind reports that came before it was said
    hi: list[int] = []
    for _, high, _, _ in held:
        hi.append(max(high, hi[-1] + 1) if hi else high)
    changes = np.array([change for *_, change in held], dtype=np.bool_)
    return Trace.from_states(
        point,
        np.array([low for low, *_ in held], dtype=np.int64),
        np.array(hi, dtype=np.int64),
        np.array([on for _, _, on, _ in held], dtype=np.bool_),
        edge=changes,
        sealed=changes,
        timed=spec.in_sight,
    )


def stayed_bounds(spec: PersonLink, since_ns: int, until_ns: int) -> list[tuple[int, int]]:
    """Times in each of which a sign that stayed off was off at some instant, for somebody who kept looking.

    Who looks on until the longest reaction time after ``until_ns`` has noticed what came on by then. An onset of
    ``noticed_ns`` fits into no gap between them.
    """
    return [(at, at + spec.reaction_max_ns) for at in range(since_ns, until_ns + 1, spec.step_ns)]


def report_bounds(spec: PersonLink, message: Message, said: Said) -> tuple[int, int]:
    """Between which instants the sign was as reported (or, of a change, did change)."""
    if not spec.in_sight:
        since_ns = message.first_ns if said.since_ns is None else said.since_ns
        return min(since_ns, message.first_ns), message.last_ns
    lo, hi = message.first_ns - spec.reaction_max_ns, message.last_ns - spec.reaction_min_ns
    return min(lo, hi - HAND_FINEST_NS), hi
