"""Tables as files: numbers and dates are such, and nothing that people typed becomes a formula."""

from __future__ import annotations

import csv
from datetime import date, datetime, time
from io import BytesIO, StringIO
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from openpyxl import load_workbook

from service.report import sheets
from service.report.sheets import Column, Table, csv_lines, xlsx

COLUMNS = (Column("Unit", width=20), Column("Measured [Wh]", "0.0"), Column("Day"), Column("At"))
MOMENT = datetime(2026, 5, 4, 11, 40, tzinfo=ZoneInfo("Europe/London"))
ROW = ("60418820004", 1234.5, date(2026, 5, 4), MOMENT)
# What OWASP's page "CSV Injection" lists as the first characters of what a spreadsheet takes for a formula.
FORMULAS = ["=1+1", "+1", "-1", "@SUM(A1)", "\tx", "\rx", '=HYPERLINK("http://a")']


def table(*rows: tuple[Any, ...]) -> Table:
    return Table("Kiln: Cottage/2", COLUMNS, iter(rows))


def read_csv(made: Table) -> list[list[str]]:
    text = "".join(csv_lines(made))
    assert text.startswith("\ufeff")
    return list(csv.reader(StringIO(text[1:], newline="")))


def read_xlsx(made: Table) -> Any:
    return load_workbook(BytesIO(xlsx(made))).worksheets[0]


def test_csv_holds_headings_numbers_and_iso_dates() -> None:
    assert read_csv(table(ROW, ("a", None, None, None))) == [
        ["Unit", "Measured [Wh]", "Day", "At"],
        ["60418820004", "1234.5", "2026-05-04", "2026-05-04 11:40"],
        ["a", "", "", ""],
    ]


def test_xlsx_holds_numbers_and_dates_under_fixed_headings() -> None:
    sheet = read_xlsx(table(ROW))
    assert sheet.title == "Kiln  Cottage 2"
    assert sheet.freeze_panes == "A2"
    assert [cell.value for cell in sheet[1]] == ["Unit", "Measured [Wh]", "Day", "At"]
    serial, measured, day, moment = sheet[2]
    assert (serial.value, serial.data_type) == ("60418820004", "s"), "a serial is no number"
    assert (measured.value, measured.data_type, measured.number_format) == (1234.5, "n", "0.0")
    assert (day.value, day.is_date) == (datetime.combine(date(2026, 5, 4), time()), True)
    assert (moment.value, moment.is_date) == (MOMENT.replace(tzinfo=None), True)


@pytest.mark.parametrize("typed", FORMULAS)
def test_what_looks_like_a_formula_stays_text(typed: str) -> None:
    ((written, *_rest),) = read_csv(table((typed, 1, None, None)))[1:]
    assert written == f"'{typed}"
    cell = read_xlsx(table((typed, 1, None, None)))["A2"]
    assert cell.data_type == "s"
    assert cell.quotePrefix
    assert cell.value.strip() == typed.replace("\r", "\n").strip()


def test_a_negative_number_is_no_formula() -> None:
    assert read_csv(table(("a", -1.5, None, None)))[1][1] == "-1.5"
    assert read_xlsx(table(("a", -1.5, None, None)))["B2"].value == -1.5


def test_quotes_commas_and_lines_come_back_as_they_were() -> None:
    typed = 'a "b", c;\nd'
    assert read_csv(table((typed, 1, None, None)))[1][0] == typed
    assert read_xlsx(table((typed, 1, None, None)))["A2"].value == typed


def test_what_xml_cannot_write_is_replaced() -> None:
    assert read_xlsx(table(("a\x00b\x1f", 1, None, None)))["A2"].value == "a\ufffdb\ufffd"


def test_csv_comes_in_parts_and_reads_rows_as_it_goes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sheets, "LINES_AT_ONCE", 2)
    read = []
    rows = ((read.append(number), (f"u{number}", number, None, None))[1] for number in range(5))
    parts = csv_lines(Table("x", COLUMNS, rows))
    first = next(parts)
    assert read == [0, 1]
    assert len(list(csv.reader(StringIO("".join([first, *parts]))))) == 6


@pytest.mark.parametrize("name", ["", "[]", "x" * 60, "'quoted'"])
def test_any_name_makes_a_sheet(name: str) -> None:
    made = read_xlsx(Table(name, COLUMNS, [ROW]))
    assert 1 <= len(made.title) <= sheets.LONGEST_NAME
