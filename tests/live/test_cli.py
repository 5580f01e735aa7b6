"""The commands as a person types them: processes of their own, a simulated site on real sockets, files, exit codes."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import junitparser
import pytest

from harness.record.reader import RecordReader
from sims import SiteProcess
from tests.peers.command import (
    DEADLINE_S,
    ROOT,
    Done,
    Running,
    active,
    clear_all,
    demo_files,
    environment,
    farend,
    panel,
    ports_of,
)
from tests.peers.raised_runs import ARMED, raised, wait_for_step

SWAPPED: Final = "swapped-pair:bulk-a.water@bms=bulk-a.temperature-high"
needs_posix = pytest.mark.skipif(sys.platform == "win32", reason="Windows sends no such signals to another process")


@pytest.fixture(scope="module")
def site() -> Iterator[SiteProcess]:
    """One healthy site for the whole module; every test leaves it as it found it."""
    with SiteProcess() as one:
        yield one


@pytest.fixture(scope="module")
def faulty() -> Iterator[SiteProcess]:
    with SiteProcess(["--defect", SWAPPED]) as one:
        yield one


@pytest.fixture
def folder(tmp_path: Path, site: SiteProcess) -> Path:
    """A folder with the demo's files, on the ports of the healthy site."""
    demo_files(tmp_path, ports_of(site))
    return tmp_path


@pytest.fixture(scope="module")
def crossed(faulty: SiteProcess, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Done]:
    """A folder with run.farend: two alarms of which the points are swapped, and one that is right."""
    where = tmp_path_factory.mktemp("crossed")
    demo_files(where, ports_of(faulty))
    only = ("--only", "bulk-a.water", "--only", "bulk-a.temperature-high", "--only", "bulk-a.low")
    done = farend("test", "site.yaml", *ARMED, *only, "--link", "bms", "--record", "run.farend", "--json", cwd=where)
    return where, done


def verdicts(text: str) -> dict[str, str]:
    """What stands for each row that was tested, from JSON."""
    rows: list[dict[str, Any]] = json.loads(text)["rows"]
    return {row["expectation"]: row["verdict"] for row in rows if row["verdict"] is not None}


# --- check, plan, completion ----------------------------------------------------------------------


def test_the_command_is_installed() -> None:
    script = Path(sys.executable).with_name("farend")
    if not script.exists():
        script = script.with_suffix(".exe")
    done = subprocess.run([script, "--version"], capture_output=True, text=True, check=True)  # noqa: S603
    assert done.stdout.startswith("farend, version ")


def test_check_of_the_demo(tmp_path: Path) -> None:
    done = farend("check", "demo", cwd=tmp_path)
    assert done.code == 0
    assert done.out.endswith("can be used; 0 warnings\n")
    assert json.loads(farend("check", "demo", "--json", cwd=tmp_path).out)["usable"] is True


def test_check_of_a_broken_file_says_where(folder: Path) -> None:
    path = folder / "site.yaml"
    lines = path.read_text(encoding="utf-8").splitlines()
    at = next(number for number, line in enumerate(lines, 1) if "also raises: bulk-a.high" in line)
    lines[at - 1] = "    also raises: bulk-a.hihg"
    path.write_text("\n".join(lines), encoding="utf-8")
    done = farend("check", "site.yaml", cwd=folder)
    assert done.code == 2
    assert f"site.yaml:{at}: also raises=bulk-a.hihg" in done.err
    assert "bulk-a.high" in done.err.split(f"site.yaml:{at}:")[1]
    told = json.loads(farend("check", "site.yaml", "--json", cwd=folder).out)
    assert told["usable"] is False
    assert (told["problems"][0]["file"], told["problems"][0]["line"]) == ("site.yaml", at)
    for command in ("plan", "test"):
        again = farend(command, "site.yaml", cwd=folder)
        assert again.code == 2
        assert f"site.yaml:{at}: " in again.err


GUARDED = """
import sys

def hook(event, args):
    if event.startswith("socket.") and event.split(".")[1] in ("connect", "bind", "sendto", "getaddrinfo"):
        raise SystemExit(f"opened: {event} {args}")
    if event in ("subprocess.Popen", "os.exec", "os.posix_spawn"):
        raise SystemExit(f"started: {args}")

sys.addaudithook(hook)
sys.argv = ["farend", *sys.argv[1:]]
from harness.cli import main
main()
"""


def guarded(*arguments: str, cwd: Path) -> Done:
    """A command in a process that ends at the first connection, listening socket, look-up of a name or process."""
    words = [sys.executable, "-W", "error", "-c", GUARDED, *arguments]
    done = subprocess.run(  # noqa: S603
        words, cwd=cwd, env=environment(), capture_output=True, encoding="utf-8", timeout=DEADLINE_S, check=False
    )
    return Done(done.returncode, done.stdout, done.stderr)


def test_plan_opens_nothing(folder: Path) -> None:
    done = guarded("plan", "site.yaml", cwd=folder)
    assert (done.code, done.err) == (0, "")
    assert "28 alarms would be raised" in done.out
    assert "stops transfer pump A" in done.out
    done = guarded("plan", "site.yaml", "--only", "bulk-a.*", "--json", cwd=folder)
    raised = [it["alarm"] for it in json.loads(done.out)["raised"]]
    assert len(set(raised)) == 9
    assert [name for name in raised if raised.count(name) > 1] == ["bulk-a.interstitial-leak"] * 2
    for arguments in (("check", "site.yaml"), ("--help",), ("test", "site.yaml"), ("plan", "site.yaml", "--only", "x")):
        done = guarded(*arguments, cwd=folder)
        assert "opened" not in done.err
        assert "started" not in done.err


def test_the_guard_of_plan_bites(folder: Path) -> None:
    assert "opened: socket.connect" in guarded("watch", "site.yaml", "--for", "5 s", cwd=folder).err


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion(shell: str, tmp_path: Path) -> None:
    done = farend("completion", shell, cwd=tmp_path)
    assert done.code == 0
    assert "_FAREND_COMPLETE" in done.out


def test_completion_knows_commands_and_options(tmp_path: Path) -> None:
    def complete(words: str, position: int) -> str:
        # The name that the program was called by is what the completion script looks for.
        code = "import sys; sys.argv = ['farend']; from harness.cli import cli; cli(prog_name='farend')"
        env = environment(_FAREND_COMPLETE="bash_complete", COMP_WORDS=words, COMP_CWORD=str(position))
        done = subprocess.run([sys.executable, "-c", code], env=env, cwd=tmp_path, capture_output=True, text=True)  # noqa: S603, PLW1510
        return done.stdout

    assert "plain,watch" in complete("farend wa", 1)
    assert "plain,--save-draft" in complete("farend watch --sa", 2)


def test_a_mistyped_command(tmp_path: Path) -> None:
    done = farend("wacth", cwd=tmp_path)
    assert done.code == 2
    assert "did you mean 'watch'?" in done.err


# --- what the gate refuses ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((), "not armed, so nothing is raised; add '--arm hollowmere'"),
        (("--reviews", "reviews.yaml"), "not armed, so nothing is raised"),
        (("--reviews", "reviews.yaml", "--arm", "hollow-mere"), "--arm hollow-mere: this site file is site=hollowmere"),
        (("--arm", "hollowmere"), "side effect=closes-fill-valve-a (closes fill valve A) of bulk-a.high-high: not"),
    ],
)
def test_refusals_write_no_record_and_raise_nothing(
    arguments: tuple[str, ...], message: str, folder: Path, site: SiteProcess
) -> None:
    before = sorted(folder.iterdir())
    with panel(site) as client:
        accepted = client.read_holding_registers(904, count=1, device_id=1).registers
    done = farend("test", "site.yaml", *arguments, "--only", "bulk-a.high-high", "--only", "bulk-a.high", cwd=folder)
    assert (done.code, done.out) == (4, "")
    assert message in done.err
    assert sorted(folder.iterdir()) == before
    with panel(site) as client:
        assert client.read_holding_registers(904, count=1, device_id=1).registers == accepted


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--only", "bulk-a.watre"), "--only bulk-a.watre: fits no alarm of the site"),
        (("--link", "bsm"), "--link bsm: no such link; links are panel, bms, printer"),
        (("--failed", "none.farend"), "none.farend: "),
        (("--reviews", "none.yaml"), "none.yaml: cannot be read"),
        (("--html", "none/report.html"), "--html none/report.html: its folder does not exist"),
        (("--record", "none/run.farend"), "none/run.farend: cannot be made"),
        (("--record", "site.yaml"), "site.yaml: exists already; a record is never written over"),
        (("--repeat", "0"), "--repeat"),
    ],
)
def test_what_cannot_be_done_is_bad_usage(arguments: tuple[str, ...], message: str, folder: Path) -> None:
    before = sorted(folder.iterdir())
    done = farend("test", "site.yaml", *ARMED, "--only", "bulk-a.water", *arguments, cwd=folder)
    assert done.code == 2
    assert message in done.err
    assert sorted(folder.iterdir()) == before


# --- tests on a healthy site and on faulty ones ---------------------------------------------------


def test_a_healthy_site_passes(folder: Path, site: SiteProcess) -> None:
    only = ("--only", "bulk-a.high-high", "--only", "fill-sump.splash")
    done = farend("test", "site.yaml", *ARMED, *only, "--json", "--html", "report.html", cwd=folder)
    assert done.code == 0, done.err
    told = verdicts(done.out)
    assert len(told) == 11
    assert set(told.values()) == {"on-time"}
    attempt = json.loads(done.out)["attempts"][0]
    assert (attempt["who"], attempt["exit_code"], attempt["interrupted"]) == ("Kim", 0, False)
    assert attempt["as_left"] == []
    (record,) = folder.glob("hollowmere-*.farend")
    assert farend("judge", record.name, "--json", cwd=folder).out == done.out
    assert "Kim" in (folder / "report.html").read_text(encoding="utf-8")
    assert active(site) == []
    history = farend("history", record.name, "--link", "printer", "--json", cwd=folder)
    assert history.code == 0, history.out
    found = {(it["alarm"], it["comes_along"]): it["found"] for it in json.loads(history.out)["simulated"]}
    every = [("bulk-a.high-high", False), ("bulk-a.high", True), ("fill-sump.splash", False)]
    assert found == dict.fromkeys(every, "matched")


def test_crossed_wires_are_named(crossed: tuple[Path, Done]) -> None:
    _, done = crossed
    assert done.code == 1, done.err
    told = verdicts(done.out)
    assert told["bulk-a.water@bms:10005"] == "crossed"
    assert told["bulk-a.temperature-high@bms:10006"] == "crossed"
    assert {told[key] for key in told if key.startswith("bulk-a.low@")} == {"on-time"}
    assert "swapped" in done.out
    assert re.search(r"\u2717 bms:10005 +crossed", done.err), done.err


def test_a_link_that_is_down_is_unknown(tmp_path: Path, site: SiteProcess) -> None:
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))  # taken, and not listened on: every connection is refused
        demo_files(tmp_path, ports_of(site) | {"bms": nobody.getsockname()[1]})
        arguments = (*ARMED, "--only", "bulk-a.water", "--link", "bms", "--record", "run.farend", "--json")
        done = farend("test", "site.yaml", *arguments, cwd=tmp_path)
    assert done.code == 3, done.err
    told = verdicts(done.out)
    assert len(told) == 4
    assert set(told.values()) == {"not-run"}, "an alarm that nobody would see is not raised"
    assert "link bms is not up: its outputs will not be observed" in done.err
    assert "bulk-a.water: not raised, since none of its outputs can be observed now" in done.err
    judged = farend("judge", "run.farend", cwd=tmp_path)
    assert judged.code == 3
    explained = farend("explain", "run.farend", cwd=tmp_path)
    assert "nothing was judged: 4 rows planned and not reached" in explained.out
    for text in (done.err, judged.out, explained.out):
        assert re.search(r"bms.*: 127\.0\.0\.1:\d+: no connection: Connection refused;", " ".join(text.split())), text
    assert re.search(r"! link bms is awaited: 127\.0\.0\.1:\d+: no connection: Connection refused;", done.err)
    assert active(site) == []


def test_a_panel_that_is_down_raises_nothing(tmp_path: Path, site: SiteProcess) -> None:
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))
        demo_files(tmp_path, ports_of(site) | {"panel": nobody.getsockname()[1]})
        arguments = (*ARMED, "--only", "bulk-a.water", "--link", "bms", "--json")
        done = farend("test", "site.yaml", *arguments, cwd=tmp_path)
    assert done.code == 3, done.err
    assert set(verdicts(done.out).values()) == {"not-run"}
    assert "the raise is not proven" in done.err


# --- stopped in the middle ------------------------------------------------------------------------


@needs_posix
@pytest.mark.parametrize("numbers", [[signal.SIGINT], [signal.SIGTERM], [signal.SIGINT] * 5], ids=str)
def test_a_stopped_test_puts_back_what_it_raised(
    numbers: list[signal.Signals], tmp_path: Path, site: SiteProcess
) -> None:
    with raised(tmp_path, site) as running:
        for number in numbers:
            running.signal(number)
        done = running.done()
    assert active(site) == [], "whoever stops a test must not leave an alarm on"
    assert done.code == 3, (done.code, done.err)
    told = verdicts(done.out)
    assert told["bulk-a.high-high@bms:10001"] == "unresolved", "it was cleared before it had been visible for 50 s"
    assert {told[key] for key in told if key.startswith("bulk-a.water@")} == {"not-run"}
    attempt = json.loads(done.out)["attempts"][0]
    assert (attempt["interrupted"], attempt["interrupted_why"]) == (True, "stopped by the user")
    assert attempt["as_left"] == [], "what came along is put back too"
    assert done.err.splitlines()[-1] == "stopped by the user"
    with RecordReader.open(tmp_path / "run.farend") as reader:
        assert reader.closed_cleanly
    again = farend("judge", "run.farend", "--json", cwd=tmp_path)
    assert (again.code, again.out.splitlines()) == (3, done.out.splitlines())


@needs_posix
def test_control_c_in_a_terminal_reaches_the_demo_and_not_its_simulated_site(tmp_path: Path) -> None:
    """A terminal sends the signal to the whole group of processes; the site must live until its alarms are cleared."""
    with Running("demo", "--healthy", "--only", "day.*", "--json", cwd=tmp_path) as running:
        running.until(lambda line: "[2/" in line, "err")
        os.killpg(running.process.pid, signal.SIGINT)
        done = running.done()
    assert done.code == 3, done.err
    attempt = json.loads(done.out)["attempts"][0]
    assert (attempt["interrupted_why"], attempt["as_left"]) == ("stopped by the user", [])
    assert set(verdicts(done.out).values()) <= {"on-time", "not-run", "unresolved", "not-observed", "quiet"}


@needs_posix
def test_a_killed_test_leaves_a_record_that_says_what_was_left_raised(tmp_path: Path, site: SiteProcess) -> None:
    with raised(tmp_path, site) as running:
        running.until(lambda line: "raising" in line, "err")
        wait_for_step(tmp_path / "run.farend")
        running.signal(signal.SIGKILL)
        assert running.done().code == -signal.SIGKILL
    try:
        assert active(site) == [0, 1], "nothing outlives kill -9, and nothing is promised"
        done = farend("judge", "run.farend", "--json", cwd=tmp_path)
        assert done.code == 5, done.err
        attempt = json.loads(done.out)["attempts"][0]
        assert attempt["interrupted_why"] == "the record ends without an end: the run was cut off"
        assert [it["what"] for it in attempt["as_left"]] == ["alarm bulk-a.high-high"]
        assert "on-time" not in verdicts(done.out).values()
        text = " ".join(farend("judge", "run.farend", cwd=tmp_path).out.split())
        assert "alarm bulk-a.high-high was not raised, is raised; clearing is not proven" in text
        assert farend("report", "run.farend", "--log-book", "log.txt", cwd=tmp_path).code == 5
        log = " ".join((tmp_path / "log.txt").read_text(encoding="utf-8").split())
        assert "NOT CLEARED, or not proven to be: bulk-a.high-high." in log
        note = ("--stimulus", "0001", "--note", "cleared by hand", "--reason", "the computer went down")
        assert farend("correct", "run.farend", *note, cwd=tmp_path).code == 0
        again = farend("judge", "run.farend", "--json", cwd=tmp_path)
        assert (again.code, verdicts(again.out)) == (done.code, verdicts(done.out))
        assert "cleared by hand" in again.out
    finally:
        clear_all(site)


# --- judging again and reports --------------------------------------------------------------------


@pytest.mark.parametrize(
    "changes",
    [
        {"TZ": "Asia/Kathmandu", "LC_ALL": "C", "PYTHONHASHSEED": "1"},
        {"TZ": "America/St_Johns", "LC_ALL": "C.UTF-8", "LANG": "tr_TR.UTF-8", "PYTHONHASHSEED": "271828"},
        {"PYTHONIOENCODING": "ascii", "COLUMNS": "40", "NO_COLOR": "1"},
    ],
    ids=["Kathmandu", "Newfoundland", "ascii"],
)
def test_judged_again_anywhere_it_is_the_same_to_the_byte(
    changes: dict[str, str], crossed: tuple[Path, Done], tmp_path: Path
) -> None:
    where, first = crossed
    done = farend("judge", where / "run.farend", "--json", cwd=tmp_path, env=environment(**changes))
    assert (done.code, done.out) == (1, first.out)
    text = farend("judge", where / "run.farend", cwd=tmp_path, env=environment(**changes))
    assert text.code == 1
    assert "crossed" in text.out


def test_a_record_is_judged_by_a_corrected_map_and_it_says_so(crossed: tuple[Path, Done], tmp_path: Path) -> None:
    where, _ = crossed
    lines = (where / "points.csv").read_text(encoding="utf-8").splitlines()
    swap = {"bulk-a.water,bms,10005,": "bulk-a.water,bms,10006,",
            "bulk-a.temperature-high,bms,10006,": "bulk-a.temperature-high,bms,10005,"}  # fmt: skip
    for wrong, right in swap.items():
        (at,) = (number for number, line in enumerate(lines) if line.startswith(wrong))
        lines[at] = lines[at].replace(wrong, right)
    corrected = tmp_path / "corrected.csv"
    corrected.write_text("\n".join(lines), encoding="utf-8")
    done = farend("judge", where / "run.farend", "--map", corrected, "--json", cwd=tmp_path)
    told = verdicts(done.out)
    assert done.code == 0, "only the rows on the link that was planned are judged"
    assert told["bulk-a.water@bms:10006"] == "on-time"
    assert told["bulk-a.temperature-high@bms:10005"] == "on-time"
    judged_with = json.loads(done.out)["attempts"][0]["judged_with"]
    assert judged_with.startswith("corrected.csv (SHA-256 ")
    assert "corrected.csv" in farend("judge", where / "run.farend", "--map", corrected, cwd=tmp_path).out


def test_only_what_failed_is_tested_again_and_both_make_one_report(
    crossed: tuple[Path, Done], faulty: SiteProcess
) -> None:
    where, first = crossed
    failed = {key for key, verdict in verdicts(first.out).items() if verdict == "crossed"}
    done = farend(
        "test", "site.yaml", *ARMED, "--failed", "run.farend", "--record", "second.farend", "--json", cwd=where
    )
    assert done.code == 1
    assert set(verdicts(done.out)) >= failed
    assert {key.split("@")[0] for key in verdicts(done.out)} == {"bulk-a.water", "bulk-a.temperature-high"}
    names = ("--html", "report.html", "--junit", "report.xml", "--json", "report.json")
    made = farend("report", "run.farend", "second.farend", *names, cwd=where)
    assert (made.code, made.out) == (1, "")
    turned = farend("report", "second.farend", "run.farend", "--json", "-", cwd=where)
    text = (where / "report.json").read_text(encoding="utf-8")
    assert turned.out == text, "the order in which records are named changes nothing"
    attempts = json.loads(text)["attempts"]
    assert [it["record"] for it in attempts] == ["second.farend", "run.farend"], "newest first"
    standing = {row["expectation"]: row for row in json.loads(text)["rows"]}
    for key in failed:
        assert (standing[key]["attempt"], [it["attempt"] for it in standing[key]["earlier"]]) == (2, [1])
    suites = junitparser.JUnitXml.fromfile(str(where / "report.xml"))
    assert suites.failures >= len(failed)
    page = (where / "report.html").read_text(encoding="utf-8")
    assert page.index("second.farend") < page.index("run.farend")
    assert farend("report", "run.farend", "run.farend", cwd=where).code == 2


def test_a_record_that_is_none(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("hello", encoding="utf-8")
    for name in ("notes.txt", "nowhere.farend"):
        for command in ("judge", "report"):
            done = farend(command, name, cwd=tmp_path)
            assert done.code == 2
            assert done.err.startswith(name)


# --- watch ----------------------------------------------------------------------------------------


def press(site: SiteProcess, number: int, action: int) -> None:
    with panel(site) as client:
        assert not client.write_registers(900, [number + 1, action], device_id=1).isError()


def test_watching_an_address_and_going_on_from_a_draft(tmp_path: Path, site: SiteProcess) -> None:
    address = f"modbus-tcp://127.0.0.1:{site.port('bms')}"
    arguments = ("--inputs", "10001-10024", "--coils", "1", "--every", "50 ms", "--save-draft", "draft")
    with Running("watch", address, *arguments, cwd=tmp_path) as running:
        running.until(lambda line: "functions 1 to 4 only" in line, "err")
        running.until(lambda line: "at first 24 off" in line)
        press(site, 4, 1)
        running.until(lambda line: "10005" in line and "off -> on, within" in line)
        press(site, 4, 4)
        running.until(lambda line: "10005" in line and "on -> off, within" in line)
        running.signal(signal.SIGINT)
        done = running.done()
    assert done.code == 0
    assert re.search(r"^[\d,]+ changes?, [\d,]+ answered polls?", done.err, re.MULTILINE)
    checked = farend("check", "draft", cwd=tmp_path)
    assert checked.code == 0, checked.err
    assert "10005" in checked.out
    assert farend("plan", "draft", cwd=tmp_path).code == 0


def test_watching_a_site_names_the_alarm(folder: Path, site: SiteProcess) -> None:
    with Running("watch", "site.yaml", cwd=folder) as running:
        running.until(lambda line: "bms" in line and "at first" in line)
        press(site, 14, 1)
        running.until(lambda line: "bms:10015 (day.low)" in line)
        running.until(lambda line: "printer" in line and "RAISED   DAY LOW" in line)
        press(site, 14, 4)
        running.until(lambda line: "CLEARED  DAY LOW" in line)
        running.signal(signal.SIGINT)
        assert running.done().code == 0
    press(site, 14, 3)


def test_a_reader_that_has_seen_enough(folder: Path) -> None:
    """``farend watch site.yaml --json | head -1``"""
    with Running("watch", "site.yaml", "--json", cwd=folder) as running:
        assert "link" in json.loads(running.until(lambda line: line.startswith("{")))
    process = subprocess.Popen(
        [sys.executable, "-W", "error", "-m", "harness.cli", "watch", "site.yaml", "--json"],
        cwd=folder, env=environment(), stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="utf-8",
    )  # fmt: skip
    with process:
        assert process.stdout is not None
        assert process.stderr is not None
        json.loads(process.stdout.readline())
        process.stdout.close()
        said = process.stderr.read()
        assert process.wait(DEADLINE_S) in (0, 3)
    assert "Traceback" not in said
    assert "BrokenPipe" not in said


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("modbus-tcp://127.0.0.1:1",), "what to read is not said; add for example --inputs 10001-10064"),
        (("modbus-tcp://127.0.0.1:1", "--inputs", "10005-10001"), "runs backwards; write 10001-10005"),
        (("modbus-tcp://127.0.0.1:1", "--inputs", "40001"), "range=40001: "),
        (("modbus-tcp://127.0.0.1:1/256", "--inputs", "10001"), "unit=256: expected 0 to 255"),
        (("modbus-tcp://127.0.0.1:70000", "--inputs", "10001"), "expected a port from 1 to 65535"),
        (("text+tcp://127.0.0.1",), "expected modbus-tcp://HOST[:PORT][/UNIT]"),
        (("text+tcp://127.0.0.1:1", "--inputs", "10001"), "ranges belong to a Modbus address"),
        (("text+serial:/dev/none?baud=fast",), "baud=fast: expected a number"),
        (("modbus-tcp://127.0.0.1:1", "--inputs", "10001", "--every", "5"), "--every 5: "),
        (("nowhere.yaml",), "nowhere.yaml"),
    ],
)
def test_an_address_that_cannot_be_watched(arguments: tuple[str, ...], message: str, tmp_path: Path) -> None:
    done = farend("watch", *arguments, cwd=tmp_path)
    assert (done.code, done.out) == (2, "")
    assert message in done.err


# --- the wheel ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder into which the wheel, built from this tree, was installed."""
    where = tmp_path_factory.mktemp("wheel")
    pip = [sys.executable, "-m", "pip", "-q", "--disable-pip-version-check"]
    build = [*pip, "wheel", str(ROOT), "--no-deps", "--no-build-isolation", "-w", str(where)]
    built = subprocess.run(build, capture_output=True, text=True, timeout=DEADLINE_S, check=False)  # noqa: S603
    if built.returncode:
        pytest.skip(f"the wheel cannot be built here without its build tool: {built.stderr.strip().splitlines()[-1]}")
    (wheel,) = where.glob("farend-*.whl")
    into = where / "installed"
    install = [*pip, "install", "--no-deps", "--no-index", "--target", str(into), str(wheel)]
    subprocess.run(install, check=True, capture_output=True, timeout=DEADLINE_S)  # noqa: S603
    return into


def test_the_demo_runs_from_the_wheel_in_an_empty_folder(installed: Path, tmp_path: Path) -> None:
    env = environment(PYTHONPATH=str(installed))
    where = subprocess.run(
        [sys.executable, "-c", "import harness, sims; print(harness.__file__); print(sims.__file__)"],
        env=env, cwd=tmp_path, capture_output=True, text=True, check=True,
    ).stdout.splitlines()  # fmt: skip
    assert all(Path(line).is_relative_to(installed) for line in where), where
    done = farend("demo", "--only", "bulk-a.[wt]*", cwd=tmp_path, env=env)
    assert done.code == 1, done.err
    assert "crossed" in done.out
    assert "the simulated site has a fault: swapped-pair" in done.err
    made = sorted(path.suffix for path in (tmp_path / "farend-demo").iterdir())
    assert {".farend", ".html", ".yaml", ".csv"} <= set(made)
    assert farend("check", "farend-demo", cwd=tmp_path, env=env).code == 0
