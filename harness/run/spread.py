"""Over how long a time the raises of an alarm are spread at random: decided here alone, for each alarm by its own way.

In step with a poll, every trial would meet it at the same phase, and prove nothing of the others. So what is raised
again and again is spread over the slowest poll on its way. A single test is not held up so long for one raise.

A device may have a beat that nobody declared, or a slower one than was declared, and the next raise begins when its
output went off, which is in step with that beat. So there are two waits. One is even over the slowest poll that is
declared, which makes its phase exactly random, whatever else is waited for. The other is the sum of two even ones, each
w wide: of the unevenness at a beat of P no more than (P / (pi w))^2 is left (the Fourier coefficient of the sum), 1 %
from three beats on, where a single wait as long as both leaves 5 %.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction
from math import ceil
from random import Random
from typing import Final

from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.links import BacnetLink, BusWay, ModbusRtuLink, ModbusTcpLink, PersonLink
from harness.core.model import Expectation, Site
from harness.core.paths import told_delay_ns
from harness.run.order import Item, beat_ns, gone_within_ns, longest_ns, show_within_ns, usual_ns
from harness.run.poll_cycle import Cycle, bus_cycle, tcp_cycle

SINGLE_MAX_NS: Final = 5 * NS_PER_S
"""Over no longer a time a raise is spread where nobody asked for many: a gateway that polls every minute would double
the length of a test."""

LEAST_NS: Final = NS_PER_MS
"""Where nothing is polled."""

UNDECLARED_NS: Final = 10 * NS_PER_S
"""How much more what is repeated is spread where nobody declared how often a device on the way polls another one: most
gateways poll every second or faster, and few slower than every five (common practice, no source)."""

SEEN_TIMES: Final = 5
"""By so many times the longest time that an output took so far. Half of a beat is soon seen, so that this is two and a
half beats or more: of its uneven phase 7 % are left at the most, and below 2 % once nearly a whole beat was seen."""
SEEN_MAX_NS: Final = 15 * NS_PER_S
"""Three seconds are longer than most beats, and nobody waits without end for an output that is slow for other reasons:
damping, a person's hand, a dwell."""
_BESIDES_NS: Final = 50 * NS_PER_MS
"""How much longer than declared an output takes, as far as only a forecast is concerned: scans, the write itself."""


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
        self._took_ns: dict[str, int] = {}  # by link, the longest so far

    def took(self, row: Expectation, took_ns: int) -> None:
        """An output took so long to come on or to go off: what is repeated is spread over a multiple of it from now on.

        What a person reports has no beat, and how long an output holds on is no beat either.
        """
        link = self._site.points[row.point].link
        if not isinstance(self._site.links[link], PersonLink):
            self._took_ns[link] = max(self._took_ns.get(link, 0), took_ns)

    def wait_ns(self, item: Item, random: Random, *, is_again: bool = False) -> int:
        """How long this raise waits, in ns: at random, by ``random`` and what was seen so far alone."""
        if self._by_hand:
            return 0
        half_ns = self._more_ns(item, self._took_ns, is_again=is_again) // 2
        more_ns = random.randrange(half_ns + 1) + random.randrange(half_ns + 1) if half_ns else 0
        return random.randrange(self._polls_ns(item, is_again=is_again) + 1) + more_ns

    def over_ns(self, item: Item, *, is_again: bool = False) -> int:
        """Over how long a time a raise of an alarm is spread, in ns; it waits for half of it on average.

        A forecast by what is declared: what outputs really take is not known beforehand. ``is_again``: this run has
        raised it in the same way before, so that the two are measured together. Reference points are on the way: what
        was raised when they are read in step with it is always known equally well.
        """
        if self._by_hand:
            return 0
        declared_ns = {name: self._declared_ns(name) for name in self._site.links}
        return self._polls_ns(item, is_again=is_again) + self._more_ns(item, declared_ns, is_again=is_again)

    def usual_ns(self, item: Item) -> int:
        """How long one alarm takes where every output answers at once, with the wait before its raise."""
        return usual_ns(self._site, item) + self.over_ns(item) // 2

    def longest_ns(self, item: Item, *, is_again: bool = False) -> int:
        """How long one alarm takes at the most, with the wait before its raise."""
        if self._by_hand:
            return longest_ns(self._site, item)
        site = self._site
        waited_ns = {}
        for link, rows in self._rows_by_link(item).items():
            waited = (max(show_within_ns(site, row), gone_within_ns(site, row)) for row in rows)
            waited_ns[link] = max(self._declared_ns(link), *waited)
        more_ns = self._more_ns(item, waited_ns, is_again=is_again)
        return longest_ns(self._site, item) + self._polls_ns(item, is_again=is_again) + more_ns

    def _polls_ns(self, item: Item, *, is_again: bool) -> int:
        whole_ns = max(self._on_the_way(item), default=LEAST_NS)
        return whole_ns if self.is_repeated or is_again else min(whole_ns, SINGLE_MAX_NS)

    def _more_ns(self, item: Item, took_ns: Mapping[str, int], *, is_again: bool) -> int:
        """Against beats that nobody declared, or declared too short. ``took_ns``: by link, how slow its outputs are."""
        if not (self.is_repeated or is_again):
            return 0
        links = self._rows_by_link(item)
        seen_ns = min(SEEN_MAX_NS, SEEN_TIMES * max((took_ns.get(it, 0) for it in links), default=0))
        return max([seen_ns, *(UNDECLARED_NS for it in links if undeclared_polls(self._site, it))])

    def _rows_by_link(self, item: Item) -> dict[str, list[Expectation]]:
        found: dict[str, list[Expectation]] = {}
        for row in item.loud:
            link = self._site.points[row.point].link
            if not isinstance(self._site.links[link], PersonLink):
                found.setdefault(link, []).append(row)
        return found

    def _declared_ns(self, link: str) -> int:
        """How long the outputs of a link take at the most, as far as it is declared."""
        site, spec = self._site, self._site.links[link]
        delays = (site.times_of(it).output_delay for it in (link, *site.before(link)))
        polls = sum(site.times_of(it).device_poll_ns or 0 for it in (link, *site.before(link)))
        own = getattr(spec, "poll_period_ns", 0) or 0
        return sum(it.hi for it in delays if it is not None) + polls + own + _BESIDES_NS

    def _on_the_way(self, item: Item) -> Iterator[int]:
        site = self._site
        alarms = (item.alarm,) if item.also is None else (item.alarm, item.also)
        references = [it.reference for it in alarms if it.reference in site.points]
        for name in (*(row.point for row in item.rows), *(it for it in references if it is not None)):
            point = site.points[name]
            # What tells changes may do so in a cycle of its own, of which no more is known than the longest delay.
            told_ns = told_delay_ns(site.links[point.link], point.place) or 0
            yield max(self._slowest_ns[point.link], told_ns, LEAST_NS)


def undeclared_polls(site: Site, link: str) -> tuple[tuple[str, str], ...]:
    """Of the devices on the way to a link that poll another one, those of which nobody declared how often: the link of
    each, and that of what it polls. What is overheard on a bus is polled by its master, whose cycle may be declared.
    """
    found = []
    for name in (link, *site.before(link)):
        source = site.behind.get(name)
        if source is None or site.times_of(name).device_poll_ns is not None:
            continue
        bus = site.links[source]
        if not (isinstance(bus, ModbusRtuLink) and bus.way is BusWay.RECEIVE_ONLY and bus.poll_period_ns):
            found.append((name, source))
    return tuple(found)


def undeclared_words(site: Site, link: str) -> tuple[str, ...]:
    """Why nothing can be proven of the outputs of a link, and the remedy; () where all of it is declared."""
    return tuple(
        f"how often {name} polls {source} is not declared, and raises may fall in step with it: write 'device polls "
        f"every: ...' at link {name} (where it hands on at once, the longest that this takes)"
        for name, source in undeclared_polls(site, link)
    )


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
