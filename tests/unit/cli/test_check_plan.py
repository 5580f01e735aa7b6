"""``farend check`` and ``farend plan`` say all that matters of a large site in a few lines, and nothing too wide."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from rich.cells import cell_len

from harness.cli.check import command as check
from harness.cli.plan import command as plan
from harness.cli.plan import requests_in_runs
from harness.site.profiles import profiles_folder
from harness.site.reading import load_site
from tests.peers.sites import TEXT


def _run(command: object, *arguments: str, width: int = 80) -> Result:
    done = CliRunner().invoke(command, arguments, env={"COLUMNS": str(width)}, standalone_mode=False)  # type: ignore[arg-type]
    assert done.exception is None
    return done


def test_check_names_every_output_of_every_link_in_few_lines() -> None:
    site, _ = load_site(profiles_folder() / "demo" / "site.yaml")
    told = _run(check, "demo").stdout
    lines = told.splitlines()
    assert len(lines) < 100
    for name in site.links:
        assert any(line.startswith(f"  {name}: ") for line in lines)
    flat = " ".join(told.split())
    assert "30 discrete input: 10001 to 10028, 10101, 10102" in flat
    assert "24 binary input, by cov: binary-input 1 by cov to binary-input 24 by cov" in flat
    assert all(note in flat for note in site.notes)
    assert lines[-1] == "can be used; 0 warnings"


def test_check_lists_every_point_where_asked() -> None:
    site, _ = load_site(profiles_folder() / "demo" / "site.yaml")
    told = _run(check, "demo", "--points").stdout.splitlines()
    for name in site.points:
        assert any(line.startswith(f"  {name} ") for line in told)


@pytest.mark.parametrize("width", [80, 132, 200])
def test_plan_fits_the_terminal_and_names_every_request(width: int) -> None:
    told = _run(plan, "demo", width=width).stdout
    assert max(map(cell_len, told.splitlines())) <= width
    flat = " ".join(told.split())
    assert "subscribes to binary-input 1 to binary-input 24, binary-value 100" in flat
    assert "waits for events of binary-input 1 to binary-input 24" in flat
    assert "unit 1 function 2: discrete input 0 to 27 on the wire (28)" in flat
    assert "subscribes to hollowmere/alive, hollowmere/alarm/bulk-a.high-high" in flat
    assert "a pass here proves it up to the COV notification that this device sent to farend's own subscription" in flat
    for caution in ("not the sensing element", "authority having jurisdiction", "the controller's own alarm history"):
        assert caution in flat


def test_requests_of_other_kinds_keep_their_lines() -> None:
    requests = ["unit 1 function 1", "reads a 1", "unit 1 function 2", "reads a 2", "reads a 3", "reads b"]
    assert requests_in_runs(requests) == ["unit 1 function 1", "reads a 1 to a 3, b", "unit 1 function 2"]


def test_names_of_a_site_file_move_no_cursor(tmp_path: Path) -> None:
    for source in (profiles_folder() / "demo").iterdir():
        text = source.read_text(encoding="utf-8").replace(
            "Hollowmere Hospital", '\\e[2J\\u202eHollow"mere'.replace('"', "")
        )
        text = text.replace("title: \\e", 'title: "\\e').replace("plant (invented)", 'plant (invented)"', 1)
        (tmp_path / source.name).write_text(text, encoding="utf-8")
    for command in (check, plan):
        told = _run(command, str(tmp_path)).stdout
        assert "\x1b" not in told
        assert "\u202e" not in told
        assert r"\x1b[2J\u202eHollowmere" in told


def test_plan_says_whom_to_tell_and_for_how_long(tmp_path: Path) -> None:
    text = TEXT.replace("stimulus:\n", "notices: [monitoring station]\nstimulus:\n")
    (tmp_path / "site.yaml").write_text(text, encoding="utf-8")
    told = _run(plan, str(tmp_path / "site.yaml")).stdout
    longest = re.search(r"if all is well, (.*) at the most", " ".join(told.split()))
    assert longest is not None
    assert f"  monitoring station, for {longest[1]} at the least" in told.splitlines()
    assert "Whom to tell" not in _run(plan, "demo").stdout
