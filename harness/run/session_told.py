"""What a program that drives a session asked for, what came of it, and what a person would have been told meanwhile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from harness.core.model import Result, Stray
from harness.core.verdicts import Verdict
from harness.run.order import Item
from harness.run.tools import Progress


@dataclass(frozen=True, slots=True, kw_only=True)
class Raise:
    """One raise that was asked for. ``keys``: the rows it is judged by; ``stimulus``: '' where it was not raised, and
    ``why``. ``is_left_out``: it never is, by the site file or the reviews.
    """

    alarm: str
    keys: tuple[str, ...]
    stimulus: str = ""
    why: str = ""
    is_left_out: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What came of them. ``results``: in the order of raising and of the point map.

    ``not_run``: rows that nothing was raised for, and why. ``differs``: what is not as it was found, in words.
    ``stopped``: why everything was put back before its time, or nothing more is raised; '' where it was not so.
    """

    raises: tuple[Raise, ...]
    results: tuple[Result, ...] = ()
    expected: tuple[Result, ...] = ()
    """By the limits of what was expected in the middle of it, and was not known then."""
    failed: tuple[Result, ...] = ()
    """What had failed in the middle of it, by the same limits and all that is known now: whether late or missed."""
    strays: tuple[Stray, ...] = ()
    not_run: dict[str, str] = field(default_factory=dict)
    differs: tuple[str, ...] = ()
    left_on: tuple[str, ...] = ()
    """Points among these that are on and were off."""
    stopped: str = ""

    def verdicts(self) -> dict[str, list[Verdict]]:
        """By row, one verdict for each raise; ``not-run`` where there was none."""
        found: dict[str, list[Verdict]] = {key: [Verdict.NOT_RUN] for key in self.not_run}
        for result in self.results:
            found.setdefault(result.expectation, []).append(result.verdict)
        return found


class Heard:
    """The view of a session: keeps what a person would have been told."""

    def __init__(self) -> None:
        self.told: list[str] = []

    def baseline(self, standing: Sequence[str], down: Sequence[str]) -> None:
        """See ``View.baseline``."""
        self.told += [f"{name} is on before anything is raised" for name in standing]
        self.told += [f"link {name} is not up" for name in down]

    def raising(self, item: Item, progress: Progress) -> None:
        """See ``View.raising``."""

    def phase(self, text: str) -> None:
        """See ``View.phase``."""

    def judged(self, item: Item, results: Sequence[Result]) -> None:
        """See ``View.judged``."""

    def tried(self, text: str) -> None:
        """See ``View.tried``."""

    def trouble(self, text: str) -> None:
        """See ``View.trouble``."""
        self.told.append(text)

    def urgent(self, text: str) -> None:
        """See ``View.urgent``."""
        self.told.append(text)
