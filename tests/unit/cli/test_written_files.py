"""What a command writes never replaces a file of another kind that was named by mistake."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.cli import cli
from harness.cli.common import write_text
from harness.core.errors import UsageError
from tests.peers.records import RecordMaker

PAGE = "<!DOCTYPE html>\n<html></html>\n"


@pytest.fixture
def record(tmp_path: Path) -> Path:
    maker = RecordMaker(tmp_path / "day.farend", up=("bms",))
    maker.plan("a.high")
    maker.stimulus("0001", "a.high", 5.0, 10.0)
    return maker.close()


@pytest.mark.parametrize("option", ["--html", "--junit", "--json", "--log-book"])
def test_a_record_is_never_replaced_by_its_own_report(option: str, record: Path) -> None:
    before = record.read_bytes()
    with pytest.raises(UsageError, match=r"day.farend: is there already .* choose another name"):
        cli(["report", str(record), option, str(record)], standalone_mode=False)
    assert record.read_bytes() == before


@pytest.mark.parametrize("text", ["site: ashby\n", "SQLite format 3\0", "alarm,link\n", '<?xml version="1.0"?>\n', "<"])
def test_what_begins_otherwise_is_kept(text: str, tmp_path: Path) -> None:
    path = tmp_path / "there"
    path.write_text(text)
    if PAGE.startswith(text):
        write_text(path, PAGE)
        assert path.read_text() == PAGE
        return
    with pytest.raises(UsageError, match="is there already"):
        write_text(path, PAGE)
    assert path.read_text() == text
    write_text(path, PAGE, over=True)
    assert path.read_text() == PAGE


def test_a_file_of_the_same_kind_an_empty_one_and_a_new_one_are_written(tmp_path: Path) -> None:
    for old in ("<!doctype html>\nof yesterday", "", None):
        path = tmp_path / "page.html"
        path.unlink(missing_ok=True)
        if old is not None:
            path.write_text(old)
        write_text(path, PAGE)
        assert path.read_text() == PAGE
