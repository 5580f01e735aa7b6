"""What a person is told of an alarm that was left raised, and what the answers lead to."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from harness.cli.left_open import to_clear
from harness.core.errors import SafetyError
from harness.core.model import Site, Step
from harness.run.order import Selection
from harness.run.testing import TestOptions
from harness.site.reading import read_site
from tests.peers.records import SITE, RecordMaker

WRITABLE = """
stimulus:
  raise: {link: bms, holding register: 900, values: [code, 1]}
  clear: {link: bms, holding register: 900, values: [code, 4]}
writable:
  - {link: bms, holding register: 900-901}
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """With the record of a run that ended with a.high still raised."""
    one = RecordMaker(tmp_path / "earlier.farend")
    one.step("0001", "a.high", Step.RAISE, 3)
    one.step("0001", "a.high", Step.CLEAR, 6, proven=False)
    one.close()
    return tmp_path


CODED = SITE.replace("a.high: {text: A HIGH,", "a.high: {text: A HIGH, code: 2,") + WRITABLE


def site_of(text: str = CODED) -> Site:
    return read_site({"site.yaml": text.encode()}, "site.yaml")[0]


def options(folder: Path, *, arm: str | None = "ashby", guided: bool = False) -> TestOptions:
    return TestOptions(
        record=folder / "new.farend", selection=Selection(), arm=arm, reviews=None, who="Kim", seed=1, guided=guided,
        command=(),
    )  # fmt: skip


def pressing(*keys: str) -> Callable[[], str]:
    left = list(keys)
    return lambda: left.pop(0)


def test_nothing_left_nothing_asked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert to_clear(site_of(), options(tmp_path), clear=False, key=None) == ()
    assert capsys.readouterr().err == ""


def test_it_says_which_alarm_when_and_where(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (one,) = to_clear(site_of(), options(folder), clear=True, key=None)
    assert (one.left.alarm, one.confirmed_by) == ("a.high", "")
    assert capsys.readouterr().err == (
        "LEFT RAISED: a.high was raised at 2026-11-24 23:51:10 UTC (by hand), record earlier.farend; nothing says that "
        "it was cleared\n"
    )


def test_without_an_answer_it_is_refused(folder: Path) -> None:
    with pytest.raises(SafetyError, match=r"a\.high: may still be raised; give --clear-left-open"):
        to_clear(site_of(), options(folder), clear=False, key=None)


def test_one_key_clears_it_and_others_change_nothing(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (one,) = to_clear(site_of(), options(folder), clear=False, key=pressing("x", "\r", "C"))
    assert one.confirmed_by == ""
    assert "a.high: c clear it now, q stop: it is cleared first\n" in capsys.readouterr().err


def test_one_key_stops(folder: Path) -> None:
    with pytest.raises(SafetyError, match=r"a\.high: may still be raised"):
        to_clear(site_of(), options(folder), clear=False, key=pressing("q"))


def test_what_farend_cannot_clear_is_confirmed_by_name(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (one,) = to_clear(site_of(SITE), options(folder), clear=True, key=pressing("y"))
    assert one.confirmed_by == "Kim"
    assert (
        "y I made sure at the controller that it is cleared (Kim), q stop: confirmed by Kim" in capsys.readouterr().err
    )
    with pytest.raises(SafetyError, match="farend cannot clear it; clear it at the controller"):
        to_clear(site_of(SITE), options(folder), clear=True, key=pressing("q"))


def test_what_farend_cannot_clear_nobody_confirms_from_a_script(folder: Path) -> None:
    with pytest.raises(SafetyError, match="farend cannot clear it; clear it at the controller, and confirm that in a"):
        to_clear(site_of(SITE), options(folder), clear=True, key=None)


def test_guided_nothing_is_written_so_a_person_confirms(folder: Path) -> None:
    (one,) = to_clear(site_of(), options(folder, arm=None, guided=True), clear=True, key=pressing("y"))
    assert one.confirmed_by == "Kim"


def test_not_armed_it_is_said_and_the_gate_refuses_by_itself(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert to_clear(site_of(), options(folder, arm=None), clear=True, key=None) == ()
    told = capsys.readouterr().err
    assert "LEFT RAISED: a.high" in told
    assert "it is cleared in a run that is armed, or confirmed in a guided one" in told


def test_the_word_of_another_site_clears_nothing(folder: Path) -> None:
    assert to_clear(site_of(), options(folder, arm="elsewhere"), clear=True, key=None) == ()


def test_what_ends_by_itself_says_until_when(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import time

    one = RecordMaker(tmp_path / "earlier.farend", started_utc_ns=time.time_ns() - 2_000_000_000)
    one.step("0001", "b.leak", Step.RAISE, 1)
    one.close()
    to_clear(site_of(), options(tmp_path, arm=None), clear=False, key=None)
    assert "; it ends by itself, at the latest at 20" in capsys.readouterr().err
