"""What is no record, a newer one, one being written or a damaged one says so; what is left beside it is not touched."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.core.errors import RecordError
from harness.links.base import LinkState
from harness.record.reader import RecordReader
from tests.unit.record.conftest import Maker, block


@pytest.fixture
def closed(make: Maker, path: Path) -> Path:
    writer = make()
    writer.block(block(1))
    for number in range(300):
        writer.poll(1, number * 100, number * 100 + 7, bytes([number % 256]))
        writer.message("printer", number, number + 1, f"{number} RAISED TANK 1 HIGH".encode())
        if number % 100 == 50:
            writer.flush()
    writer.link_state("printer", 1, LinkState.UP, "connected")
    writer.close()
    return path


def refused(path: Path) -> str:
    with pytest.raises(RecordError) as caught:
        RecordReader.open(path)
    assert str(caught.value).startswith(f"{path}: ")
    return str(caught.value).removeprefix(f"{path}: ")


def test_what_is_not_there_or_is_no_file(tmp_path: Path) -> None:
    assert refused(tmp_path / "none") == "no such file; give the path of a record"
    assert refused(tmp_path) == "cannot be read: Is a directory; give the path of a record you may read"


def test_a_file_of_another_kind(tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    path.write_bytes(b"<!DOCTYPE html>")
    assert refused(path) == "is not a record: it begins with b'<!DOCTYP'; give the path of a farend record"
    path.write_bytes(b"")
    assert refused(path) == "is empty: the run was cut off before anything was recorded; run it again"


def test_the_database_of_another_program(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE points (name TEXT)")
    connection.close()
    assert refused(path) == (
        "is not a record: application_id=0x0, expected 0x46415231; it is the database of another program"
    )


def test_a_newer_record(closed: Path) -> None:
    connection = sqlite3.connect(closed)
    connection.execute("PRAGMA user_version = 9")
    connection.close()
    assert refused(closed) == "schema=9: was written by a newer farend, this one reads up to 3; update it"


def test_a_record_that_is_being_written(make: Maker, path: Path) -> None:
    writer = make()
    before = sorted(file.name for file in path.parent.iterdir())
    assert refused(path) == "is being written by a run; read it when that has ended"
    assert sorted(file.name for file in path.parent.iterdir()) == before
    writer.message("printer", 1, 2, b"still written")
    writer.close()
    with RecordReader.open(path) as reader:
        assert [line.data for line in reader.messages("printer")] == [b"still written"]


def test_a_record_cut_off_before_anything_was_in_it(tmp_path: Path) -> None:
    path = tmp_path / "run"
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA journal_mode = DELETE")
    connection.close()
    assert path.stat().st_size > 0
    assert refused(path) == "is empty: the run was cut off before anything was recorded; run it again"


def no_triggers(connection: sqlite3.Connection) -> None:
    for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        connection.execute(f"DROP TRIGGER {name}")


@pytest.mark.parametrize(
    "edit",
    [
        "UPDATE entry SET end_ns = end_ns + 1 WHERE seq = 20",
        "UPDATE entry SET data = 'x' WHERE seq = 20",
        "UPDATE entry SET kind = 'overrun' WHERE seq = 20",
        "DELETE FROM entry WHERE seq = 20",
        "DELETE FROM entry WHERE seq = (SELECT max(seq) FROM entry)",
        "INSERT INTO entry VALUES (100000, 'line', 'printer', 1, 2, '', x'00')",
        "DELETE FROM batch WHERE seq = 2",
        "UPDATE batch SET times = x'000000' WHERE seq = 2",
        "UPDATE batch SET changes = NULL WHERE seq = 2",
        "UPDATE batch SET base_ns = base_ns + 1 WHERE seq = 2",
        "UPDATE batch SET at_ns = at_ns + 1 WHERE seq = 2",
        "UPDATE meta SET value = replace(value, '42', '43')",
        "UPDATE meta SET value = 'no header'",
        "UPDATE document SET data = x'00' WHERE name = 'site.yaml'",
        "UPDATE document SET name = 'other' WHERE name = 'site.yaml'",
        "DELETE FROM document",
    ],
)
def test_an_edit_is_found(closed: Path, edit: str) -> None:
    connection = sqlite3.connect(closed)
    no_triggers(connection)
    assert connection.execute(edit).rowcount >= 1
    connection.commit()
    connection.close()
    assert refused(closed).startswith("is damaged: ")


def test_a_flipped_byte_is_found_or_changes_nothing(closed: Path) -> None:
    """Any one byte of the file: either it is refused, or what is read is what was written (free space, headers)."""

    def content() -> tuple[object, ...]:
        with RecordReader.open(closed) as reader:
            polls = reader.polls(1)
            return (
                reader.header,
                dict(reader.documents),
                reader.blocks(),
                reader.messages("printer"),
                reader.link_states("printer"),
                polls.asked.tolist(),
                polls.told.tolist(),
                polls.starts.tolist(),
                polls.payloads,
                reader.closed_cleanly,
            )

    good, whole = closed.read_bytes(), content()
    refusals = 0
    for at in range(0, len(good), 97):
        closed.write_bytes(good[:at] + bytes([good[at] ^ 0x41]) + good[at + 1 :])
        try:
            assert content() == whole, f"byte {at}"
        except RecordError:
            refusals += 1
    assert refusals > 100, "most of the file is evidence"


@pytest.mark.parametrize("keep", [0.1, 0.5, 0.9])
def test_a_record_cut_short_is_damaged(closed: Path, keep: float) -> None:
    data = closed.read_bytes()
    closed.write_bytes(data[: int(len(data) * keep)])
    assert refused(closed).startswith(("is damaged: ", "is not a record: "))


def copy_of(path: Path, folder: Path) -> Path:
    """What lies on the disk now, as after a crash."""
    folder.mkdir()
    for file in path.parent.glob(path.name + "*"):
        shutil.copyfile(file, folder / file.name)
    return folder / path.name


def test_a_record_left_with_its_log_is_read_and_left_as_it_was(make: Maker, path: Path, tmp_path: Path) -> None:
    writer = make()
    writer.message("printer", 1, 2, b"RAISED")
    writer.flush()
    left = copy_of(path, tmp_path / "left")
    before = {file.name: file.read_bytes() for file in left.parent.iterdir()}
    assert f"{path.name}-wal" in before
    with RecordReader.open(left) as reader:
        assert [line.data for line in reader.messages("printer")] == [b"RAISED"]
        assert not reader.closed_cleanly
    assert {file.name: file.read_bytes() for file in left.parent.iterdir()} == before


def test_a_record_left_with_a_rollback_journal_is_read_as_it_was_before(closed: Path, tmp_path: Path) -> None:
    connection = sqlite3.connect(closed, isolation_level=None)
    no_triggers(connection)
    connection.execute("PRAGMA cache_size = 1")
    connection.execute("BEGIN")
    connection.execute("UPDATE entry SET data = randomblob(500)")
    left = copy_of(closed, tmp_path / "left")
    connection.execute("ROLLBACK")
    connection.close()
    assert left.read_bytes() != closed.read_bytes(), "the change had not reached the file"
    before = {file.name: file.read_bytes() for file in left.parent.iterdir()}
    with RecordReader.open(left) as reader:
        assert reader.messages("printer")[0].data == b"0 RAISED TANK 1 HIGH"
    assert {file.name: file.read_bytes() for file in left.parent.iterdir()} == before


READ = """
import os, sys
from pathlib import Path
from harness.record.reader import RecordReader
if os.geteuid() == 0:
    os.setgroups([])
    os.setegid(65534)
    os.seteuid(65534)
assert not os.access(Path(sys.argv[1]).parent, os.W_OK, effective_ids=True)
with RecordReader.open(Path(sys.argv[1])) as reader:
    print([line.data for line in reader.messages("printer")], reader.closed_cleanly)
"""


@pytest.fixture
def media() -> Iterator[Path]:
    """A folder that others may enter."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o755)
    yield folder
    folder.chmod(0o755)
    shutil.rmtree(folder)


@pytest.mark.skipif(sys.platform == "win32", reason="rights are of another kind there")
@pytest.mark.parametrize("cut_off", [False, True])
def test_it_is_read_from_where_nothing_can_be_written(make: Maker, path: Path, media: Path, cut_off: bool) -> None:
    """By a process without the rights to write there; root, who may write everywhere, becomes nobody for it."""
    writer = make()
    writer.message("printer", 1, 2, b"RAISED")
    writer.flush()
    if not cut_off:
        writer.close()
    for file in path.parent.glob(path.name + "*"):
        shutil.copyfile(file, media / file.name)
        (media / file.name).chmod(0o444)
    media.chmod(0o555)
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-B", "-c", READ, media / path.name],
        cwd=Path(__file__).parents[3],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.stdout == f"[b'RAISED'] {not cut_off}\n", done.stderr
    assert not list(media.glob("*-shm"))


def test_a_name_with_odd_characters_is_a_name(closed: Path) -> None:
    odd = closed.with_name("run 1%20?mode=rw#x.farend")
    closed.rename(odd)
    with RecordReader.open(odd) as reader:
        assert len(reader.messages("printer")) == 300


def test_it_can_be_closed_twice_and_leaves_no_copies(make: Maker, path: Path, tmp_path: Path) -> None:
    writer = make()
    writer.flush()
    left = copy_of(path, tmp_path / "left")
    reader = RecordReader.open(left)
    assert reader._copies is not None
    copies = Path(reader._copies.name)
    assert copies.exists()
    reader.close()
    reader.close()
    assert not copies.exists()
