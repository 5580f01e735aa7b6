"""``python -m sims`` as a process of its own: its one line, its log, and every way in which it ends."""

from __future__ import annotations

import json
import os
import signal
import socket
import struct
import subprocess
import sys
from pathlib import Path

import pytest

from sims import SiteProcess
from sims.__main__ import main
from sims.truth import read_truth, shown

ENDS_WITHIN_S = 30.0


def raise_alarm(port: int, number: int) -> bytes:
    """Write to the test block of the panel with a bare socket; the answer."""
    with socket.create_connection(("127.0.0.1", port), timeout=ENDS_WITHIN_S) as sock:
        sock.sendall(struct.pack(">HHHBBHHBHH", 1, 0, 11, 1, 16, 900, 2, 4, number, 1))
        return sock.recv(260)


def printed_lines(sock: socket.socket, count: int) -> list[str]:
    """The next lines of the printed line that are no heartbeats."""
    lines: list[str] = []
    with sock.makefile("rb") as paper:
        while len(lines) < count:
            line = paper.readline().decode("ascii").rstrip()
            if not line.endswith("LINE OK"):
                lines.append(line)
    return lines


def test_a_site_in_a_process_logs_the_truth_into_a_file(tmp_path: Path) -> None:
    truth = tmp_path / "truth.jsonl"
    with SiteProcess(["--truth", str(truth), "--defect", "never-appears:day.low@printer", "--seed", "5"]) as site:
        assert site.ready["seed"] == 5
        with socket.create_connection(("127.0.0.1", site.port("printer")), timeout=ENDS_WITHIN_S) as sock:
            assert raise_alarm(site.port("panel"), 15) == bytes.fromhex("0001 0000 0006 01 10 0384 0002")
            raise_alarm(site.port("panel"), 16)
            assert [line[20:] for line in printed_lines(sock, 1)] == ["RAISED   DAY LOW LOW"]
    assert site.stop() == 0
    entries = read_truth(truth)
    assert [entries[0]["kind"], entries[-1]["kind"]] == ["header", "end"]
    assert [d["spec"] for d in entries[0]["defects"]] == ["never-appears:day.low@printer"]
    assert [e["alarm"] for e in entries if e["kind"] == "stimulus"] == ["day.low", "day.low-low"]
    assert len(shown(entries, "panel", "day.low")) == 1


async def test_a_process_in_an_event_loop() -> None:
    async with SiteProcess() as site:
        assert site.port("bms") > 0


def test_a_specification_that_makes_no_sense(capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(ValueError, match="did not start: exit code 2"):
        SiteProcess(["--defect", "late@nowhere"]).start()
    assert "python -m sims: defect 'late@nowhere': place=nowhere: expected one of" in capfd.readouterr().err


def test_a_port_that_is_taken(capfd: pytest.CaptureFixture[str]) -> None:
    with SiteProcess() as site, pytest.raises(ValueError, match="did not start: exit code 2"):
        SiteProcess(["--panel-port", str(site.port("panel"))]).start()
    assert capfd.readouterr().err.startswith("python -m sims: ")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no signals to another process")
def test_a_signal_ends_it_cleanly(number: signal.Signals, tmp_path: Path) -> None:
    truth = tmp_path / "truth.jsonl"
    command = [sys.executable, "-W", "error", "-m", "sims", "--truth", str(truth)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:  # noqa: S603
        assert process.stdout is not None
        assert process.stderr is not None
        assert json.loads(process.stdout.readline())["ready"]
        os.kill(process.pid, number)
        assert process.wait(ENDS_WITHIN_S) == 0
        assert process.stderr.read() == b""
    assert read_truth(truth)[-1]["kind"] == "end"


def test_list_defects(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--list-defects"]) == 0
    assert "swapped-pair\n    Two alarms appear at each other's points." in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--scan", "20"], "expected a number with a unit"),
        (["--panel-port", "65536"], "expected a port from 0 to 65535"),
    ],
)
def test_an_option_that_cannot_be_read(arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="2"):
        main(arguments)
    assert message in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--scan", "0.5ms"], "scan_ns=500000: expected at least 1 ms"),
        (["--lasts", "day.hihg=1s"], "alarm='day.hihg': no such alarm; expected one of bulk-a.high-high"),
        (["--lasts", "sump-a.leak=0s"], "sump-a.leak=0: expected more than 0"),
    ],
)
def test_an_option_that_makes_no_sense(arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(arguments) == 2
    assert message in capsys.readouterr().err
