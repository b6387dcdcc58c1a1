"""A workbook is opened once, and gives the same rows however often and in whatever order its sheets are read."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import islice, zip_longest
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from service.intake.export import workbook
from service.intake.export.tables import Table, tables_of
from service.intake.problems import Refused
from tests.intake.export import written
from tests.intake.export.corpus import Make
from tests.intake.export.judged import judged

ODD: list[list[Any]] = [
    ["Time", "a,b", 'say "so"'],
    [],
    [datetime(2026, 6, 14, 0, 15), 1.5, "two\nlines"],  # noqa: DTZ001 - a workbook's times have no zone
    [None, None, ";"],
    ["", 7, "one\rother"],
    ["\u65e5", True, "last"],
]
SHOWN = [
    ["Time", "a,b", 'say "so"'],
    [],
    ["2026-06-14 00:15:00", "1.5", "two\nlines"],
    ["", "", ";"],
    ["", "7", "one\nother"],
    ["\u65e5", "True", "last"],
]


def _book(folder: Path, rows: int) -> Path:
    book, path = openpyxl.Workbook(), folder / "book.xlsx"
    book.remove(book.worksheets[0])
    for title in ("one", "other"):
        sheet = book.create_sheet(title)
        for row in ODD:
            sheet.append(row)
        for i in range(rows):
            sheet.append([datetime(2026, 6, 14) + timedelta(minutes=i), i, title])  # noqa: DTZ001 - as above
    book.save(path)
    return path


def _rows(table: Table) -> list[list[str]]:
    return list(table.rows())


def test_sheets_are_read_as_they_are_again_and_again(tmp_path: Path) -> None:
    one, other = tables_of(_book(tmp_path, 12_000))
    assert next(one.rows()) == SHOWN[0]
    side_by_side = list(zip_longest(one.rows(), other.rows()))
    assert _rows(one) == [row for row, _ in side_by_side] == _rows(one)
    assert _rows(other) == [row for _, row in side_by_side]
    assert _rows(one)[: len(SHOWN)] == SHOWN
    assert len(_rows(other)) == 12_000 + len(SHOWN)
    assert _rows(other)[-1] == ["2026-06-22 07:59:00", "11999", "other"]


def test_workbook_of_many_sheets_is_opened_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened = []
    load = openpyxl.load_workbook
    monkeypatch.setattr(
        workbook.openpyxl, "load_workbook", lambda *a, **kw: opened.append(1) or load(*a, **kw)
    )
    make = Make("many", kind="xlsx", shape="sheets")
    path, truth = written.write(make, tmp_path)
    assert judged(path, make, truth).wrong is None
    assert len(opened) == 1


def test_damaged_sheet_says_so_each_time_after_the_rows_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def damaged(value: object) -> str:
        if value == 9000:
            raise KeyError(value)
        return str(value)

    monkeypatch.setattr(workbook, "cell_text", damaged)
    one, _ = tables_of(_book(tmp_path, 12_000))
    for _ in range(2):
        rows = one.rows()
        assert len(list(islice(rows, 5000))) == 5000
        with pytest.raises(Refused):
            next(rows)
