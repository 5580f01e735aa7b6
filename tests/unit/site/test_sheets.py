"""Point lists in every shape in which people keep them."""

from __future__ import annotations

import io
import zipfile

import openpyxl
import pytest

from harness.site.columns import guess_columns
from harness.site.problems import Problems
from harness.site.sheets import UNPACKED_BYTES_MAX, Sheet, read_sheet

ROWS = (("alarm", "note"), ("tank.high", "Füllstand; hoch"), ("tank.low", 'say "low"'))


def texts(sheet: Sheet | None) -> list[tuple[str, ...]]:
    assert sheet is not None
    return [tuple(cell.text for cell in row) for row in (sheet.headers, *sheet.rows)]


def csv_bytes(separator: str, encoding: str, line_end: str = "\r\n") -> bytes:
    def cell(text: str) -> str:
        return '"' + text.replace('"', '""') + '"'

    return line_end.join(separator.join(cell(text) for text in row) for row in ROWS).encode(encoding)


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
@pytest.mark.parametrize("line_end", ["\r\n", "\n"])
def test_csv_in_every_encoding_and_separator(separator: str, encoding: str, line_end: str) -> None:
    problems = Problems()
    assert texts(read_sheet(csv_bytes(separator, encoding, line_end), "p.csv", problems)) == list(ROWS)
    assert not problems.has_errors


def test_csv_that_names_its_separator() -> None:
    sheet = read_sheet(b"sep=;\r\nalarm;note\r\ntank.high;a,b,c,d\r\n", "p.csv", Problems())
    assert texts(sheet) == [("alarm", "note"), ("tank.high", "a,b,c,d")]
    assert sheet is not None
    assert sheet.rows[0][0].origin.line == 3


def test_lines_count_as_an_editor_counts_them() -> None:
    data = b'# a comment, with, commas\n\nalarm,note\n"a","two\nlines"\n\n# more\nb,c\n'
    sheet = read_sheet(data, "p.csv", Problems())
    assert sheet is not None
    assert [row[0].origin.line for row in sheet.rows] == [4, 8]


def book_bytes(rows: list[list[object]], **formats: str) -> bytes:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for row in rows:
        sheet.append(row)
    for name, number_format in formats.items():
        sheet[name].number_format = number_format
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def test_xlsx_numbers_stay_what_they_look_like() -> None:
    data = book_bytes([["alarm", "address"], ["a", 10001], ["b", 40101.3], ["c", "00017"], ["d", 10002.0], ["e", None]])
    sheet = read_sheet(data, "p.xlsx", Problems())
    assert [row[1] for row in texts(sheet)] == ["address", "10001", "40101.3", "00017", "10002", ""]


def test_xlsx_number_that_may_be_bit_1_or_10_is_refused() -> None:
    from harness.core.errors import SiteError
    from harness.site.reading import read_site

    site = (
        "site: s\ncontroller: {name: c}\nlinks:\n  bms: {modbus-tcp: h, numbering: reference, poll every: 1 s}\n"
        "alarms:\n  a: {side effects: none}\npoints: p.xlsx\n"
    )
    rows: list[list[object]] = [["alarm", "link", "address", "behaviour"], ["a", "bms", 40101.1, "follows"]]
    with pytest.raises(SiteError) as caught:
        read_site({"site.yaml": site.encode(), "p.xlsx": book_bytes(rows)}, "site.yaml")
    assert "number-cell" in {problem.code for problem in caught.value.problems}
    rows[1][2] = "40101.10"
    read, _ = read_site({"site.yaml": site.encode(), "p.xlsx": book_bytes(rows)}, "site.yaml")
    assert "bms:40101.10" in read.points


def test_xlsx_bomb_is_not_unpacked() -> None:
    out = io.BytesIO()
    with (
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open("xl/worksheets/sheet1.xml", "w") as member,
    ):
        for _ in range(UNPACKED_BYTES_MAX // 2**20 + 1):
            member.write(b" " * 2**20)
    problems = Problems()
    assert read_sheet(out.getvalue(), "p.xlsx", problems) is None
    assert [problem.code for problem in problems.in_order([])] == ["size"]


def test_sheet_that_is_not_there() -> None:
    problems = Problems()
    assert read_sheet(book_bytes([["alarm"]]), "p.xlsx", problems, sheet="Shet") is None
    assert "did you mean Sheet?" in str(problems.in_order([])[0])


def test_csv_may_stand_in_for_a_workbook() -> None:
    assert texts(read_sheet(b"alarm,note\na,b\n", "points.xlsx", Problems())) == [("alarm", "note"), ("a", "b")]


@pytest.mark.parametrize(
    ("headers", "guess"),
    [
        (
            ["Tag", "Register", "Max delay (s)"],
            {"alarm": "Tag", "address": "Register", "appears within": "Max delay (s)"},
        ),
        (["alarm", "Tag"], {}),
        (["Cable", "Room", "Panel door colour"], {}),
        (["Adress", "Behavior"], {"address": "Adress", "behaviour": "Behavior"}),
    ],
)
def test_guess(headers: list[str], guess: dict[str, str]) -> None:
    assert guess_columns(headers) == guess
