"""Numbers that keep changing (a level, a counter) and polls that keep being late, in few lines: the first at once, then
counts of a few seconds.

Nothing else is held back: not a bit, not a text, not a number with which a point went on or off.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from harness.core.durations import at_most
from harness.core.instants import NS_PER_S

if TYPE_CHECKING:
    from harness.run.watching import Change, Notice

GATHER_NS: Final = 5 * NS_PER_S
"""So long the changes of one number are counted before they are told: often enough to see it move."""


@dataclass(slots=True)
class _Window:
    """The changes of one number since ``since_ns`` that were not told yet."""

    link: str
    since_ns: int
    count: int = 0
    low: float = 0.0
    high: float = 0.0
    now: str = ""


@dataclass(slots=True)
class _Late:
    """The late polls of one link since ``since_ns`` that were not told yet, and the worst of them."""

    since_ns: int
    count: int = 0
    worst_ns: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class CountedLate:
    """Late polls of a link that were not told one by one."""

    link: str
    count: int
    worst_ns: int
    over_ns: int

    @property
    def words(self) -> str:
        """``23 more polls began late in 5 s, by 1.1 s at the most``."""
        more = f"{self.count} more poll{'s' * (self.count != 1)}"
        return f"{more} began late in {self.over_ns / NS_PER_S:.0f} s, by {at_most(self.worst_ns)} at the most"


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """Changes of a number that were not told one by one; ``places`` are those that read the same number."""

    link: str
    places: tuple[str, ...]
    count: int
    low: float
    high: float
    now: str
    over_ns: int

    @property
    def words(self) -> str:
        """``48 more changes in 5 s, from 2199 to 2250, now 2210``."""
        more = f"{self.count} more change{'s' * (self.count != 1)}"
        return f"{more} in {self.over_ns / NS_PER_S:.0f} s, from {self.low:g} to {self.high:g}, now {self.now}"


class Drift:
    """Decides which changes are told at once, and counts the others. Knows no clock: it is told the time."""

    def __init__(self) -> None:
        self._windows: dict[str, _Window] = {}
        self._late: dict[str, _Late] = {}

    def is_told(self, change: Change, at_ns: int) -> bool:
        """Whether a change is to be told now; else it is counted. A first value is not a change, and told."""
        value = _number(change.now)
        if value is None or change.turned or not change.was or _number(change.was) is None:
            return True
        window = self._windows.get(change.place)
        if window is None:
            self._windows[change.place] = _Window(change.link, at_ns)
            return True
        window.low = value if not window.count else min(window.low, value)
        window.high = value if not window.count else max(window.high, value)
        window.count, window.now = window.count + 1, change.now
        return False

    def is_late_told(self, notice: Notice) -> bool:
        """Whether a notice is to be told now; polls of a link that keep being late are counted. All others are told."""
        if not notice.late_ns:
            return True
        late = self._late.get(notice.link)
        if late is None:
            self._late[notice.link] = _Late(notice.at_ns)
            return True
        late.count, late.worst_ns = late.count + 1, max(late.worst_ns, notice.late_ns)
        return False

    def late_due(self, at_ns: int, *, all_of_them: bool = False) -> list[CountedLate]:
        """Late polls that were counted for long enough, by link."""
        found = []
        for link, late in list(self._late.items()):
            over_ns = at_ns - late.since_ns
            if over_ns < GATHER_NS and not all_of_them:
                continue
            if late.count:
                found.append(CountedLate(link=link, count=late.count, worst_ns=late.worst_ns, over_ns=over_ns))
                self._late[link] = _Late(at_ns)
            else:
                del self._late[link]
        return found

    def due(self, at_ns: int, *, all_of_them: bool = False) -> list[Counted]:
        """What was counted for long enough, told once for all places that read the same number."""
        ended = [
            (place, window)
            for place, window in self._windows.items()
            if all_of_them or at_ns - window.since_ns >= GATHER_NS
        ]
        found: dict[tuple[str, int, float, float, str], list[str]] = {}
        over_ns = 0
        for place, window in ended:
            if window.count:
                key = (window.link, window.count, window.low, window.high, window.now)
                found.setdefault(key, []).append(place)
                over_ns = max(over_ns, at_ns - window.since_ns)
                self._windows[place] = _Window(window.link, at_ns)
            else:
                del self._windows[place]
        return [
            Counted(link=link, places=tuple(places), count=count, low=low, high=high, now=now, over_ns=over_ns)
            for (link, count, low, high, now), places in found.items()
        ]


def _number(text: str) -> float | None:
    """The number that a value is, None for any other text (``on``, ``57.1 (fault)``, ``not a number``)."""
    try:
        return float(text)
    except ValueError:
        return None
