"""A small record, and clocks that the test moves."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from harness.core.places import Table
from harness.links.base import Block
from harness.record.header import Header
from harness.record.writer import RecordWriter

DOCUMENTS = {"site.yaml": b"site: hollowmere\n", "points.csv": b"alarm,point\n"}
Maker = Callable[..., RecordWriter]


def block(number: int = 1, count: int = 16, link: str = "bms") -> Block:
    return Block(id=number, link=link, unit=1, table=Table.DISCRETE_INPUT, address=0, count=count)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "run.farend"


@pytest.fixture
def make(path: Path) -> Iterator[Maker]:
    """Makes writers, and closes them in the end."""
    made: list[RecordWriter] = []

    def one(**rest: object) -> RecordWriter:
        clock = time.monotonic_ns
        header = Header.now(clock, site="hollowmere", seed=42, command=("farend", "test"), extra={"firmware": "1.2"})
        made.append(RecordWriter.create(path, header, DOCUMENTS, clock, **rest))  # type: ignore[arg-type]
        return made[-1]

    yield one
    for writer in made:
        writer.close()
