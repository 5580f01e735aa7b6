"""Baselines: kept whole or not at all, and never other bytes than those that were kept."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest

from harness.core.errors import RecordError, UsageError
from harness.studies.baselines import Baseline, check_name, keep, kept_in, read_baseline, records_of, remove
from tests.peers.records import SITE, RecordMaker

NOW_NS = 1_800_000_000 * 10**9


def record(folder: Path, name: str, *, text: str = SITE, seconds: int = 20) -> Path:
    maker = RecordMaker(folder / name, seconds=seconds, text=text)
    maker.stimulus("0001", "a.high", 5, 10)
    return maker.close()


def kept(folder: Path, name: str = "1.0", *records: Path, replace: bool = False) -> Baseline:
    return keep(folder, "ashby", name, records, by="Kim", note="as accepted", now_utc_ns=NOW_NS, replace=replace)


def test_what_is_kept_is_read_again(tmp_path: Path) -> None:
    one, two = record(tmp_path, "one.farend"), record(tmp_path, "two.farend", seconds=30)
    made = kept(tmp_path, "1.0", one, two)
    found = read_baseline(tmp_path, "1.0")
    assert found == made
    assert (found.name, found.site, found.by, found.note) == ("1.0", "ashby", "Kim", "as accepted")
    assert [it.name for it in records_of(found)] == ["one.farend", "two.farend"]
    assert records_of(found)[0].read_bytes() == one.read_bytes()
    assert found.firmware == ("not stated",)
    assert kept_in(tmp_path) == ("1.0",)
    one.unlink()
    assert records_of(read_baseline(tmp_path, "1.0")), "copies: nothing hangs on the first ones"


def test_a_name_is_taken_once(tmp_path: Path) -> None:
    one, two = record(tmp_path, "one.farend"), record(tmp_path, "two.farend", seconds=30)
    kept(tmp_path, "1.0", one)
    with pytest.raises(UsageError, match=r"baseline=1\.0: it is kept already, .* or add --replace"):
        kept(tmp_path, "1.0", two)
    assert [it.file for it in read_baseline(tmp_path, "1.0").files] == ["one.farend"]
    kept(tmp_path, "1.0", two, replace=True)
    assert [it.file for it in read_baseline(tmp_path, "1.0").files] == ["two.farend"]
    assert sorted(it.name for it in (tmp_path / "baselines").iterdir()) == ["1.0"]


def test_what_fails_changes_nothing(tmp_path: Path) -> None:
    one = record(tmp_path, "one.farend")
    kept(tmp_path, "1.0", one)
    foreign = record(tmp_path, "foreign.farend", text=SITE.replace("site: ashby", "site: other"))
    with pytest.raises(UsageError, match=r"foreign\.farend: site=other: the record of another site; .* site=ashby"):
        kept(tmp_path, "1.0", one, foreign, replace=True)
    with pytest.raises(RecordError, match="no such file"):
        kept(tmp_path, "1.0", tmp_path / "none.farend", replace=True)
    with pytest.raises(UsageError, match=r"record=one\.farend: two records of this name"):
        kept(tmp_path, "1.0", one, one, replace=True)
    assert records_of(read_baseline(tmp_path, "1.0"))[0].read_bytes() == one.read_bytes()
    assert sorted(it.name for it in (tmp_path / "baselines").iterdir()) == ["1.0"]


def test_what_was_changed_is_refused(tmp_path: Path) -> None:
    made = kept(tmp_path, "1.0", record(tmp_path, "one.farend"))
    path = made.folder / "one.farend"
    path.write_bytes(path.read_bytes().replace(b"Technician", b"Technicien", 1))
    with pytest.raises(
        RecordError, match=r"one\.farend: sha256=\w+\.\.\.: expected \w+\.\.\., as it was when baseline 1\.0 was"
    ):
        records_of(read_baseline(tmp_path, "1.0"))
    path.unlink()
    with pytest.raises(RecordError, match=r"it belongs to baseline 1\.0: put it back, or keep"):
        records_of(read_baseline(tmp_path, "1.0"))


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{}",
        '{"schema": "farend-baseline/9"}',
        '{"schema": "farend-baseline/1", "files": []}',
    ],
)
def test_a_list_that_is_none_of_ours(tmp_path: Path, text: str) -> None:
    made = kept(tmp_path, "1.0", record(tmp_path, "one.farend"))
    (made.folder / "baseline.json").write_text(text)
    with pytest.raises(
        RecordError, match=r"baseline\.json: cannot be read as the list of a baseline: .*; keep it anew"
    ):
        read_baseline(tmp_path, "1.0")


def test_a_list_leads_nowhere_else(tmp_path: Path) -> None:
    made = kept(tmp_path, "1.0", record(tmp_path, "one.farend"))
    path = made.folder / "baseline.json"
    raw = json.loads(path.read_text())
    raw["files"][0]["file"] = "../../one.farend"
    path.write_text(json.dumps(raw))
    with pytest.raises(RecordError, match="plain file names"):
        read_baseline(tmp_path, "1.0")


def test_one_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"baseline=1\.1: there is none of this name in .*; farend baseline SITE keep"):
        read_baseline(tmp_path, "1.1")
    kept(tmp_path, "1.0", record(tmp_path, "one.farend"))
    with pytest.raises(UsageError, match=r"did you mean 1\.0\?"):
        read_baseline(tmp_path, "1.1")
    assert remove(tmp_path, "1.0").name == "1.0"
    assert kept_in(tmp_path) == ()


@pytest.mark.parametrize(
    "name",
    ["", ".", "..", "a/b", "a\\b", "-x", " a", "a b", "con", "NUL.1", "x.farend", "x.part", "e\u0301", "x" * 65, "a."],
)
def test_names_that_are_no_folder_everywhere(tmp_path: Path, name: str) -> None:
    with pytest.raises(UsageError, match="expected a name of at most 64 letters, digits"):
        kept(tmp_path, name, tmp_path / "none.farend")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["1.4.2", "before-update", "a", "x" * 64, "2026_11_29+1"])
def test_names_that_are(name: str) -> None:
    check_name(name)


def test_what_a_run_that_was_cut_off_left_beside_its_record_is_kept_too(tmp_path: Path) -> None:
    path = record(tmp_path, "cut.farend")
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("CREATE TABLE beside (text)")
    connection.commit()
    wal = path.with_name("cut.farend-wal").read_bytes()
    whole = path.read_bytes()
    connection.close()
    path.write_bytes(whole)
    path.with_name("cut.farend-wal").write_bytes(wal)
    made = kept(tmp_path, "1.0", path)
    assert [(it.file, it.of) for it in made.files] == [("cut.farend", ""), ("cut.farend-wal", "cut.farend")]
    assert [it.name for it in records_of(made)] == ["cut.farend"]


@pytest.mark.parametrize("ending", ["-wal", "-journal"])
def test_what_was_laid_beside_a_kept_record_later_is_refused(ending: str, tmp_path: Path) -> None:
    """A log beside a record is read with it, so that the same bytes of the record would say something else."""
    made = kept(tmp_path, "1.0", record(tmp_path, "one.farend"))
    (made.folder / f"one.farend{ending}").write_bytes(b"something")
    with pytest.raises(RecordError, match=rf"one\.farend{ending}: .* was not kept with baseline 1\.0"):
        records_of(read_baseline(tmp_path, "1.0"))


def test_a_baseline_that_was_to_be_replaced_when_farend_was_killed_is_still_there(tmp_path: Path) -> None:
    one, two = record(tmp_path, "one.farend"), record(tmp_path, "two.farend", seconds=30)
    made = kept(tmp_path, "1.0", one)
    made.folder.rename(made.folder.with_name(".1.0.old"))
    with pytest.raises(UsageError, match=r"baseline=1\.0: it is kept already"):
        kept(tmp_path, "1.0", two)
    assert [it.name for it in records_of(read_baseline(tmp_path, "1.0"))] == ["one.farend"]
