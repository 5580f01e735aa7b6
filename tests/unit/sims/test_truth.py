"""The truth log reads back what was written, also when its writer was cut off."""

from pathlib import Path

from sims.truth import Instant, Shown, TruthLog, changes, read_truth, shown


def output(log: TruthLog, signal: str, value: int, at_ns: int, place: str = "bms") -> None:
    log.add("output", place=place, signal=signal, value=value, set_before_ns=at_ns, set_after_ns=at_ns + 2)


def test_shown() -> None:
    log = TruthLog()
    for value, at_ns in ((1, 10), (2, 20), (0, 30), (1, 40)):
        output(log, "day.low", value, at_ns)
    output(log, "day.high", 1, 15)
    output(log, "day.low", 1, 16, place="panel")
    assert changes(log.entries, "bms", "day.low") == [
        (1, Instant(10, 12)), (2, Instant(20, 22)), (0, Instant(30, 32)), (1, Instant(40, 42)),
    ]  # fmt: skip
    assert shown(log.entries, "bms", "day.low") == [
        Shown(Instant(10, 12), Instant(30, 32)),
        Shown(Instant(40, 42), None),
    ]
    assert shown(log.entries, "panel", "day.low") == [Shown(Instant(16, 18), None)]
    assert shown(log.entries, "bms", "day.water") == []


def test_a_file_reads_back_and_may_be_cut_off(tmp_path: Path) -> None:
    path = tmp_path / "truth.jsonl"
    with TruthLog(path) as log:
        output(log, "day.low", 1, 10)
        log.add("end", at_ns=20)
    assert read_truth(path) == log.entries
    whole = path.read_bytes()
    for size in range(len(whole)):
        path.write_bytes(whole[:size])
        assert read_truth(path) == log.entries[: whole[:size].count(b"\n")]


def test_memory_stays_empty_on_request(tmp_path: Path) -> None:
    with TruthLog(tmp_path / "truth.jsonl", keep=False) as log:
        log.add("end", at_ns=1)
    assert log.entries == []
    assert len(read_truth(tmp_path / "truth.jsonl")) == 1


def test_everything_waits_for_the_header(tmp_path: Path) -> None:
    log = TruthLog(tmp_path / "truth.jsonl", header_first=True)
    log.add("fault", number=1)
    log.add("fault", number=2)
    assert log.entries == []
    log.add("header")
    log.add("fault", number=3)
    log.close()
    kinds = [(entry["kind"], entry.get("number")) for entry in read_truth(tmp_path / "truth.jsonl")]
    assert kinds == [("header", None), ("fault", 1), ("fault", 2), ("fault", 3)]
    assert len(log.entries) == 4


def test_without_a_header_nothing_is_lost() -> None:
    log = TruthLog(header_first=True)
    log.add("end", at_ns=1)
    log.close()
    assert log.entries == [{"kind": "end", "at_ns": 1}]
