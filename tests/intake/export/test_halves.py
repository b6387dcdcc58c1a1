"""Hours from 1 to 12 twice a day: the order of the rows tells the halves, or the times are left unread."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest

from service.intake.export.reshape import unfolded
from service.intake.export.tables import tables_of
from tests.intake.export.corpus import SERIALS

BEGIN = datetime(2026, 6, 14)  # noqa: DTZ001 - a clock's time


def _read(folder: Path, times: list[datetime], form: str = "%m/%d/%Y %I:%M") -> list[str]:
    path = folder / "export.csv"
    path.write_text("\n".join([f"Time,{SERIALS[0]} (Wh)", *(f"{t:{form}},7" for t in times)]))
    (table,) = tables_of(path)
    return [row[0] for row in unfolded(table).rows()][1:]


def _times(begin_h: float, end_h: float) -> list[datetime]:
    steps = range(round(4 * begin_h), round(4 * end_h))
    return [BEGIN + timedelta(minutes=15 * i) for i in steps]


@pytest.mark.parametrize("order", [1, -1])
@pytest.mark.parametrize(("begin_h", "end_h"), [(0, 72), (13.5, 60), (3, 64.75), (12, 48)])
def test_halves_are_told_where_rows_go_on(begin_h: float, end_h: float, order: int, tmp_path: Path) -> None:
    times = _times(begin_h, end_h)[::order]
    assert _read(tmp_path, times) == [f"{t:%m/%d/%Y %H:%M}" for t in times]


def test_clock_that_is_put_back_begins_no_half(tmp_path: Path) -> None:
    times = [*_times(0, 3), *_times(2, 48)]
    assert _read(tmp_path, times) == [f"{t:%m/%d/%Y %H:%M}" for t in times]


def test_half_a_day_between_gaps_is_not_guessed(tmp_path: Path) -> None:
    times = [*_times(0, 24), *_times(31, 35), *_times(50, 72)]
    read = _read(tmp_path, times)
    assert read[96] == "06/15/2026 7:00 ?"
    assert all(cell.endswith(" ?") == (96 <= i < 112) for i, cell in enumerate(read))


def test_mornings_of_a_clock_of_24_hours_stay_as_they_are(tmp_path: Path) -> None:
    times = [t for day in (0, 24, 48) for t in _times(day + 4, day + 13)]
    assert _read(tmp_path, times, "%m/%d/%Y %H:%M") == [f"{t:%m/%d/%Y %H:%M}" for t in times]


def test_blocks_of_units_on_one_day_begin_anew(tmp_path: Path) -> None:
    times = _times(0, 24) * 3
    assert _read(tmp_path, times) == [f"{t:%m/%d/%Y %H:%M}" for t in times]
