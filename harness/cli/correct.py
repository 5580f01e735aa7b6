"""``farend correct``."""

from __future__ import annotations

import getpass
import time
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from harness.cli.common import json_option, note, say, say_json, terminal_width
from harness.core.errors import UsageError

if TYPE_CHECKING:
    from harness.record.corrections import Correction
    from harness.results.correcting import Wanted

_ONE_OF = "--note, --void, --alarm, --who, --report and --withdraw"


@click.command(name="correct", short_help="Append a correction to a record.")
@click.argument("record", type=click.Path(path_type=Path))
@click.option("--stimulus", default="", metavar="ID", help="The stimulus that it is about, such as 0007.")
@click.option("--note", "note_text", metavar="TEXT", help="Something to know about the stimulus, or the record.")
@click.option("--void", is_flag=True, help="The stimulus is no test: nothing is judged from it, not even a fail.")
@click.option("--alarm", metavar="NAME", help="The alarm that the stimulus really was.")
@click.option("--who", metavar="NAME", help="The right name of who tested.")
@click.option("--report", metavar="LINK:NUMBER", help="Take a person's report back: it is no evidence.")
@click.option("--withdraw", type=int, metavar="NUMBER", help="Withdraw an earlier correction of this record.")
@click.option("--reason", default="", help="Why; needed for every correction.")
@click.option("--by", default="", help="Who corrects. Default: the user of this computer.")
@json_option
def command(
    record: Path,
    stimulus: str,
    note_text: str | None,
    void: bool,
    alarm: str | None,
    who: str | None,
    report: str | None,
    withdraw: int | None,
    reason: str,
    by: str,
    as_json: bool,
) -> int:
    """Append one correction to RECORD, with a reason. Without an option that says what, show those that it has.

    What was recorded stays, and reports show both. A correction changes what was said (which alarm, by whom, a report
    of a person), never what was observed. A record that a test is still writing cannot be corrected.
    """
    given = {
        "note": note_text,
        "void": "" if void else None,
        "alarm": alarm,
        "who": who,
        "take-back": report,
        "withdraw": None if withdraw is None else str(withdraw),
    }
    chosen = {kind: text for kind, text in given.items() if text is not None}
    if not chosen and not stimulus and not reason:
        return _show(record, as_json=as_json)
    if len(chosen) != 1:
        raise UsageError(f"{len(chosen)} corrections: expected exactly one of {_ONE_OF}; make one call for each")
    ((kind, text),) = chosen.items()
    wanted = _wanted(kind, text, stimulus.strip(), reason.strip(), by or getpass.getuser())
    from harness.results.correcting import correct_record

    made = correct_record(record, wanted)
    if as_json:
        say_json(_plain(made))
    else:
        say(f"correction {made.number}: {made.about}: {made.change}")
        note("judge the record again to see what it changes; what was recorded is still in it")
    return 0


def _wanted(kind: str, text: str, stimulus: str, reason: str, by: str) -> Wanted:
    """What the options ask for. UsageError where they do not fit together."""
    from harness.record.corrections import CorrectionKind
    from harness.results.correcting import Wanted

    if not reason:
        raise UsageError("--reason is missing: a correction without a reason is worth nothing; say why")
    if kind in ("void", "alarm") and not stimulus:
        raise UsageError(f"--{kind}: of which stimulus? add --stimulus ID (reports and the log book list them)")
    if kind in ("who", "take-back", "withdraw") and stimulus:
        option = {"take-back": "report"}.get(kind, kind)
        raise UsageError(f"--stimulus {stimulus}: --{option} is not about a stimulus; leave it out")
    if kind in ("note", "alarm", "who") and not text.strip():
        raise UsageError(f"--{kind}: is empty; write what is right")
    link, report = _report(text) if kind == "take-back" else ("", None)
    now = datetime.now().astimezone()
    offset = now.utcoffset()
    return Wanted(
        kind=CorrectionKind(kind),
        reason=reason,
        by=by,
        at_utc_ns=time.time_ns(),
        utc_offset_s=0 if offset is None else int(offset.total_seconds()),
        stimulus=stimulus,
        link=link,
        report=report,
        withdraws=int(text) if kind == "withdraw" else None,
        text=text.strip() if kind in ("note", "alarm", "who") else "",
    )


def _report(text: str) -> tuple[str, int]:
    link, _, number = text.rpartition(":")
    if not link or not number.isdigit():
        raise UsageError(f"--report {text}: expected LINK:NUMBER, such as annunciator:12")
    return link, int(number)


def _plain(one: Correction) -> dict[str, Any]:
    return {"about": one.about, "change": one.change, **one.to_data()}


def _show(record: Path, *, as_json: bool) -> int:
    from harness.record.corrections import corrections_of, in_force
    from harness.record.reader import RecordReader
    from harness.report import human
    from harness.report.columns import Terminal

    with RecordReader.open(record) as reader:
        made = corrections_of(reader.events())
    standing = {one.number for one in in_force(made)}
    if as_json:
        say_json([{**_plain(one), "in_force": one.number in standing} for one in made])
        return 0
    to = Terminal(width=terminal_width())
    for one in made:
        when = human.local(one.at_utc_ns, one.utc_offset_s)
        gone = "" if one.number in standing else " (withdrawn)"
        told = f"{one.number}{gone} {when}, by {one.by}: {one.about}: {one.change}; reason: {one.reason}"
        for line in to.wrapped(told, hang=4):
            say(line)
    if not made:
        say("no corrections")
    return 0
