"""Judging a record by a corrected point map, also where the rows of its site stand in the site file itself."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from harness.core.errors import RecordError, SiteError
from harness.core.places import Table
from harness.links.base import Block
from harness.record.header import Header
from harness.record.writer import RecordWriter
from harness.results.judging import ENTRY_KEY, MAP_KEY, judge_record
from tests.peers.sites import documents

HEADER = """alarm,link,table,address,behaviour,point
b.leak,panel,discrete-input,1,quiet,panel-high
"""
"""With the row whose point is the reference of an alarm."""


@pytest.fixture
def record(tmp_path: Path) -> Path:
    """A record of the small site, whose rows are inline, with one poll of its inputs."""
    ticks = itertools.count(1_000_000_000, 1_000_000)

    def clock() -> int:
        return next(ticks)

    site = documents()
    path = tmp_path / "run.farend"
    extra = {ENTRY_KEY: site.entry, MAP_KEY: site.point_map}
    writer = RecordWriter.create(path, Header.now(clock, site="ashby", extra=extra), site.files, clock)
    writer.block(Block(id=1, link="bms", unit=1, table=Table.DISCRETE_INPUT, address=0, count=8))
    writer.poll(1, clock(), clock(), b"\x00")
    writer.close()
    return path


def test_a_map_stands_in_place_of_inline_rows(record: Path, tmp_path: Path) -> None:
    corrected = tmp_path / "corrected.csv"
    corrected.write_text(f"{HEADER}a.low,bms,discrete-input,6,follows,moved\n")
    own = judge_record(record)
    judged = judge_record(record, corrected)
    try:
        assert "hh" in own.site.points
        assert own.judged_with == ""
        assert [row.key for row in judged.site.expectations] == ["b.leak@panel-high", "a.low@moved"]
        assert judged.judged_with.startswith("corrected.csv (SHA-256 ")
        assert judged.judged_with.endswith(") in place of the rows in site.yaml")
    finally:
        own.reader.close()
        judged.reader.close()


def test_what_is_wrong_with_such_a_map_is_said_at_its_own_line(record: Path, tmp_path: Path) -> None:
    corrected = tmp_path / "site.yaml"  # named like the site file, and still not taken for it
    corrected.write_text(f"{HEADER}a.low,bmz,discrete-input,6,follows,moved\n")
    with pytest.raises(SiteError, match=r"map-site\.yaml:3: link=bmz: no such link"):
        judge_record(record, corrected)
    with pytest.raises(RecordError, match="cannot be read"):
        judge_record(record, tmp_path / "nowhere.csv")
