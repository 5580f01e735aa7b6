"""A firmware team's suite on the simulated site, in a pytest of its own: what passes, what fails, and what is left.

The simulated site's defects are the truth; JUnit XML is read back by somebody else's reader, and every record is judged
again by the command.
"""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from junitparser import Error, Failure, JUnitXml, Properties, Skipped, TestCase

from harness.core.verdicts import Verdict
from harness.record.reader import RecordReader
from harness.results.judging import judge_record
from harness.results.open_stimuli import open_stimuli
from sims import SiteProcess
from tests.peers.command import DEADLINE_S, active, clear_all, demo_files, environment, farend, ports_of

LATE, NEVER, SWAPPED = "bulk-a.temperature-high", "bulk-b.interstitial-leak", "bulk-a.water"
DEFECTS = (f"late:{LATE}@bms=1100ms", f"never-appears:{NEVER}@bms", f"swapped-pair:{SWAPPED}@bms=day.low")
EXCLUDED = "bulk-a.high-high"

INI = """
    [pytest]
    asyncio_mode = auto
    asyncio_default_fixture_loop_scope = function
    filterwarnings = error
    addopts = -p no:cacheprovider -p no:hypothesispytest -p no:xdist -p no:timeout --strict-markers
    farend_site = site/site.yaml
    farend_reviews = site/reviews.yaml
    farend_links = bms
"""

SUITE = f"""
    import os, signal
    import pytest
    from harness.plugin import LiveSite

    async def test_steps(site: LiveSite):
        await site.raise_alarm("bulk-a.high")
        shown = await site.expect("bms:10002", within="1 s")
        assert shown.latency.hi <= 1_000_000_000
        await site.acknowledge("bulk-a.high")
        await site.expect_gone("bms:00001", within="1 s")
        await site.clear("bulk-a.high")
        await site.expect_all("bulk-a.high")

    @pytest.mark.farend(only=["{LATE}", "{NEVER}", "{SWAPPED}", "{EXCLUDED}"])
    async def test_every_alarm(site, alarm):
        await site.check(alarm)

    @pytest.mark.farend(only="{EXCLUDED}", allow="not-run")
    async def test_allowed(site, alarm):
        await site.check(alarm)

    @pytest.mark.farend(allow="not-run")
    async def test_one_more(site):
        await site.check("bulk-a.low", points="bms:10003")
        await site.check("{EXCLUDED}")

    async def test_one_more_that_is_not_allowed(site):
        await site.check("bulk-a.low", points="bms:10003")
        await site.raise_alarm("{EXCLUDED}")

    async def test_expected(site):
        await site.raise_alarm("{LATE}", points="bms:10006")
        await site.expect("bms:10006", within="200 ms")

    async def test_firmware(site):
        await site.raise_alarm("bulk-a.high")
        assert site.model.firmware == "1.5.0", "another firmware"

    async def test_forgotten(site):
        site.check("{LATE}")

    def test_without(): ...
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ran:
    """One run of the suite. ``active``: the numbers of what was still active at the panel when it had ended."""

    folder: Path
    code: int
    out: str
    cases: dict[str, TestCase]
    active: list[int]

    def properties(self, name: str) -> dict[str, str]:
        children = self.cases[name].iterchildren(Properties)  # type: ignore[no-untyped-call]  # it has no types
        return {it.name: it.value for found in children for it in found}

    def record(self, name: str) -> Path:
        return Path(self.properties(name)["farend_record"])


def suite_in(folder: Path, site: SiteProcess, suite: str = SUITE) -> None:
    """The suite, and the demo's site file with reviews that exclude what closes fill valve A."""
    reviews = demo_files(folder / "site", ports_of(site)).with_name("reviews.yaml")
    decided = r"(closes-fill-valve-a.*\n    decision: )accepted"
    text, found = re.subn(decided, r"\1excluded", reviews.read_text(encoding="utf-8"))
    assert found == 1
    reviews.write_text(text, encoding="utf-8")
    (folder / "pytest.ini").write_text(textwrap.dedent(INI), encoding="utf-8")
    (folder / "test_alarms.py").write_text(textwrap.dedent(suite), encoding="utf-8")


def run(folder: Path, site: SiteProcess | None, *arguments: str) -> Ran:
    words = [sys.executable, "-m", "pytest", "--junitxml=junit.xml", *arguments]
    done = subprocess.run(  # noqa: S603 - this interpreter
        words, cwd=folder, env=environment(COLUMNS="100"), capture_output=True, encoding="utf-8", timeout=DEADLINE_S,
        check=False,
    )  # fmt: skip
    cases = {}
    if (folder / "junit.xml").exists():
        cases = {case.name: case for suite in JUnitXml.fromfile(str(folder / "junit.xml")) for case in suite}
    return Ran(
        folder=folder,
        code=done.returncode,
        out=done.stdout + done.stderr,
        cases=cases,
        active=active(site) if site is not None else [],
    )


@pytest.fixture(scope="module")
def site() -> Iterator[SiteProcess]:
    arguments = [word for defect in DEFECTS for word in ("--defect", defect)]
    with SiteProcess(arguments) as process:
        yield process


@pytest.fixture(scope="module")
def ran(site: SiteProcess, tmp_path_factory: pytest.TempPathFactory) -> Ran:
    folder = tmp_path_factory.mktemp("suite")
    suite_in(folder, site)
    return run(folder, site, "--farend-arm", "hollowmere")


def test_what_passes_and_what_fails(ran: Ran) -> None:
    failed = {name for name, case in ran.cases.items() if any(isinstance(it, Failure) for it in case.result)}
    of_the_suite = {"test_firmware", "test_forgotten", "test_one_more_that_is_not_allowed", "test_expected"}
    assert failed == {f"test_every_alarm[{it}]" for it in (LATE, NEVER, SWAPPED)} | of_the_suite, ran.out
    assert not any(isinstance(it, Error) for case in ran.cases.values() for it in case.result), ran.out
    assert len(ran.cases) == 12
    assert ran.code == pytest.ExitCode.TESTS_FAILED


def test_nothing_is_left_raised_whatever_a_test_did(ran: Ran) -> None:
    assert ran.active == []
    for path in (ran.folder / "farend-records").glob("*.farend"):
        with RecordReader.open(path) as reader:
            assert open_stimuli(reader.events()) == ()
            (left,) = reader.events("as-left")
            assert (left.data["differs"], left.data["not_cleared"], left.data["changed"]) == ([], [], [])


@pytest.mark.parametrize(
    ("alarm", "point", "verdict"),
    [(LATE, "bms:10006", "late"), (NEVER, "bms:10018", "missed"), (SWAPPED, "bms:10005", "crossed")],
)
def test_the_message_has_the_matrix_the_bounds_and_the_cause(ran: Ran, alarm: str, point: str, verdict: str) -> None:
    (failure,) = ran.cases[f"test_every_alarm[{alarm}]"].result
    assert f"FAIL {verdict}: {alarm} at {point}" in failure.message
    told = " ".join(failure.text.split())
    assert f"✗ {verdict}" in told
    assert "alarm discrete input coil" in told, "the head of the matrix"
    assert "✓ on-time" in told
    assert "cause: " in told
    assert f"record: {ran.record(f'test_every_alarm[{alarm}]')}" in told
    block = failure.text.partition("- farend -")[2].splitlines()[1:]
    assert block
    assert max(len(line) for line in block if not line.startswith("record: ")) <= 100, "the columns of this log"


def test_latencies_are_told_in_bounds(ran: Ran) -> None:
    (failure,) = ran.cases[f"test_every_alarm[{LATE}]"].result
    assert re.search(r"latency 1\.\d+ to 1\.\d+ s \(limit 1 s\)", failure.text)
    bounds = ran.properties(f"test_every_alarm[{LATE}]")[f"farend_latency_ns[{LATE}@bms:10006]"]
    low, high = map(int, bounds.split(".."))
    assert 1_000_000_000 < low < high < 1_600_000_000


def test_every_case_says_what_it_tested_and_where_its_record_is(ran: Ran) -> None:
    told = ran.properties("test_steps")
    assert (told["farend_site"], told["farend_firmware"], told["farend_seed"]) == ("hollowmere", "1.4.2", "0")
    assert told["farend_verdict[bulk-a.high@bms:10002]"] == "on-time"
    assert Path(told["farend_record"]).parent == ran.folder / "farend-records"
    assert "test_alarms-test_steps" in told["farend_record"]
    assert not any(name.startswith("farend") for name in ran.properties("test_without"))


def test_every_record_judged_again_says_the_same(ran: Ran) -> None:
    """Row by row; and the record is the one whose digest stands beside its name."""
    judged_rows = 0
    for name in ran.cases.keys() - {"test_without"}:
        told = ran.properties(name)
        judged = judge_record(Path(told["farend_record"]))
        judged.reader.close()
        assert judged.sha256 == told["farend_record_sha256"]
        by_record = {(it.stimulus, it.expectation): it.verdict for it in judged.judgement.results}
        by_suite = {
            (told[f"farend_stimulus{key}"], key.strip("[]")): verdict
            for full, verdict in told.items()
            if (key := full.removeprefix("farend_verdict")) != full and f"farend_stimulus{key}" in told
        }
        assert by_suite == by_record, name
        judged_rows += len(by_record)
    assert judged_rows >= 20


def test_the_command_judges_the_record_of_a_test(ran: Ran) -> None:
    told = ran.properties(f"test_every_alarm[{LATE}]")
    done = farend("judge", told["farend_record"], "--json", cwd=ran.folder)
    (attempt,) = json.loads(done.out)["attempts"]
    judged = {it["expectation"]: it["verdict"] for it in attempt["results"]}
    assert judged == {
        name.removeprefix("farend_verdict[")[:-1]: it for name, it in told.items() if name.startswith("farend_verdict[")
    }
    assert done.code == 1


@pytest.mark.parametrize("name", ["test_every_alarm", "test_allowed"])
def test_an_alarm_that_the_reviews_exclude_is_skipped_and_no_allow_makes_it_a_pass(ran: Ran, name: str) -> None:
    (skipped,) = ran.cases[f"{name}[{EXCLUDED}]"].result
    assert isinstance(skipped, Skipped)
    assert skipped.message == f"{EXCLUDED}: not raised: the reviews exclude it: side effect closes-fill-valve-a"
    told = ran.properties(f"{name}[{EXCLUDED}]")
    assert {it for key, it in told.items() if key.startswith("farend_verdict[")} == {Verdict.NOT_RUN.value}


def test_beside_what_was_raised_an_unknown_fails_unless_it_is_allowed_by_name_and_told(ran: Ran) -> None:
    (failure,) = ran.cases["test_one_more_that_is_not_allowed"].result
    assert "the reviews exclude it" in " ".join(failure.message.split())
    assert ran.cases["test_one_more"].is_passed
    told, verdicts = ran.properties("test_one_more"), f"farend_verdict[{EXCLUDED}@"
    allowed = {key.removeprefix("farend_allowed"): it for key, it in told.items() if key.startswith("farend_allowed[")}
    assert set(allowed.values()) == {Verdict.NOT_RUN.value}
    assert allowed.keys() == {key.removeprefix("farend_verdict") for key in told if key.startswith(verdicts)}
    lines = ran.out.splitlines()
    at = lines.index(f"farend: 1 test passed with {len(allowed)} unknown rows allowed:")
    assert lines[at + 1].startswith(f"  test_alarms.py::test_one_more: {EXCLUDED}@bms:10001 not-run, ")


def test_what_was_given_up_is_told_as_late_once_it_is_known_to_be(ran: Ran) -> None:
    """By the limit of the test; nobody knows at 0.2 s whether it comes at 1.1 s or never."""
    (failure,) = ran.cases["test_expected"].result
    message = " ".join(failure.message.split())
    assert f"FAIL late: {LATE} at bms:10006: it appeared after 1." in message
    assert "the limit is 200 ms" in message
    assert "not shown" not in failure.text
    assert "missed" not in failure.text


def test_a_failing_assertion_of_the_suite_puts_back_at_once_and_stays_its_own(ran: Ran) -> None:
    (failure,) = ran.cases["test_firmware"].result
    assert "another firmware" in failure.message
    assert "what was raised has been put back" in failure.text
    with RecordReader.open(ran.record("test_firmware")) as reader:
        assert [event.kind for event in reader.events() if event.kind in ("stopped", "as-left")] == [
            "stopped",
            "as-left",
        ]


def test_a_call_that_nobody_awaited_is_no_pass(ran: Ran) -> None:
    """It would have failed, had it been done."""
    (failure,) = ran.cases["test_forgotten"].result
    assert "check(...) was called and not awaited" in failure.message


def test_a_build_that_is_stopped_or_killed(site: SiteProcess, tmp_path: Path) -> None:
    """SIGTERM puts back. Nothing can after SIGKILL: the next run refuses, and says what is to be done."""
    suite = """
        import os, time

        async def test_before(site):
            await site.raise_alarm("bulk-b.high", points="bms:10008")

        async def test_stopped(site):
            await site.raise_alarm("bulk-b.high", points="bms:10008")
            await site.expect("bms:10008")
            os.kill(os.getpid(), int(os.environ["STOP_WITH"]))
            time.sleep(60)  # in the way of every event loop

        async def test_after(site):
            await site.raise_alarm("bulk-b.high", points="bms:10008")
    """
    suite_in(tmp_path, site, suite)

    def stopped(number: signal.Signals, *arguments: str) -> Ran:
        with pytest.MonkeyPatch.context() as patch:
            patch.setenv("STOP_WITH", str(int(number)))
            return run(tmp_path, site, "--farend-arm", "hollowmere", *arguments)

    terminated = stopped(signal.SIGTERM, "-k", "before or stopped", "--farend-scope", "session")
    assert (terminated.code, terminated.active) == (pytest.ExitCode.INTERRUPTED, []), terminated.out
    assert "1 passed" in terminated.out
    assert terminated.cases.keys() == {"test_before", "test_stopped"}, "none without a name"
    (interrupted,) = terminated.cases["test_stopped"].result
    assert isinstance(interrupted, Failure)
    record = terminated.record("test_before")
    assert interrupted.text == f"interrupted\nfarend: what was raised has been put back\nrecord: {record}"
    (shared,) = (tmp_path / "farend-records").glob("*.farend")
    judged = judge_record(shared)
    assert [str(event.data["name"]).partition("::")[2] for event in judged.reader.events("case")] == [
        "test_before", "test_stopped",
    ]  # fmt: skip
    assert [(it.id, it.stopped) for it in judged.evidence.stimuli] == [("0001", False), ("0002", True)]
    assert (judged.judgement.results[0].verdict, judged.is_changed) == (Verdict.ON_TIME, False)
    judged.reader.close()
    killed = stopped(signal.SIGKILL, "-k", "stopped")
    assert (killed.code, killed.active) == (-signal.SIGKILL, [7])
    refused = run(tmp_path, site, "--farend-arm", "hollowmere", "-k", "after")
    assert (refused.code, refused.active) == (pytest.ExitCode.TESTS_FAILED, [7])
    assert "bulk-b.high: may still be raised" in refused.out
    assert "--farend-clear-left-open" in refused.out
    clear_all(site)


def test_what_a_test_left_on_and_a_device_that_is_dead_are_told_to_the_tests_after_it(tmp_path: Path) -> None:
    suite = """
        import pytest

        @pytest.mark.parametrize("number", range(3))
        async def test_water(site, number):
            await site.check("bulk-b.water", points="bms:10011")
    """
    with SiteProcess(["--defect", "stuck:bulk-b.water@bms"]) as site:
        suite_in(tmp_path, site, suite)
        stuck = run(tmp_path, site, "--farend-arm", "hollowmere")
    first = "test_alarms.py::test_water[0]"
    texts = {name: " ".join(it.text.split()) for name, case in stuck.cases.items() for it in case.result}
    assert "FAIL stuck: bulk-b.water at bms:10011" in texts["test_water[0]"]
    assert texts["test_water[1]"].startswith(
        f"farend: {first} found bms:10011 off and left that on: see why there first, and put it right by hand nothing "
        "is raised: point=bms:10011: it is on, and nothing was raised; bulk-b.water can be the cause; "
    )
    assert texts["test_water[2]"] == f"farend: refused as before: see {first.replace('0', '1')}"
    dead = run(tmp_path, None, "--farend-arm", "hollowmere", "--farend-allow", "not-run")
    texts = {name: " ".join(it.text.split()) for name, case in dead.cases.items() for it in case.result}
    assert len(texts) == 3, "no allow makes it a pass"
    assert "UNKNOWN: nothing was raised in this test (bulk-b.water: not raised, since none" in texts["test_water[0]"]
    assert texts["test_water[1]"].startswith(f"farend: nothing is raised: no link came up in {first}, and none can ")
    assert "Connection refused" in texts["test_water[1]"]
    assert texts["test_water[2]"] == f"farend: refused as before: see {first.replace('0', '1')}"
