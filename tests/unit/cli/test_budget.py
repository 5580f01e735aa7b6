"""``farend budget`` on the command line: what it takes, what it refuses and how, and what it writes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from harness.cli.budget import command
from harness.core.errors import UsageError
from harness.core.verdicts import ExitCode

DURATION = "expected a duration with its unit (us, ms, s, min or h)"


def run(*arguments: str) -> Result:
    return CliRunner().invoke(command, arguments, env={"COLUMNS": "80"}, standalone_mode=False)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--poll", "bms"], "--poll bms: expected LINK=TIME, such as --poll bms=30s"),
        (["--read", "=30s"], "--read =30s: expected LINK=TIME, such as --read bms=30s"),
        (["--poll", "bms=30"], f"--poll bms=30: {DURATION}; write 30 ms or 30 s, whichever is meant"),
        (["--poll", "bms=0s"], "--poll bms=0s: expected more than 0 s"),
        (["--device-poll", "gateway=soon"], f"--device-poll gateway=soon: {DURATION}; for example 200 ms"),
        (["--transient", "3"], f"--transient 3: {DURATION}; write 3 ms or 3 s, whichever is meant"),
        (["--transient", "0s"], "--transient 0s: expected more than 0 s"),
        (["--baud", "fast"], "--baud fast: expected a speed from 50 to 4000000, such as 19200"),
        (["--baud", "bus=12"], "--baud bus=12: expected a speed from 50 to 4000000, such as 19200"),
        (["--baud", "=9600"], "--baud =9600: expected LINK=N, or N for every serial bus"),
        (["--picture", "chart.png"], "--picture chart.png: expected a name that ends in .svg or .html"),
        (["--poll", "bms=1s", "--record", "x.farend"],
         "--record: a what-if is not what was measured; leave out one of the two"),
        (["--row", "nothing*"], "--row nothing*: fits no alarm, point or row; rows are written ALARM@POINT"),
        ([x for n in range(6) for x in ("--transient", f"{n + 1}s")],
         "--transient: at most 5 lengths fit beside each other; ask for fewer"),
    ],
)  # fmt: skip
def test_what_cannot_be_asked(arguments: list[str], message: str) -> None:
    done = run("demo", *arguments)
    assert isinstance(done.exception, UsageError)
    assert str(done.exception) == message
    assert done.output == ""


def test_a_prediction_alone_is_no_verdict() -> None:
    done = run("demo", "--read", "bms=30s", "--transient", "3s", "--row", "sump-a.leak@bms:10019")
    assert done.return_value == ExitCode.ALL_PASS
    flat = " ".join(done.output.split())
    assert "bms read by building system every 30 s 15.2 s 30.2 s ~0.1" in flat
    assert "seen for certain by building system from 30.02 s" in flat


def test_a_what_if_that_changes_none_of_these_rows_says_so() -> None:
    """The building system reads the panel, and no row of the gateway goes by that; a baud given twice does change."""
    idle = "the building system reads bms every 30 s (changes none of these rows)"
    at_gateway = run("demo", "--read", "bms=30s", "--device-poll", "gateway=3s", "--row", "sump-a.leak@gateway*")
    told = [line for line in at_gateway.output.splitlines() if line.startswith("what if")]
    assert told == [f"what if: {idle}", "what if: gateway itself polls every 3 s"]
    assert "(changes" not in run("demo", "--read", "bms=30s", "--row", "*@bms:1000*").output
    assert "(changes" not in run("demo", "--baud", "bus=4800", "--baud", "4800", "--row", "*@bus:1000*").output
    document = json.loads(run("demo", "--json", "--read", "bms=30s", "--row", "sump-a.leak@gateway*").output)
    assert document["what_if"] == [idle]


def test_for_programs_and_plain() -> None:
    document = json.loads(run("demo", "--json", "--transient", "1s").output)
    assert document["site"] == "hollowmere"
    assert document["not_declared"] == []
    assert run("demo", "--plain").output.isascii()


@pytest.mark.parametrize("name", ["seen.svg", "seen.html"])
def test_a_picture_is_written_whole(tmp_path: Path, name: str) -> None:
    done = run("demo", "--row", "sump-a.leak@gateway*", "--picture", str(tmp_path / name))
    assert done.return_value == ExitCode.ALL_PASS
    assert "</svg>" in (tmp_path / name).read_text(encoding="utf-8")
    assert [it.name for it in tmp_path.iterdir()] == [name]
    assert isinstance(run("demo", "--picture", str(tmp_path / "none" / name)).exception, UsageError)


def test_every_way_of_the_demo_is_declared() -> None:
    """Its times are those of the simulated site, so that nothing is taken as 0 for want of a word."""
    assert "Everything on the way is declared." in run("demo").output
