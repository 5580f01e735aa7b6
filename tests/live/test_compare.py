"""Firmware before and after, as a person compares it: the simulated site, healthy twice, once with two regressions."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any, NamedTuple

import junitparser
import pytest

from harness.cli.compare import command
from harness.core.errors import UsageError
from tests.peers.command import farend
from tests.peers.compared_runs import run_repeated

REGRESSIONS = ("late:bulk-a.high@bms=200ms", "never-appears:bulk-a.water@bms")


class Runs(NamedTuple):
    """A folder with the site's files and records: before, after, worse, slow and few, each with suffix .farend."""

    folder: Path

    @property
    def site(self) -> Path:
        return self.folder / "before" / "site.yaml"


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Runs:
    folder = tmp_path_factory.mktemp("compared")
    run_repeated(folder / "before.farend", seed=1)
    run_repeated(folder / "after.farend", seed=2)
    run_repeated(folder / "worse.farend", seed=3, defects=REGRESSIONS)
    run_repeated(folder / "slow.farend", seed=4, poll_ms=250)
    run_repeated(folder / "few.farend", seed=5, repeat=2, defects=REGRESSIONS[:1])
    return Runs(folder)


def unfolded(text: str) -> str:
    """Lines as one, so that it does not matter where they were folded."""
    return " ".join(text.split())


def rows(text: str) -> dict[str, dict[str, Any]]:
    return {row["expectation"]: row for row in json.loads(text)["rows"]}


def test_identical_firmware_does_not_regress(runs: Runs) -> None:
    done = farend("compare", "before.farend", "after.farend", cwd=runs.folder)
    assert done.code == 0, done.out
    assert done.out.rstrip().splitlines()[-1].startswith("no regression in ")
    assert "both runs state the same firmware: 1.4.2" in done.out
    assert "FAIL" not in done.out


def test_a_slow_down_and_a_dead_output_are_named(runs: Runs) -> None:
    files = ("--junit", "out.xml", "--html", "out.html")
    done = farend("compare", "before.farend", "worse.farend", "--json", *files, cwd=runs.folder)
    assert done.code == 1
    found = rows(done.out)
    regressed = {key for key, row in found.items() if row["outcome"] == "regressed"}
    assert regressed == {"bulk-a.high@bms:10002", "bulk-a.water@bms:10005"}
    late = {it["kind"]: it for it in found["bulk-a.high@bms:10002"]["compared"]}["latency"]
    assert late["finding"] == "worse"
    low, high = late["difference_ns"]
    assert low <= 200_000_000
    assert high >= 200_000_000
    assert found["bulk-a.water@bms:10005"]["after"]["verdicts"] == {"missed": 6}
    suites = junitparser.JUnitXml.fromfile(str(runs.folder / "out.xml"))
    failed = [case for suite in suites for case in suite if case.result]
    assert {f"{case.classname}@{case.name}" for case in failed} == regressed
    text = farend("compare", "before.farend", "worse.farend", cwd=runs.folder).out
    assert "FAIL regressed: bulk-a.high at bms:10002: comes later" in unfolded(text)
    assert "FAIL regressed: bulk-a.water at bms:10005: 6 missed; before: all 6 passed" in unfolded(text)
    assert text.rstrip().splitlines()[-1].endswith(": 2 regressed")
    page = (runs.folder / "out.html").read_text(encoding="utf-8")
    assert page.count("<strong>regressed</strong>") == 2
    assert "comes later, by " in page


def test_the_other_way_round_it_is_mended(runs: Runs) -> None:
    done = farend("compare", "worse.farend", "before.farend", "--backwards", cwd=runs.folder)
    assert done.code == 0, done.out
    assert "changed: bulk-a.high at bms:10002: comes sooner" in unfolded(done.out)
    assert "changed: bulk-a.water at bms:10005: all 6 passed; before: 6 missed" in unfolded(done.out)
    swapped = farend("compare", "worse.farend", "before.farend", cwd=runs.folder)
    assert swapped.code == 2
    assert "name the older one first: farend compare before.farend worse.farend; or say that it is" in swapped.err


def test_six_against_two_are_not_compared_and_no_regression_is_told(runs: Runs) -> None:
    """The firmware is slower, and nobody can tell from so few trials."""
    done = farend("compare", "before.farend", "few.farend", "--junit", "few.xml", cwd=runs.folder)
    assert done.code == 3, done.out
    assert "no regression" not in done.out
    last = unfolded(done.out.split("\n\n")[-1])
    assert re.match(r"NOT COMPARED: (\d+) of \1 expectations: too few trials \(it takes \d of each alarm in each", last)
    assert junitparser.JUnitXml.fromfile(str(runs.folder / "few.xml")).errors == int(last.split()[2])
    verdicts = farend("compare", "before.farend", "few.farend", "--verdicts", cwd=runs.folder)
    assert verdicts.code == 0
    assert unfolded(verdicts.out).endswith("; times and misses are not compared (--verdicts)")
    allowed = farend("compare", "before.farend", "few.farend", "--allow-unknown", "*", cwd=runs.folder)
    assert allowed.code == 0


def test_polled_at_two_rates(runs: Runs) -> None:
    """Whichever is named first: the faster one is held against the slower, by what no bracket can deny."""
    for order in (("slow.farend", "before.farend"), ("before.farend", "slow.farend")):
        done = farend("compare", *order, "--two-rates", cwd=runs.folder)
        assert done.code == 0, done.out
        assert "slower polls: slow.farend" in done.out
        told = unfolded(done.out)
        assert "polling faster slows the device" in told, "or no sign that it does: this machine may be busy"
        assert "rows come later" not in told
        assert "rank-sum test at the ends of the brackets" in unfolded(done.out)
    refused = farend("compare", "before.farend", "after.farend", "--two-rates", cwd=runs.folder)
    assert refused.code == 2
    assert refused.err.startswith("--two-rates: every polled link was polled at the same rate")


def test_a_baseline_from_keeping_to_removing(runs: Runs) -> None:
    def baseline(*words: object) -> Any:
        return farend("baseline", runs.site, *words, cwd=runs.folder)

    kept = baseline("keep", "1.4.2", "before.farend", "--note", "as accepted", "--by", "Kim")
    assert kept.code == 0, kept.err
    assert kept.out.startswith("1.4.2: 1 record of hollowmere, firmware 1.4.2, kept ")
    again = baseline("keep", "1.4.2", "after.farend")
    assert again.code == 2
    assert "it is kept already" in again.err
    done = farend("compare", "1.4.2", "after.farend", "--site", runs.site, cwd=runs.folder)
    assert done.code == 0, done.err
    assert "1.4.2, before.farend, firmware 1.4.2" in unfolded(done.out)
    assert "2 alarms raised, 12 times in all; as accepted" in unfolded(done.out)
    assert json.loads(baseline("list", "--json").out)["baselines"][0]["name"] == "1.4.2"
    assert "SHA-256" in baseline("show", "1.4.2").out
    unknown = farend("compare", "1.4.3", "after.farend", "--site", runs.site, cwd=runs.folder)
    assert unknown.code == 2
    assert "did you mean 1.4.2?" in unknown.err
    record = runs.site.parent / "baselines" / "1.4.2" / "before.farend"
    record.write_bytes(record.read_bytes() + b"\0")
    for refused in (
        farend("compare", "1.4.2", "after.farend", "--site", runs.site, cwd=runs.folder),
        baseline("show", "1.4.2"),
    ):
        assert refused.code == 2
        assert (
            "as it was when baseline 1.4.2 was kept; put the kept file back, or keep the baseline anew" in refused.err
        )
    assert baseline("remove", "1.4.2").code == 0
    assert "no baseline is kept" in baseline("list").out


def test_what_cannot_be_compared_is_said(runs: Runs) -> None:
    for words, told in (
        (("none.farend", "after.farend"), "BEFORE none.farend: no such record, and no baseline in baselines"),
        (("before.farend", "before.farend"), "it is the same record as"),
        (("before.farend", "after.farend", "--renames", "none.yaml"), "--renames none.yaml: cannot be read"),
        (("before.farend", "after.farend", "--worth", "soon"), "--worth soon: "),
        (("before.farend", "after.farend", "--level", "2"), "neither included, such as 5%"),
        (("before.farend", "after.farend", "--only", "x"), "--only x: no expectation of BEFORE or AFTER fits it"),
        (("before.farend", "after.farend", "--two-rates", "--verdicts"), "--two-rates and --verdicts: "),
        (("before.farend", "after.farend", "--two-rates", "--renames", "x"), "--two-rates and --renames: "),
    ):
        with pytest.raises(UsageError) as caught:
            command.main(
                [str(runs.folder / it) if it.endswith(".farend") else it for it in words], standalone_mode=False
            )
        assert told in str(caught.value).replace(f"{runs.folder}/", "")
