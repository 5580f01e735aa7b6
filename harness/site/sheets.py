"""Point lists as people keep them: CSV in the encodings and separators that spreadsheets write, and XLSX."""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
import warnings
import zipfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import repeat, zip_longest
from typing import Any, Final

from harness.core.errors import Origin
from harness.site.names import did_you_mean, shown
from harness.site.problems import Problems

SHEET_BYTES_MAX: Final = 16 * 1024 * 1024
UNPACKED_BYTES_MAX: Final = 128 * 1024 * 1024
"""An XLSX file is a ZIP archive; a small one can unpack to any size."""
ROWS_MAX: Final = 100_000
COLUMNS_MAX: Final = 500

_FORMULA: Final = re.compile(rb"<(?:[A-Za-z]+:)?f[ >/]")
_CONTROL: Final = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\ufffe\uffff]")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One cell as text. ``is_number``: the spreadsheet held a number, whose trailing zeros are lost.

    ``is_formula``: a formula whose result nobody stored, so ``text`` is the formula itself.
    """

    text: str
    origin: Origin
    is_number: bool = False
    is_formula: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A table: the names of its columns, and its rows. Rows may be shorter than the header."""

    headers: tuple[Cell, ...]
    rows: tuple[tuple[Cell, ...], ...]


def read_sheet(data: bytes, file: str, problems: Problems, *, sheet: str = "", header_row: int = 1) -> Sheet | None:
    """The table in a CSV or XLSX file, or None where nothing can be made of it; problems say why.

    ``header_row`` counts from 1. Empty rows, and rows whose first cell begins with ``#``, are left out.
    """
    start = Origin(file=file, line=1)
    if len(data) > SHEET_BYTES_MAX:
        found = f"size={len(data)} bytes: expected at most {SHEET_BYTES_MAX}"
        problems.error(start, "size", found, "split the point list")
        return None
    if data.startswith(b"PK\x03\x04"):
        cells = _xlsx_rows(data, file, sheet, problems)
    elif file.lower().endswith((".xlsx", ".xlsm")) and not _is_plain_text(data):
        problems.error(start, "xlsx", f"file={shown(file)}: expected an XLSX file", "save it as XLSX or CSV")
        return None
    else:
        cells = _csv_rows(data, file, problems)
    return None if cells is None else _table(cells, start, header_row, problems)


def _is_plain_text(data: bytes) -> bool:
    """True for a CSV file that stands in for a workbook of the same name."""
    return _CONTROL.search(data.decode("latin-1").translate(dict.fromkeys(range(0x80, 0xA0)))) is None


def _table(rows: list[tuple[Cell, ...]], start: Origin, header_row: int, problems: Problems) -> Sheet | None:
    at_header = [row for row in rows if row and row[0].origin.line >= header_row and not _is_left_out(row)]
    if not at_header:
        found = f"header row={header_row}: expected a row with the column names"
        problems.error(start, "header", found, "write them into the first row, or set header row:")
        return None
    headers, *body = at_header
    width = max((i for i, cell in enumerate(headers) if cell.text.strip()), default=-1) + 1
    headers = headers[:width]
    kept = []
    for row in body:
        beyond = next((cell for cell in row[width:] if cell.text.strip()), None)
        if beyond is not None:
            found = f"cell={shown(beyond.text)}: stands beyond the last column name"
            problems.error(beyond.origin, "cells", found, "check the separators and quotes of this row")
        kept.append(row[:width])
    return Sheet(headers=tuple(headers), rows=tuple(kept))


def _is_left_out(row: tuple[Cell, ...]) -> bool:
    return not any(cell.text.strip() for cell in row) or row[0].text.lstrip().startswith("#")


def _checked(cells: Iterable[Cell], problems: Problems) -> tuple[Cell, ...]:
    checked = []
    for cell in cells:
        bad = _CONTROL.search(cell.text)
        if bad is not None:
            found = f"character=U+{ord(bad[0]):04X}: expected printable text"
            problems.error(cell.origin, "character", found, "delete it")
        checked.append(cell)
    return tuple(checked)


# --- CSV ------------------------------------------------------------------------------------------


def _csv_rows(data: bytes, file: str, problems: Problems) -> list[tuple[Cell, ...]] | None:
    text = _decoded(data, file, problems)
    if text is None:
        return None
    if "\x00" in text:
        line = text.count("\n", 0, text.index("\x00")) + 1
        problems.error(Origin(file=file, line=line), "character", "character=U+0000: expected text", "save it as CSV")
        return None
    skipped, separator, text = _separator(text)
    rows = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    line = skipped + 1
    try:
        for row in reader:
            rows.append(_csv_row(row, Origin(file=file, line=line), problems))
            line = skipped + reader.line_num + 1
            if len(rows) > ROWS_MAX:
                problems.error(Origin(file=file, line=line), "size", f"rows={len(rows)}: expected at most {ROWS_MAX}")
                return None
    except csv.Error as exc:
        found = f"row={line}: expected cells with {shown(repr(separator))} between them, found: {exc}"
        problems.error(Origin(file=file, line=line), "csv", found, "check the quotes of this row")
        return None
    return [row for row in rows if not row or not _is_left_out(row)]


def _csv_row(row: list[str], origin: Origin, problems: Problems) -> tuple[Cell, ...]:
    if row and row[0].lstrip().startswith("#"):
        return ()
    return _checked((Cell(text=text, origin=origin) for text in row[:COLUMNS_MAX]), problems)


def _decoded(data: bytes, file: str, problems: Problems) -> str | None:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings: tuple[str, ...] = ("utf-16",)
    else:
        encodings = ("utf-8-sig", "cp1252")
    for encoding in encodings:
        try:
            return data.decode(encoding)
        except UnicodeDecodeError as exc:
            at = exc.start
    origin = Origin(file=file, line=data.count(b"\n", 0, at) + 1)
    found = f"byte=0x{data[at]:02x}: expected text in UTF-8 or Windows-1252"
    problems.error(origin, "encoding", found, "save the file as CSV UTF-8")
    return None


def _separator(text: str) -> tuple[int, str, str]:
    """How many lines to skip, the separator, and the text behind them. Spreadsheets may write ``sep=;`` first."""
    first, _, rest = text.partition("\n")
    named = re.fullmatch(r"sep=(.)\r?", first)
    if named is not None:
        return 1, named[1], rest
    for line in text.splitlines():
        if line.strip() and not line.lstrip().startswith("#"):
            bare = re.sub(r'"[^"]*"', "", line)
            return 0, max(",;\t", key=bare.count), text
    return 0, ",", text


# --- XLSX -----------------------------------------------------------------------------------------


def _xlsx_rows(data: bytes, file: str, sheet: str, problems: Problems) -> list[tuple[Cell, ...]] | None:
    start = Origin(file=file, line=1)
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            unpacked = sum(info.file_size for info in archive.infolist())
            has_formulas = unpacked <= UNPACKED_BYTES_MAX and _has_formulas(archive)
        if unpacked > UNPACKED_BYTES_MAX:
            found = f"unpacked size={unpacked} bytes: expected at most {UNPACKED_BYTES_MAX}"
            problems.error(start, "size", found, "delete what is no point list")
            return None
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about styles and features that carry no data
            return _workbook_rows(data, file, sheet, problems, has_formulas=has_formulas)
    except (KeyboardInterrupt, MemoryError):
        raise
    except Exception as exc:  # noqa: BLE001 - a damaged workbook makes openpyxl raise almost anything
        problems.error(start, "xlsx", f"file={shown(file)}: expected an XLSX workbook, found: {shown(str(exc))}",
                       "open it in a spreadsheet and save it again, or save it as CSV")  # fmt: skip
        return None


def _has_formulas(archive: zipfile.ZipFile) -> bool:
    """True where some sheet holds a formula; then it takes a second reading to see which of them lack their result."""
    sheets = [name for name in archive.namelist() if name.startswith("xl/worksheets/") and name.endswith(".xml")]
    return any(_FORMULA.search(archive.read(name)) is not None for name in sheets)


def _workbook_rows(
    data: bytes, file: str, sheet: str, problems: Problems, *, has_formulas: bool
) -> list[tuple[Cell, ...]] | None:
    import openpyxl

    book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
    written = openpyxl.load_workbook(io.BytesIO(data), read_only=True, keep_links=False) if has_formulas else None
    try:
        names = book.sheetnames
        if sheet and sheet not in names:
            found = f"sheet={shown(sheet)}: no such sheet in {shown(file)}"
            problems.error(Origin(file=file, line=1), "sheet", found, did_you_mean(sheet, names))
            return None
        worksheet = book[sheet] if sheet else book.worksheets[0]
        formulas = None if written is None else written[worksheet.title]
        rows = []
        for row in _worksheet_rows(worksheet, formulas, file):
            rows.append(_checked(row, problems))
            if len(rows) > ROWS_MAX:
                origin = row[0].origin
                problems.error(origin, "size", f"rows={len(rows)}: expected at most {ROWS_MAX}", "split the list")
                return None
        return rows
    finally:
        book.close()
        if written is not None:
            written.close()


def _worksheet_rows(worksheet: Any, formulas: Any, file: str) -> Iterator[tuple[Cell, ...]]:
    """The cells row by row; ``formulas`` is the same sheet as it was written, or None where it has no formulas."""
    values = worksheet.iter_rows(max_col=COLUMNS_MAX, values_only=True)
    as_written = repeat(()) if formulas is None else formulas.iter_rows(max_col=COLUMNS_MAX, values_only=True)
    for line, (row, texts) in enumerate(zip(values, as_written, strict=False), start=1):
        cells = tuple(
            _cell(value, text, Origin(file=file, line=line, column=column))
            for column, (value, text) in enumerate(zip_longest(row, texts[: len(row)]), start=1)
        )
        if cells and not _is_left_out(cells):
            yield cells


def _cell(value: object, written: object, origin: Origin) -> Cell:
    if value is None and written is not None:
        return Cell(text=str(getattr(written, "text", written)), origin=origin, is_formula=True)
    is_number = isinstance(value, float) and not value.is_integer()
    return Cell(text=_cell_text(value), origin=origin, is_number=is_number)


def _cell_text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    return str(value)
