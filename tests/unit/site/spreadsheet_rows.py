"""The rows of profiles/spreadsheet/points.xlsx, a list as an electrician might keep it. Run it to write it anew."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import openpyxl
from openpyxl.styles import Font

ROWS = (
    ("Device tag", "What it is", "Register no.", "State", "Max. delay (s)", "Response", "Cable"),
    ("LS-101", "float switch, sump", 10017, "set", 5, "follows", "W-11"),
    ("LS-102", "float switch, sump", 10018, "set", 3, "follows", "W-11"),
    ("LS-102", "same, latched in the status word", 40021.3, "set", 3, "latched", "W-11"),
    ("PT-201", "motor protection, pump 1", 10019, "clear", 5, "follows", "W-12"),
    ("PT-202", "motor protection, pump 2", 10020, "clear", 5, "follows", "W-12"),
    (None, "flow, for trends only", 30011, None, None, None, "W-13"),
    ("FT-401", "flow switch, not an alarm", 10030, "set", None, None, "W-13"),
    ("DS-301", "door contact, must not be sent on", 10021, "set", None, "quiet", "W-14"),
)


def main() -> None:
    """Write the workbook; its properties are fixed, so that the same rows give the same file."""
    book = openpyxl.Workbook()
    book.properties.creator = "farend"
    book.properties.created = book.properties.modified = dt.datetime(2026, 1, 1)  # noqa: DTZ001 - the format has no zone
    notes = book.worksheets[0]
    notes.title = "Notes"
    notes["A1"] = "Westmoor pump house: see the second sheet"
    sheet = book.create_sheet("Modbus list")
    sheet["A1"] = "Westmoor pump house, points to the building automation system"
    for line, row in enumerate(ROWS, start=3):
        for column, value in enumerate(row, start=1):
            cell = sheet.cell(row=line, column=column, value=value)
            cell.font = Font(bold=line == 3)
    book.save(Path(__file__).parents[3] / "profiles" / "spreadsheet" / "points.xlsx")


if __name__ == "__main__":
    main()
