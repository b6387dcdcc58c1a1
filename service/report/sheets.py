"""Tables as files: CSV for programs, XLSX for people with a spreadsheet. Numbers are numbers and dates are dates.

What people typed stays text: a name that begins like a formula is not one to whoever opens the file.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator
from copy import copy
from dataclasses import dataclass
from datetime import date, datetime
from io import BytesIO, StringIO
from typing import Any
from zoneinfo import ZoneInfo

from openpyxl import Workbook
from openpyxl.cell import Cell, WriteOnlyCell
from openpyxl.styles import Font
from openpyxl.worksheet._write_only import WriteOnlyWorksheet

from service.report.language import gettext as _

Value = str | float | int | date | datetime | None
"""A moment is written as its own clock shows it: its zone stands in the heading."""

Row = tuple[Value, ...]

CSV_TYPE = "text/csv; charset=utf-8"
XLSX_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
"""A spreadsheet takes a text of a CSV file that begins so for a formula (OWASP, 'CSV Injection')."""

UNWRITABLE = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")
"""What XML 1.0 has no way of writing."""

RATIO, WHOLE, TENTH = "0.000", "0", "0.0"
"""How numbers are shown in a spreadsheet, which holds more of them."""

LONGEST_NAME = 31
"""Of a sheet, as spreadsheets allow."""

BYTE_ORDER_MARK = "\ufeff"
"""Tells a spreadsheet that the text is UTF-8."""

LINES_AT_ONCE = 500


@dataclass(frozen=True)
class Column:
    """A column: its heading with its unit, how a number is shown, and how wide it is, in letters."""

    title: str
    shown_as: str = "General"
    width: int = 14


@dataclass(frozen=True)
class Table:
    """A table with a name; the rows may come one by one and can be read once."""

    name: str
    columns: tuple[Column, ...]
    rows: Iterable[Row]


def rounded(value: float | None, decimals: int) -> float | None:
    """Return a figure without the digits that mean nothing; None stays None."""
    return None if value is None else round(value, decimals)


def in_zone(text: str, zone: ZoneInfo) -> str:
    """Return a heading of local times with the zone that they are told in."""
    return _("%(heading)s (%(zone)s time)") % {"heading": text, "zone": zone.key}


def csv_lines(table: Table) -> Iterator[str]:
    """Give the table as CSV (RFC 4180), some hundred lines at a time."""
    held = StringIO()
    write = csv.writer(held)
    held.write(BYTE_ORDER_MARK)
    write.writerow([_csv_value(column.title) for column in table.columns])
    for number, row in enumerate(table.rows):
        write.writerow([_csv_value(value) for value in row])
        if number % LINES_AT_ONCE == LINES_AT_ONCE - 1:
            yield _taken(held)
    yield _taken(held)


def xlsx(table: Table) -> bytes:
    """Return the table as a workbook of one sheet, its headings fixed above the rows."""
    book = Workbook(write_only=True)
    sheet = book.create_sheet(_sheet_name(table.name))
    sheet.freeze_panes = "A2"
    for number, column in enumerate(table.columns):
        sheet.column_dimensions[_letter(number)].width = column.width
    sheet.append([_heading(sheet, column.title) for column in table.columns])
    styled: dict[tuple[str, bool], Cell] = {}
    for row in table.rows:
        sheet.append([_cell(sheet, v, c, styled) for v, c in zip(row, table.columns, strict=True)])
    held = BytesIO()
    book.save(held)
    return held.getvalue()


def _taken(held: StringIO) -> str:
    text = held.getvalue()
    held.seek(0)
    held.truncate()
    return text


def _csv_value(value: Value) -> str | float | int:
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.replace(tzinfo=None).isoformat(" ", "minutes")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, str) and value.startswith(FORMULA_STARTS):
        return f"'{value}"
    return value


def _heading(sheet: WriteOnlyWorksheet, title: str) -> Cell:
    cell = _cell(sheet, title, Column(title), {})
    cell.font = Font(bold=True)
    return cell


def _cell(
    sheet: WriteOnlyWorksheet, value: Value, column: Column, styled: dict[tuple[str, bool], Cell]
) -> Cell:
    """Return a cell that holds the value until the next of the same look: giving a cell its look is what takes time."""
    is_like_formula = isinstance(value, str) and value.startswith(FORMULA_STARTS)
    look = _format(value, column), is_like_formula
    if look not in styled:
        styled[look] = WriteOnlyCell(sheet)
        styled[look].number_format = look[0]
        styled[look].quotePrefix = is_like_formula  # so it stays text when somebody edits the cell
    cell = copy(styled[look])
    cell.value = _written(value)
    if isinstance(value, str):
        cell.data_type = "s"  # openpyxl takes "=..." for a formula
    return cell


def _written(value: Value) -> Any:
    if isinstance(value, str):
        return UNWRITABLE.sub("\ufffd", value)
    return value.replace(tzinfo=None) if isinstance(value, datetime) else value


def _format(value: Value, column: Column) -> str:
    if isinstance(value, datetime):
        return "yyyy-mm-dd hh:mm"
    if isinstance(value, date):
        return "yyyy-mm-dd"
    return "General" if isinstance(value, str) else column.shown_as


def _sheet_name(name: str) -> str:
    return re.sub(r"[\[\]:*?/\\']", " ", UNWRITABLE.sub("", name))[:LONGEST_NAME].strip() or "1"


def _letter(number: int) -> str:
    return chr(ord("A") + number)
