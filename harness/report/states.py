"""Draws the tables of states into the documents: ``python -m harness.report.states DEVELOPERS.md``.

The text between the two markers is made from the tables alone; a test fails where the two differ.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Final

from harness.core.behaviours import (
    ALARM,
    LATCHING_ALARM,
    OUTPUTS,
    AlarmState,
    AlarmTable,
    Happening,
    OutputState,
    OutputTable,
)

BEGIN: Final = "<!-- states: made by python -m harness.report.states DEVELOPERS.md -->"
END: Final = "<!-- end of states -->"


def section(
    alarm: AlarmTable = ALARM, latching: AlarmTable = LATCHING_ALARM, outputs: Sequence[OutputTable] = OUTPUTS
) -> str:
    """What stands between the markers, in Markdown; the alarm as Mermaid diagrams, the outputs as one table."""
    return "\n".join(
        (
            "An alarm, and one that the controller latches (what is not drawn changes nothing):",
            "",
            *_diagram(alarm),
            "",
            *_diagram(latching),
            "",
            *_listed((state.value, state.meaning) for state in AlarmState),
            "",
            "An output of it, by its behaviour and by what releases it (`released by`; an empty cell: no change):",
            "",
            *_outputs(outputs),
            "",
            *_listed((f"`{state.value}`", state.meaning) for state in OutputState),
        )
    )


def with_section(text: str) -> str:
    """A document with the section as it is now between its markers.

    Raises ValueError where the document has not each marker once, in their order.
    """
    before, begin, rest = text.partition(BEGIN)
    old, end, after = rest.partition(END)
    if not begin or not end or BEGIN in old or BEGIN in after or END in after:
        raise ValueError(
            f"expected one line {BEGIN!r} and behind it one line {END!r}; add them where the states belong"
        )
    return f"{before}{BEGIN}\n\n{section()}\n\n{END}{after}"


def _diagram(table: AlarmTable) -> Iterator[str]:
    yield "```mermaid"
    yield "stateDiagram-v2"
    yield f"    [*] --> {AlarmState.NORM.value}"
    for (state, happening), to in table.items():
        yield f"    {state.value} --> {to.value}: {happening.value}"
    yield "```"


def _outputs(tables: Sequence[OutputTable]) -> Iterator[str]:
    happenings = tuple(Happening)
    yield _row("behaviour", "released by", "state", "shows", *(it.value for it in happenings))
    yield _row(*["---"] * (4 + len(happenings)))
    for table in tables:
        released_by = "" if table.released_by is None else table.released_by.value
        first = (table.behaviour.value, released_by)
        for state in table.states:
            cells = (table.rows.get((state, happening)) for happening in happenings)
            found = ("" if to is None else to.value for to in cells)
            yield _row(*first, state.value, "yes" if state.shows else "no", *found)
            first = ("", "")


def _row(*cells: str) -> str:
    return f"| {' | '.join(cells)} |"


def _listed(named: Iterable[tuple[str, str]]) -> Iterator[str]:
    for name, meaning in named:
        yield f"- {name}: {meaning}."


def main() -> None:
    """Write the section into the file that the command names."""
    path = Path(sys.argv[1])
    path.write_text(with_section(path.read_text(encoding="utf-8")), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
