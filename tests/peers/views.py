"""Views of a run for tests: one that shows nothing, and ones that hold that there is nothing to show, or keep it."""

from __future__ import annotations

from collections.abc import Sequence

from harness.core.model import Result
from harness.run.order import Item
from harness.run.tools import Progress


class Ignoring:
    """Shows nothing, whatever comes."""

    def baseline(self, standing: Sequence[str], down: Sequence[str]) -> None: ...

    def raising(self, item: Item, progress: Progress) -> None: ...

    def phase(self, text: str) -> None: ...

    def judged(self, item: Item, results: Sequence[Result]) -> None: ...

    def tried(self, text: str) -> None: ...

    def trouble(self, text: str) -> None: ...

    def urgent(self, text: str) -> None: ...


class Untroubled(Ignoring):
    """Fails where a person would be told of anything."""

    def trouble(self, text: str) -> None:
        raise AssertionError(text)

    def urgent(self, text: str) -> None:
        raise AssertionError(text)


class Undisturbed(Untroubled):
    """Fails too where something is on, or a link down, before anything was raised."""

    def baseline(self, standing: Sequence[str], down: Sequence[str]) -> None:
        assert not standing
        assert not down


class Keeping(Ignoring):
    """Keeps what a person was told."""

    def __init__(self) -> None:
        self.told: list[str] = []

    def trouble(self, text: str) -> None:
        self.told.append(text)

    def urgent(self, text: str) -> None:
        self.told.append(text)
