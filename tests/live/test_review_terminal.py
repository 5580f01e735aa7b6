"""Decisions about side effects at a real terminal: single keys, one to take a decision back, and a file at the end."""

from __future__ import annotations

import signal
import sys
from pathlib import Path

import pytest

from harness.core.model import Decision
from harness.run.gate import read_reviews
from tests.peers.sites import TEXT

if sys.platform == "win32":
    pytest.skip("pseudo-terminals", allow_module_level=True)
import termios

from tests.live.test_person_terminal import ESCAPES, Terminal  # it is for terminals too

FIRST = "x exclude its alarms: "
ASKED = "u take the last one back: "


def test_a_review_by_keys(tmp_path: Path) -> None:
    (tmp_path / "site.yaml").write_text(TEXT, encoding="utf-8")
    one = Terminal("review", "site.yaml", "--who", "Kim", cwd=tmp_path)
    try:
        at = one.until(FIRST)
        shown = ESCAPES.sub(b"", one.shown).decode()
        assert "side effect 1 of 2, stops-pump: stops the pump" in shown
        assert "safeguard: a person at the pump" in shown
        one.press("a")
        one.until("side effect 2 of 2", at)
        at = one.until(ASKED, at)
        one.press("u")  # it was the wrong key
        one.until("side effect 1 of 2", at)
        at = one.until(FIRST, at)
        one.press("i")
        at = one.until("(Enter: not said): ", at)
        one.press("pump off at its switch, tagged\r")
        one.until("side effect 2 of 2", at)
        at = one.until(ASKED, at)
        one.press("x")
        one.until("y: these are my decisions", at)
        one.press("y")
        assert one.end() == 0
        assert termios.tcgetattr(one.program) == one.before
    finally:
        one.close()
    reviews = read_reviews(tmp_path / "reviews.yaml")
    assert reviews.decisions == {"stops-pump": Decision.ISOLATED, "shuts-valve": Decision.EXCLUDED}
    assert reviews.detail("stops-pump").isolated == "pump off at its switch, tagged"
    assert {reviews.detail(name).by for name in reviews.decisions} == {"Kim"}


def test_whoever_stops_before_the_end_has_written_nothing(tmp_path: Path) -> None:
    (tmp_path / "site.yaml").write_text(TEXT, encoding="utf-8")
    one = Terminal("review", "site.yaml", cwd=tmp_path)
    try:
        at = one.until(FIRST)
        one.press("a")
        one.until("side effect 2 of 2", at)
        one.until(ASKED, at)
        one.process.send_signal(signal.SIGINT)  # as Ctrl-C does where the terminal is the session's own
        assert one.end() == 3
        assert termios.tcgetattr(one.program) == one.before
    finally:
        one.close()
    assert [path.name for path in tmp_path.iterdir()] == ["site.yaml"]
