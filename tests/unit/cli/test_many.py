"""What a run that was made to prove something amounts to: what it proved is not all that happened in it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from harness.cli.many import Ended, besides
from harness.cli.trials import command
from harness.core.errors import UsageError
from harness.core.ledger import LedgerState, LedgerTold
from harness.core.verdicts import ExitCode
from harness.measure.trials import Asked
from harness.results.judging import JudgedRecord, judge_record
from harness.studies.measuring import measured
from tests.peers.records import SITE, RecordMaker
from tests.peers.sites import TEXT

QUIET = "point: leak}\n  - {alarm: a.low, link: bms, table: discrete-input, address: 0, behaviour: quiet, point: hh}"

UNSEEN = QUIET + "\n  - {alarm: a.low, link: door, sign: lamp, label: horn, behaviour: quiet, point: horn}"
"""And one that nobody looks at."""


def record(
    path: Path, *, stray: bool = False, leak: bool = False, miss: bool = False, unseen: bool = False
) -> JudgedRecord:
    text = SITE.replace("point: leak}", UNSEEN if unseen else QUIET)
    maker = RecordMaker(path, seconds=90, up=("bms",), text=text)
    maker.plan("a.low", links=("bms", "door") if unseen else ("bms",))
    maker.stimulus("0001", "a.low", 5, 10, shows="" if miss else "own")
    maker.stimulus("0002", "a.low", 30, 35)
    if leak:
        maker.shows("a.high-high", 30.2, 35.2)
    if stray:
        maker.shows("b.leak", 70, 75)
    return judge_record(maker.close())


def code_of(judged: JudgedRecord, *, is_refuted: bool = False, is_proven: bool = False) -> ExitCode:
    try:
        found = measured([judged], Asked())
        ended = Ended(code=judged.exit_code, besides=besides(judged), measured=found)
        return ended.amounts_to(is_refuted=is_refuted, is_proven=is_proven)
    finally:
        judged.reader.close()


@pytest.mark.parametrize(
    ("is_refuted", "is_proven", "code"),
    [
        (False, True, ExitCode.ALL_PASS),
        (False, False, ExitCode.UNKNOWN),
        (True, False, ExitCode.FAILED),
    ],
)
def test_where_nothing_else_happened_the_claim_decides(
    is_refuted: bool, is_proven: bool, code: ExitCode, tmp_path: Path
) -> None:
    judged = record(tmp_path / "r.farend")
    assert code_of(judged, is_refuted=is_refuted, is_proven=is_proven) is code


@pytest.mark.parametrize("what", ["stray", "leak"])
def test_what_came_on_and_should_not_have_is_no_pass(what: str, tmp_path: Path) -> None:
    judged = record(tmp_path / "r.farend", stray=what == "stray", leak=what == "leak")
    assert code_of(judged, is_refuted=False, is_proven=True) is ExitCode.FAILED


@pytest.mark.parametrize("what", ["nothing", "leak"])
def test_whether_a_quiet_one_reacted_that_nobody_looked_at_is_unknown_whatever_was_proven(
    what: str, tmp_path: Path
) -> None:
    judged = record(tmp_path / "r.farend", unseen=True, leak=what == "leak")
    expected = ExitCode.FAILED if what == "leak" else ExitCode.UNKNOWN
    assert code_of(judged, is_refuted=False, is_proven=True) is expected


def test_a_miss_that_the_claim_allows_does_not_hide_that_a_notice_is_open(tmp_path: Path) -> None:
    ledger = LedgerTold(file="ashby.ledger", demanded=("station",), problems=("cut off",), state=LedgerState())
    assert not ledger.is_settled
    for is_proven, code in ((True, ExitCode.NOT_RESTORED), (False, ExitCode.UNKNOWN)):
        judged = replace(record(tmp_path / f"{is_proven}.farend", miss=True), ledger=ledger)
        assert judged.exit_code is ExitCode.FAILED
        assert code_of(judged, is_proven=is_proven) is code


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--link", "bmss"), "--link bmss: no such link; links are panel, bms, log"),
        (("--claim", "95%", "--good", "90%"), "--good 90 %: expected more than the claim of 95 %"),
    ],
)
def test_what_is_asked_wrongly_is_said_as_it_was_asked(
    tmp_path: Path, arguments: tuple[str, ...], message: str
) -> None:
    entry = tmp_path / "site.yaml"
    entry.write_text(TEXT, encoding="utf-8")
    done = CliRunner().invoke(command, [str(entry), "--alarm", "a.low", *arguments], standalone_mode=False)
    assert isinstance(done.exception, UsageError)
    assert message in str(done.exception)
