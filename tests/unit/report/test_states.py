"""The states in the documents are those of the tables."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from harness.core.behaviours import ALARM, LATCHING_ALARM, OUTPUTS, AlarmState, Happening, OutputState
from harness.report.states import BEGIN, END, section, with_section

ROOT = Path(__file__).parents[3]
GUIDE = ROOT / "DEVELOPERS.md"


def test_the_guide_has_the_states_as_they_are() -> None:
    text = GUIDE.read_text(encoding="utf-8")
    assert with_section(text) == text, "run python -m harness.report.states DEVELOPERS.md"


def test_every_change_of_a_table_is_drawn_and_nothing_else() -> None:
    plain, latching = (it.splitlines() for it in re.findall(r"```mermaid\n(.*?)```", section(), re.DOTALL))
    for lines, table in ((plain, ALARM), (latching, LATCHING_ALARM)):
        assert lines[0] == "stateDiagram-v2"
        assert lines[1].strip() == "[*] --> NORM"
        matches = [re.fullmatch(r" {4}(\w+) --> (\w+): (\w+)", line) for line in lines[2:]]
        found = {it.groups() for it in matches if it is not None}
        assert len(matches) == len(table) == len(found)
        assert found == {(state.value, to.value, happening.value) for (state, happening), to in table.items()}
    for name in (*AlarmState, *OutputState):
        assert f"{name.value}" in section()


def test_every_change_of_an_output_is_in_its_cell() -> None:
    drawn_lines = (line for line in section().splitlines() if line.startswith("|"))
    lines = [[cell.strip() for cell in line[1:-1].split("|")] for line in drawn_lines]
    head, body = lines[0], lines[2:]
    assert head[4:] == [it.value for it in Happening]
    rows = iter(body)
    for table in OUTPUTS:
        for number, state in enumerate(table.states):
            behaviour, released_by, name, shows, *cells = next(rows)
            named = (table.behaviour.value, "" if table.released_by is None else table.released_by.value)
            assert (behaviour, released_by) == (named if number == 0 else ("", ""))
            assert (name, shows) == (state.value, "yes" if state.shows else "no")
            drawn = {Happening(it): cell for it, cell in zip(head[4:], cells, strict=True) if cell}
            assert drawn == {it: to.value for (at, it), to in table.rows.items() if at is state}
    assert next(rows, None) is None


def test_a_table_that_changed_changes_the_documents() -> None:
    other = {**ALARM, (AlarmState.RTNUN, Happening.RESET): AlarmState.NORM}
    assert "    RTNUN --> NORM: reset" in section(other)
    assert section(other) != section()
    assert section(outputs=OUTPUTS[1:]) != section()


@pytest.mark.parametrize("text", ["", BEGIN, f"{END}\n{BEGIN}", f"{BEGIN}\n{BEGIN}\n{END}", f"{BEGIN}\n{END}\n{END}"])
def test_a_document_without_its_markers_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="expected one line"):
        with_section(text)


def test_the_command_writes_what_is_between_the_markers_and_leaves_the_rest(tmp_path: Path) -> None:
    path = tmp_path / "guide.md"
    path.write_text(f"before\n{BEGIN}\nold\n{END}\nafter\n", encoding="utf-8")
    command = [sys.executable, "-m", "harness.report.states", str(path)]
    subprocess.run(command, cwd=ROOT, check=True)  # noqa: S603 - this interpreter, this package
    text = path.read_text(encoding="utf-8")
    assert text == f"before\n{BEGIN}\n\n{section()}\n\n{END}\nafter\n"
    assert with_section(text) == text
