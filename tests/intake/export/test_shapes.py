"""Times as bare numbers, in columns of their own or across, and which of two columns of a unit is taken."""

from __future__ import annotations

import time
from datetime import datetime
from datetime import time as time_of_day
from pathlib import Path

import openpyxl
import pytest

from service.intake.export.model import Known
from service.intake.export.propose import propose
from service.intake.export.reshape import unfolded
from service.intake.export.rows import dates_in
from service.intake.export.tables import tables_of
from tests.intake.export.corpus import RECORD, SERIALS

KNOWN = Known.of_record(RECORD)


def _rows(folder: Path, lines: list[str]) -> list[list[str]]:
    path = folder / "export.csv"
    path.write_text("\n".join(lines))
    (table,) = tables_of(path)
    return list(unfolded(table).rows())


@pytest.mark.parametrize(
    ("heading", "cells", "read"),
    [
        ("hhmm", ["15", "915", "1000", "1015", "1030", "1045"], ["00:15:00", "09:15:00", "10:00:00"]),
        (
            "Time",
            ["0", "91500", "100000", "101500", "103000", "104500"],
            ["00:00:00", "09:15:00", "10:00:00"],
        ),
        (
            "Time",
            ["000015", "000030", "000045", "000100", "000115", "000130"],
            ["00:00:15", "00:00:30", "00:00:45"],
        ),
        ("Stunde", ["1", "2", "3", "4", "5", "24"], ["01:00:00", "02:00:00", "03:00:00"]),
        ("Ora", ["0.15", "9.15", "10.00", "10.15", "10.30", "10.45"], ["0:15", "9:15", "10:00"]),
        ("count", ["15", "915", "1000", "1015", "1030", "1045"], ["15", "915", "1000"]),
        ("Time", ["15", "975", "1000", "1015", "1030", "1045"], ["15", "975", "1000"]),
    ],
)
def test_numbers_beside_dates_are_clock_times_only_if_all_can_be(
    heading: str, cells: list[str], read: list[str], tmp_path: Path
) -> None:
    rows = _rows(tmp_path, [f"Date,{heading},{SERIALS[0]}", *(f"2026-06-14,{c},7" for c in cells)])
    assert [row[1] for row in rows[1:4]] == read


@pytest.mark.parametrize(
    ("text", "dates"),
    [
        ("Production du 15/04/2026", ["15/04/2026"]),
        ("18-05-2026", ["18-05-2026"]),
        ("book.xlsx/18 maggio 2026", ["18 maggio 2026"]),
        ("Energ\u00eda del 18 de mayo de 2026 [Wh]", ["18 de mayo de 2026"]),
        ("Report of May 18th, 2026", ["May 18th, 2026"]),
        ("2026\u5e745\u670818\u65e5 [Wh]", ["2026\u5e745\u670818\u65e5"]),
        ("from 2026-05-18 to 2026-05-19", ["2026-05-18", "2026-05-19"]),
        ("2026/05/18, 20260519", ["2026/05/18", "20260519"]),
        ("12 units of 2026, 31-02-2026, 1.2-2026, 123/04/2026", []),
    ],
)
def test_date_is_found_within_a_text(text: str, dates: list[str]) -> None:
    assert dates_in(text) == dates


def test_sheet_is_of_the_day_in_its_name(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for day in ("14-06-2026", "15 giugno 2026"):
        sheet = book.create_sheet(day)
        for row in (["Inizio", SERIALS[0]], *([time_of_day(hour), hour] for hour in range(9, 17))):
            sheet.append(row)
    book.save(tmp_path / "made 2026-07-01.xlsx")
    tables = tables_of(tmp_path / "made 2026-07-01.xlsx")
    days = [{row[0] for row in unfolded(table).rows()} - {"Date"} for table in tables]
    assert days == [{"14-06-2026"}, {"15 giugno 2026"}]


@pytest.mark.parametrize(
    "above", [["Day;17.06.2026", "Exported;18.06.2026"], ["Exported;18.06.2026", "Day;17.06.2026"]]
)
def test_date_on_which_a_file_was_made_is_not_that_of_its_readings(above: list[str], tmp_path: Path) -> None:
    lines = [*above, f"Time;{SERIALS[0]}", *(f"{hour:02}:00;1" for hour in range(9, 17))]
    dates = {row[0] for row in _rows(tmp_path, lines) if "09:00" in row}
    assert dates == {"17.06.2026"}


def test_rows_that_begin_with_their_unit_are_no_headings_of_blocks(tmp_path: Path) -> None:
    lines = ["Zona horaria: UTC", "", "Serie,Fin del intervalo,Energía (kWh)"]
    units = ("2D4D3E0682", "A89C7D302E", "EA10352004")
    lines += [f"{unit},16/12/2025 {hour:02}:00,0.1" for hour in range(9, 16) for unit in units]
    rows = _rows(tmp_path, lines)
    assert [row for row in rows if row] == [line.split(",") for line in lines if line]


def test_only_the_midnight_that_ends_a_day_is_written_as_its_end(tmp_path: Path) -> None:
    def clocks(hours: list[int]) -> list[str]:
        rows = _rows(tmp_path, ["Date: 2026-06-14", f"Time,{SERIALS[0]}", *(f"{h:02}:00,1" for h in hours)])
        return [row[1] for row in rows if row[0] == "2026-06-14"]

    assert clocks([*range(1, 24), 0])[-2:] == ["23:00", "24:00"]
    assert clocks([*range(24)])[0] == "00:00"
    assert clocks([*range(23, -1, -1)])[-2:] == ["01:00", "00:00"]


def test_numbers_that_run_on_over_days_are_no_times_of_a_day(tmp_path: Path) -> None:
    days = [f"2026-06-{14 + number // 96},{number + 1},7" for number in range(288)]
    rows = _rows(tmp_path, [f"Date,No.,{SERIALS[0]}", *days])
    assert [row[1] for row in rows[1:]] == [str(number + 1) for number in range(288)]


@pytest.mark.parametrize(
    "above", ["Exported 2026-06-14 08:00", "", "From 2026-06-14 08:00,to 2026-06-15 08:00"]
)
def test_what_has_gone_by_is_no_time_without_its_one_start(above: str, tmp_path: Path) -> None:
    lines = [
        above,
        f"elapsed,{SERIALS[0]}",
        *(f"{minute // 60}:{minute % 60:02},1" for minute in range(0, 600, 15)),
    ]
    assert [row[0] for row in _rows(tmp_path, lines)[2:4]] == ["0:00", "0:15"]


def test_year_month_day_and_hour_in_columns_become_one_time(tmp_path: Path) -> None:
    rows = _rows(tmp_path, ["Jahr;Monat;Tag;Stunde;Minute;Wh", "2026;6;4;9;5;1.5", "2026;6;4;9;10;x"])
    assert rows == [["Time", "Wh"], ["2026-06-04 09:05", "1.5"], ["2026-06-04 09:10", "x"]]


@pytest.mark.parametrize("begin", [0, 1])
def test_hours_in_the_heading_become_rows(begin: int, tmp_path: Path) -> None:
    hours = list(range(begin, begin + 24))
    lines = [["Serial", "Date", *hours], *([SERIALS[0], f"2026-06-1{day}", *hours] for day in (4, 5))]
    rows = _rows(tmp_path, [",".join(map(str, line)) for line in lines])
    assert len(rows) == 49
    assert rows[8] == ["2026-06-14", f"{begin + 7:02}:00", SERIALS[0], str(begin + 7)]


def test_counter_of_large_steps_gives_way_to_the_power_beside_it(tmp_path: Path) -> None:
    def proposal(step: float) -> list[str]:
        lines = [f"Time,{SERIALS[0]} Power (kW),{SERIALS[0]} Total (kWh)"]
        for i in range(300):
            made = 0.012 * i
            lines.append(
                f"2026-06-{14 + i // 144} {i // 6 % 24:02}:{i % 6}0,{0.07 + i % 7 / 1000},{made // step * step:.3f}"
            )
        (tmp_path / "x.csv").write_text("\n".join(lines))
        (table,) = tables_of(tmp_path / "x.csv")
        return list(propose(table, KNOWN, {}).guesses["units"].value)

    assert proposal(0.1) == [f"{SERIALS[0]} Power (kW)"]
    assert proposal(0.001) == [f"{SERIALS[0]} Total (kWh)"]


def test_long_cells_full_of_blanks_cost_no_time(tmp_path: Path) -> None:
    blank = "1" + " " * 60_000
    before = time.process_time()
    rows = _rows(tmp_path, [f"Time,{SERIALS[0]} Wh", *(f"2026-06-14 10:0{i},{blank}x" for i in range(5))])
    assert len(rows) == 6
    assert time.process_time() - before < 2


def test_offset_after_times_is_no_end_of_an_interval(tmp_path: Path) -> None:
    lines = ["Time,Wh", *(f"2026-06-14 {8 + i // 4:02}:{15 * (i % 4):02}-05:00,1" for i in range(12))]
    assert _rows(tmp_path, lines)[1][0] == "2026-06-14 08:00-05:00"
    lines = ["Time,Wh", *(f"2026-06-14 08:{5 * i:02}-08:{5 * i + 5:02},1" for i in range(11))]
    assert _rows(tmp_path, lines)[:2] == [["Time (start)", "Wh"], ["2026-06-14 08:00", "1"]]


def test_dates_of_a_workbook_in_the_first_row_of_their_day_hold_for_the_others(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.worksheets[0]
    sheet.append(["Date", "Time", f"{SERIALS[0]} Wh"])
    for i in range(12):
        sheet.append([datetime(2026, 6, 14) if i == 0 else None, time_of_day(10 + i // 4, 15 * (i % 4)), 5.5])  # noqa: DTZ001
    path = tmp_path / "merged.xlsx"
    book.save(path)
    proposal = propose(unfolded(tables_of(path)[0]), KNOWN, {})
    assert proposal.refused is None
