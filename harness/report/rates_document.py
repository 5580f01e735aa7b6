"""What is told of alarm rates, as frozen values, and what they are held against."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from harness.measure.alarm_rates import Number, RateLimits, Rates
from harness.measure.rates_together import RatesTogether
from harness.report import human

_ACCEPTABLE: Final = (
    "One alarm in 10 min is very likely acceptable: survey of Bransby and Jenkinson (1998). About 150 a day: "
    "ISA-18.2-2009; about 144 a day: IEC 62682:2014. ISA-18.2-2016 dropped that figure. All as others report it."
)
_DEFAULTS: Final = (
    "If nothing else is asked for: a flood begins above 10 in 10 min and ends below 5, an alarm chatters with 3 in 1 "
    "min and is stale after 24 h (ISA-18.2-2009 and EEMUA 191, from memory), and is fleeting up to 1 min (common "
    "practice, no source)."
)
_FROM_MEMORY: Final = (
    "Two in 10 min are the most that can be managed; floods are less than 1 % of the time; the ten most frequent "
    "alarms are 1 to 5 % of all; none chatters or is fleeting; fewer than five a day are stale; of three priorities "
    "the low one has about 80 %, the middle one 15 %, the high one 5 %: ISA-18.2-2009 and EEMUA 191, from memory."
)
_CAUTION: Final = (
    "These documents count what one operator is shown. farend counts what the chosen points showed: it knows nothing "
    "of operators and consoles, of what was shelved or suppressed, nor of what an operator did; and what came and went "
    "between two polls is in none of it. Nothing here is a pass or a fail."
)
HELD_AGAINST: Final = (_DEFAULTS, _ACCEPTABLE, _FROM_MEMORY, _CAUTION)
"""What such figures are usually held against, with the edition, and a caution."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordRates:
    """The rates of one record. ``utc_shift_ns``: from its clock to UTC. ``points``: those that were counted, ``shown``:
    as what each of them was (an alarm, or a point that was asked for).

    ``unobserved``: what was to be counted and was never observed; ``blind_links``: links with blind time; ``raised``:
    alarms that a test raised in it; ``doubtful``: activations that may have been several.
    """

    record: str
    utc_shift_ns: int
    utc_offset_s: int
    rates: Rates
    points: Sequence[str]
    shown: Sequence[str]
    unobserved: Sequence[str]
    blind_links: Sequence[str]
    raised: int
    doubtful: int

    def when(self, at_ns: int) -> str:
        """An instant of the run as a local time of the testing machine, to the second before it."""
        return human.local(at_ns + self.utc_shift_ns, self.utc_offset_s).rsplit(" ", 1)[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class RatesDocument:
    """What is told. ``chosen``: how the points were chosen, in words; ``shared``: points of several alarms, left out;
    ``held``: points that are counted and hold their alarm until somebody releases it.

    ``priorities``: by what is counted.
    """

    site: str
    records: Sequence[RecordRates]
    limits: RateLimits
    all: RatesTogether
    chosen: str
    shared: Sequence[str]
    held: Sequence[str]
    priorities: Mapping[str, str]

    @property
    def by_priority(self) -> dict[str, Number]:
        """Activations by priority; numbers first, in their order."""
        found: dict[str, Number] = {}
        for it in self.all.contributors:
            name = self.priorities.get(it.alarm, "none")
            found[name] = found.get(name, Number(0, 0)) + it.number
        return dict(
            sorted(found.items(), key=lambda it: (not it[0].isdecimal(), int(it[0]) if it[0].isdecimal() else 0))
        )
