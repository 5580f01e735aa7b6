"""What tests of whole runs share."""

from __future__ import annotations

import pytest


@pytest.fixture
def known_beats(monkeypatch: pytest.MonkeyPatch) -> None:
    """Raises are not spread against beats that nobody declared: of a simulated site each is known, and runs in real
    time would take twice as long.
    """
    monkeypatch.setattr("harness.run.spread.SEEN_MAX_NS", 0)
