"""Up to where each point of a report proves that its alarms went: the points of a link gathered by what they prove."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from harness.core.model import Point, Site
from harness.core.proved import Proof, proof_of
from harness.core.verdicts import VerdictClass
from harness.report.standing import Row

NOTHING = "nothing"
"""Of points without a row that passed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProvedPoints:
    """Points of one link that prove the same. ``passed``: how many of their ``rows`` passed."""

    link: str
    proof: Proof
    points: tuple[Point, ...]
    rows: int
    passed: int

    @property
    def up_to(self) -> str:
        """Up to where it is proved; where no row passed, nothing is."""
        return self.proof.up_to if self.passed else f"{NOTHING}; a pass would prove it up to {self.proof.up_to}"

    @property
    def sentences(self) -> str:
        """Both in whole sentences."""
        if not self.passed:
            return f"Nothing is proved. A pass would prove it up to {self.proof.up_to}."
        return f"Proved up to {self.proof.up_to}. Not proved: {self.proof.not_proved}."


def proved_points(site: Site, rows: Sequence[Row]) -> list[ProvedPoints]:
    """Every point of the point map, by link and by what it proves, in the order of the links."""
    of: dict[tuple[str, Proof], list[Point]] = {}
    by_point: dict[str, list[Row]] = {}
    for row in rows:
        by_point.setdefault(row.point.name, []).append(row)
    for name in site.links:
        for point in site.points.values():
            if point.link == name and point.name in by_point:
                of.setdefault((name, proof_of(site, point)), []).append(point)
    found = []
    for (link, proof), points in of.items():
        counts = Counter(row.verdict_class for point in points for row in by_point[point.name])
        found.append(
            ProvedPoints(
                link=link,
                proof=proof,
                points=tuple(points),
                rows=sum(counts.values()),
                passed=counts[VerdictClass.PASS],
            )
        )
    return found
