"""The plain lines of a running test: what is known of links that do not come up, and nothing wider than a terminal."""

from __future__ import annotations

import fcntl
import os
import pty
import struct
import subprocess
import sys
import termios
from pathlib import Path

import pytest
from rich.cells import cell_len

from harness.cli import common
from harness.cli.views import PlainView
from harness.core.model import Result, Site
from harness.core.verdicts import Verdict
from harness.links.base import LinkState
from harness.run.live import LiveSource
from harness.run.order import Selection, plan_of
from harness.run.tools import WAITING_FOR_LINKS, Progress
from harness.site.profiles import profiles_folder
from harness.site.reading import load_site

REFUSED = "10.0.0.9:502: no connection: Connection refused; check the address and that the device has a socket free"
DEMO = profiles_folder() / "demo" / "site.yaml"


@pytest.fixture(scope="module")
def site() -> Site:
    """The demo's site."""
    return load_site(DEMO)[0]


@pytest.fixture
def source(site: Site) -> LiveSource:
    """What is observed; nothing yet."""
    return LiveSource(site, lambda: 0)


def followed(source: LiveSource) -> PlainView:
    view = PlainView()
    view.follow(source)
    return view


def test_why_a_link_is_awaited_is_told_once_for_each_reason(
    source: LiveSource, capsys: pytest.CaptureFixture[str]
) -> None:
    view = followed(source)
    view.phase(WAITING_FOR_LINKS)
    assert capsys.readouterr().err == "", "nothing is known of any link yet"
    source.link_state("panel", 1, LinkState.UP, "connected to 10.0.0.8:502")
    source.link_state("bms", 2, LinkState.DOWN, REFUSED)
    view.phase(WAITING_FOR_LINKS)
    view.phase(WAITING_FOR_LINKS)
    assert capsys.readouterr().err == f"    ! link bms is awaited: {REFUSED}\n"
    source.link_state("bms", 3, LinkState.DOWN, "no answer\x1b[2J")
    view.phase(WAITING_FOR_LINKS)
    assert capsys.readouterr().err == "    ! link bms is awaited: no answer\\x1b[2J\n"
    view.baseline([], ["bms"])
    assert capsys.readouterr().err == ("link bms is not up: its outputs will not be observed: no answer\\x1b[2J\n")


def test_lines_are_folded_in_a_terminal_and_whole_elsewhere(
    site: Site, source: LiveSource, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    item = plan_of(site, Selection(only=("bulk-a.water",)))[0]
    reason = "the bounds straddle the limit in every course of events that fits what was seen, so that it is open"
    results = [
        Result(
            expectation=row.key,
            alarm=row.alarm,
            point=row.point,
            stimulus="1",
            verdict=Verdict.UNRESOLVED,
            reason=reason,
        )
        for row in item.rows
    ]

    def told() -> list[str]:
        view = followed(source)
        view.raising(item, Progress(number=0, total=1, left_ns=0))
        view.baseline([], ["bms"])
        source.link_state("bms", 1, LinkState.UP, "connected")
        view.phase("")
        view.judged(item, results)
        source.link_state("bms", 2, LinkState.DOWN, REFUSED)
        view.phase("")
        view.trouble(reason)
        view.urgent(reason)
        return capsys.readouterr().err.splitlines()

    whole = told()
    assert sum(line.endswith(reason) for line in whole) == len(results) + 2
    assert any(line.endswith(f"link bms is down: {REFUSED}") for line in whole)
    monkeypatch.setattr(common, "terminal_width", lambda: 80)
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    folded = told()
    assert max(map(cell_len, folded)) <= 80
    assert " ".join(" ".join(folded).split()).count(reason) == len(results) + 2


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals")
@pytest.mark.parametrize(
    "arguments", [("check", str(DEMO)), ("test", str(DEMO), "--arm", "wrong", "--only", "no-such")]
)
def test_nothing_is_wider_than_a_terminal_of_80_columns(arguments: tuple[str, ...], tmp_path: Path) -> None:
    here, there = pty.openpty()
    try:
        fcntl.ioctl(there, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        environment = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES")}
        code = "from harness.cli import main; main()"
        with subprocess.Popen(  # noqa: S603 - our own interpreter
            [sys.executable, "-c", code, *arguments],
            stdin=subprocess.DEVNULL,
            stdout=there,
            stderr=there,
            cwd=tmp_path,
            env=environment | {"PYTHONIOENCODING": "utf-8"},
        ) as process:
            os.close(there)
            there = -1
            lines = _read(here).decode().replace("\r", "").splitlines()
            process.wait(60)
    finally:
        os.close(here)
        if there >= 0:
            os.close(there)
    assert len(lines) > 1
    assert max(map(cell_len, lines)) <= 80


def _read(descriptor: int) -> bytes:
    """All that is written until the other end is closed, which a pseudo-terminal tells by an error."""
    told = b""
    while True:
        try:
            some = os.read(descriptor, 65_536)
        except OSError:
            return told
        if not some:
            return told
        told += some
