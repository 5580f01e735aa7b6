"""The listener of a person who watches. It listens to nobody but ``reports``, and sends nothing."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable

from harness.core.errors import UsageError
from harness.core.instants import NS_PER_S, Clock
from harness.core.links import HAND_FINEST_NS, PersonLink
from harness.core.model import Point
from harness.links.base import LISTENER_ENDED, Observer
from harness.links.person_reports import Reports

NOBODY = "nobody is there to report: start farend in a terminal whose keys it can read"


class PersonListener:
    """Holds ``reports`` open until cancelled; one of the links behind ``Link``.

    It is down until a client attaches to ``reports``, and while nobody answers.
    """

    def __init__(self, spec: PersonLink, points: Iterable[Point], observer: Observer, clock: Clock) -> None:
        """UsageError where the reaction time claims more than a hand can do."""
        if spec.in_sight and spec.reaction_max_ns - spec.reaction_min_ns < HAND_FINEST_NS:
            spread = f"{spec.reaction_min_ns / NS_PER_S:g} s to {spec.reaction_max_ns / NS_PER_S:g} s"
            raise UsageError(
                f"{spec.origin}: link={spec.name}: reaction={spread}: a claim finer than 0.1 s from keys pressed by "
                "hand is refused; write for example 0.1 s to 1 s"
            )
        self.name = spec.name
        self.reports = Reports(spec, points, observer, clock)

    async def run(self) -> None:
        """Until cancelled."""
        if not self.reports.is_attended:
            self.reports.close(NOBODY)
        try:
            await asyncio.Event().wait()
        finally:
            self.reports.close(LISTENER_ENDED)
