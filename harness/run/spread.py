"""Over how long a time the raises of an alarm are spread at random: decided here alone, for each alarm by its own way.

In step with a poll, every trial would meet it at the same phase, and prove nothing of the others. So what is raised
again and again is spread over the slowest poll on its way. A single test is not held up so long for one raise.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from math import ceil
from typing import Final

from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.links import BacnetLink, BusWay, ModbusRtuLink, ModbusTcpLink
from harness.core.model import Site
from harness.core.paths import told_delay_ns
from harness.run.order import Item, beat_ns, longest_ns, usual_ns
from harness.run.poll_cycle import Cycle, bus_cycle, tcp_cycle

SINGLE_MAX_NS: Final = 5 * NS_PER_S
"""Over no longer a time a raise is spread where nobody asked for many: a gateway that polls every minute would double
the length of a test."""

LEAST_NS: Final = NS_PER_MS
"""Where nothing is polled."""


class Spread:
    """How the raises of one run are spread. ``repeat``, ``held_ns``: what the run was asked for, see ``TestOptions``.

    ``by_hand``: a person raises, and nobody raises in step with polls by hand: nothing is spread.
    """

    def __init__(self, site: Site, *, repeat: int = 1, held_ns: Sequence[int] = (), by_hand: bool = False) -> None:
        self.is_repeated = repeat > 1 or bool(held_ns)
        """Whether alarms are raised again and again, so that they can be measured: a sweep counts, too."""
        self._site = site
        self._by_hand = by_hand
        self._slowest_ns = {name: slowest_poll_ns(site, name) for name in site.links}

    def over_ns(self, item: Item, *, is_again: bool = False) -> int:
        """Over how long a time a raise of an alarm is spread, in ns; it waits for half of it on average.

        ``is_again``: this run has raised it in the same way before, so that the two are measured together. Reference
        points are on the way: what was raised when they are read in step with it is always known equally well.
        """
        if self._by_hand:
            return 0
        whole_ns = max(self._on_the_way(item), default=LEAST_NS)
        return whole_ns if self.is_repeated or is_again else min(whole_ns, SINGLE_MAX_NS)

    def usual_ns(self, item: Item) -> int:
        """How long one alarm takes where every output answers at once, with the wait before its raise."""
        return usual_ns(self._site, item) + self.over_ns(item) // 2

    def longest_ns(self, item: Item, *, is_again: bool = False) -> int:
        """How long one alarm takes at the most, with the wait before its raise."""
        return longest_ns(self._site, item) + self.over_ns(item, is_again=is_again)

    def _on_the_way(self, item: Item) -> Iterator[int]:
        site = self._site
        alarms = (item.alarm,) if item.also is None else (item.alarm, item.also)
        references = [it.reference for it in alarms if it.reference in site.points]
        for name in (*(row.point for row in item.rows), *(it for it in references if it is not None)):
            point = site.points[name]
            # What tells changes may do so in a cycle of its own, of which no more is known than the longest delay.
            told_ns = told_delay_ns(site.links[point.link], point.place) or 0
            yield max(self._slowest_ns[point.link], told_ns, LEAST_NS)


def slowest_poll_ns(site: Site, link: str) -> int:
    """The longest period with which anything on the way to the points of a link is read, in ns; 0 where nothing is.

    By farend, by the master of a bus that it overhears, and by every device on the way; as far as it was declared.
    A cycle takes longer than its period where so many reads do not fit, or a rate forbids it.
    """
    spec = site.links[link]
    periods_ns = [beat_ns(site, link)]
    if isinstance(spec, ModbusRtuLink):
        periods_ns.append(_period_ns(bus_cycle(site, spec)))
    elif isinstance(spec, ModbusTcpLink | BacnetLink):
        periods_ns.append(_period_ns(tcp_cycle(site, spec)))
    for name in site.before(link):
        bus = site.links[name]
        if isinstance(bus, ModbusRtuLink) and bus.way is BusWay.RECEIVE_ONLY:  # what is behind it is its master
            periods_ns.append(_period_ns(bus_cycle(site, bus)))
    return max(periods_ns)


def _period_ns(cycle: Cycle) -> int:
    most: Fraction = cycle.poll.period.most
    return ceil(most * NS_PER_S)
