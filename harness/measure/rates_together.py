"""The alarm rates of several records taken together: no window and no flood reaches from one into another. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from harness.measure.alarm_rates import Contributor, Number, RateLimits, Rates


@dataclass(frozen=True, slots=True, kw_only=True)
class RatesTogether:
    """Sums and greatest values over records; times in ns. ``seen``: of ``total``, what began in the observed time.

    ``windows``: how many fixed windows were wholly observed; ``over``: how many of them hold more than a flood begins
    with. ``most_fixed``: of all windows; ``most``: of windows that begin anywhere. ``floods``: surely apart from each
    other, and as many as there may have been.
    """

    span_ns: int
    observed_ns: int
    total: Number
    seen: Number
    windows: int
    over: Number
    most_fixed: Number
    most: Number
    floods: Number
    flood_ns: tuple[int, int]
    contributors: tuple[Contributor, ...]
    chattering: tuple[Contributor, ...]
    fleeting: Number
    fleeting_acted_on: Number
    fleeting_unfinished: int
    stale: dict[str, Number]
    standing: tuple[str, ...]


def together(rates: Sequence[Rates], limits: RateLimits) -> RatesTogether:
    """All of them as one. ValueError where there is none."""
    if not rates:
        raise ValueError("together: expected the rates of at least one record")
    whole = [window.number for it in rates for window in it.windows if window.is_observed]
    every = [window.number for it in rates for window in it.windows]
    stale: dict[str, Number] = {}
    for it in rates:
        for alarm, number in it.stale.items():
            stale[alarm] = stale.get(alarm, Number(0, 0)) + number
    contributors = _contributors(rates)
    return RatesTogether(
        span_ns=sum(it.span.width for it in rates),
        observed_ns=sum(it.observed_ns for it in rates),
        total=_sum([it.total for it in rates]),
        seen=_sum([it.seen for it in rates]),
        windows=len(whole),
        over=_sum([Number(int(it.surely > limits.flood_above), int(it.possibly > limits.flood_above)) for it in whole]),
        most_fixed=_most(every),
        most=_most([it.most.number for it in rates]),
        floods=_sum([Number(int(bool(flood.sure)), flood.most) for it in rates for flood in it.floods]),
        flood_ns=(sum(it.flood_ns[0] for it in rates), sum(it.flood_ns[1] for it in rates)),
        contributors=contributors,
        chattering=tuple(it for it in contributors if it.most.possibly >= limits.chatter_least),
        fleeting=_sum([it.fleeting for it in rates]),
        fleeting_acted_on=_sum([it.fleeting_acted_on for it in rates]),
        fleeting_unfinished=sum(it.fleeting_unfinished for it in rates),
        stale=stale,
        standing=tuple(dict.fromkeys(alarm for it in rates for alarm in it.standing)),
    )


def _contributors(rates: Sequence[Rates]) -> tuple[Contributor, ...]:
    found: dict[str, Contributor] = {}
    for one in (contributor for it in rates for contributor in it.contributors):
        before = found.get(one.alarm)
        if before is not None:
            one = Contributor(  # noqa: PLW2901
                alarm=one.alarm, number=before.number + one.number, most=_most([before.most, one.most])
            )
        found[one.alarm] = one
    return tuple(sorted(found.values(), key=lambda it: (-it.number.possibly, -it.number.surely, it.alarm)))


def _most(numbers: Sequence[Number]) -> Number:
    """The greatest of them: surely at least the greatest of what is sure."""
    surely = max((it.surely for it in numbers), default=0)
    return Number(surely, max((it.possibly for it in numbers), default=0))


def _sum(numbers: Sequence[Number]) -> Number:
    return sum(numbers, Number(0, 0))
