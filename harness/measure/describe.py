"""What many trials of one expectation say in a few lines: quantiles with their bounds. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from harness.core.instants import Bounds
from harness.measure.likelihood_ratio import Evidence, likely_quantile, quantile
from harness.measure.proportions import CONFIDENCE

SHARES: Final = (0.5, 0.9, 0.95)


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantileAt:
    """The time that ``share`` of all do not exceed: where it most likely lies, and its two-sided bounds."""

    share: float
    likely: Bounds
    bounds: Bounds


@dataclass(frozen=True, slots=True, kw_only=True)
class Description:
    """``quantiles`` as asked for; each holds at this confidence by itself."""

    trials: int
    confidence: float
    quantiles: tuple[QuantileAt, ...]


def describe(evidence: Evidence, shares: Sequence[float] = SHARES, *, confidence: float = CONFIDENCE) -> Description:
    """Of latencies (``BracketedTimes``) or visible times (``VisibleTimes``). ValueError: a share not in (0, 1)."""
    if not all(0.0 < share < 1.0 for share in shares):
        raise ValueError(f"shares={list(shares)}: expected each between 0 and 1; write 0.95 for 95 %")
    return Description(
        trials=evidence.trials,
        confidence=confidence,
        quantiles=tuple(
            QuantileAt(
                share=share,
                likely=likely_quantile(evidence, share),
                bounds=quantile(evidence, share, confidence=confidence),
            )
            for share in shares
        ),
    )
