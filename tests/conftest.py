"""How the tests are spread over processes: what runs in real time runs in one of them, with a core to itself."""

from __future__ import annotations

from pathlib import Path

import pytest

REAL_TIME = tuple(Path(__file__).parent / name for name in ("live", "conformance"))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """One group for all tests that watch a clock; the others go wherever there is room."""
    for item in items:
        if any(folder in item.path.parents for folder in REAL_TIME):
            item.add_marker(pytest.mark.xdist_group("real time"))
