"""What looks like a time and is none, what names a unit without a serial, and rows that only belong together."""

from __future__ import annotations

import zipfile
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from service.intake.export.cells import decimal_of, number
from service.intake.export.layout import kind_of
from service.intake.export.model import Known
from service.intake.export.naming import Names
from service.intake.export.reshape import unfolded
from service.intake.export.survey import Trace
from service.intake.export.tables import tables_of
from service.intake.export.times import parse
from service.intake.export.zones import Light, naive_zone
from tests.intake.export import written
from tests.intake.export.corpus import SERIALS, Make
from tests.intake.export.judged import judged, known_of, proposals

LIKE_SECONDS = ("1745209130", "1745209140", "1745209250")
"""As seconds since 1970 they are the same minutes of April 2025."""

SIGNED = ("6711-1403-1", "6711-1405-3", "6711-1407-5")
HOUR_S = 3600


def _rows(folder: Path, lines: list[str], name: str = "export.csv") -> list[list[str]]:
    (folder / name).write_text("\n".join(lines))
    (table,) = tables_of(folder / name)
    return [row for row in unfolded(table).rows() if any(row)]


# Serials of ten digits


@pytest.mark.parametrize(
    "make",
    [
        Make("ten_digits_wide", heading="{serial}", units_row="Wh"),
        Make("ten_digits_rows", shape="long"),
        Make("ten_digits_first", shape="long", serial_first=True),
        Make("ten_digits_shuffled", shape="long", shuffled=True),
        Make("ten_digits_sheets", kind="xlsx", shape="sheets"),
    ],
    ids=lambda make: make.name,
)
def test_serials_that_could_be_seconds_since_1970_are_serials(make: Make, tmp_path: Path) -> None:
    make = replace(make, serials=LIKE_SECONDS)
    found = judged(*(written.write(make, tmp_path)[0], make, written.truth_of(make)))
    assert (found.wrong, found.asked - {"label"}, found.rejected) == (None, frozenset(), 0)


def test_word_before_seconds_is_no_weekday() -> None:
    assert kind_of("1745209130") == "datetime"
    assert [kind_of(f"{word} 1745209130") for word in ("Modul", "Module", "Panel")] == [None, None, None]
    assert kind_of("Mo 04.05.2026 10:15") == "datetime"


def test_row_of_serials_above_values_is_no_row_of_times(tmp_path: Path) -> None:
    serials = [str(1_745_209_130 + 11 * i) for i in range(8)]
    lines = [
        ",".join(["Time", *serials]),
        *(f"2026-06-14 {h:02}:00,{','.join('1' * 8)}" for h in range(6, 20)),
    ]
    assert _rows(tmp_path, lines) == [line.split(",") for line in lines]


def test_list_of_such_serials_above_a_table_is_no_table(tmp_path: Path) -> None:
    lines = [f"String A-{i},{serial}" for i, serial in enumerate(LIKE_SECONDS)]
    lines += ["", "Time,String A-0,String A-1,String A-2"]
    lines += [f"14.6.2026 {h}:00,{h},{h + 1},{h + 2}" for h in range(9, 17)]
    assert _rows(tmp_path, lines) == [line.split(",") for line in lines if line]


# Names


@pytest.mark.parametrize(
    ("text", "serial"),
    [
        ("1403-1", SIGNED[0]),
        ("… 405-3 (W)", SIGNED[1]),
        ("3-1", None),
        ("1404-1", None),
        ("14031", SIGNED[0]),
    ],
)
def test_end_of_a_serial_is_known_with_its_signs(text: str, serial: str | None) -> None:
    meant = Names(Known(SIGNED, "UTC", 350.0, 0.0, 0.0)).meant(text)
    assert (meant and meant.serial) == serial


@pytest.mark.parametrize("heading", ["Panneau", "パネル", "", "Wo"])
def test_rows_are_told_apart_by_names_under_any_heading(heading: str, tmp_path: Path) -> None:
    """A person is asked whom they mean; energies of one time are never taken for those of one unit."""
    lines = [f"Time,{heading},Energy (Wh)"]
    lines += [f"2026-06-14 {h:02}:00,{n}-1,{h + n / 10}" for h in range(6, 20) for n in (92, 93, 94)]
    (tmp_path / "export.csv").write_text("\n".join(lines))
    ((_, proposal),) = proposals(tmp_path / "export.csv", known_of(Make("plain")), {})
    (asked,) = [q for q in proposal.questions if q.key == "units"]
    assert [part.name for part in asked.parts] == ["92-1", "93-1", "94-1"]


def test_column_of_units_of_measure_names_no_unit(tmp_path: Path) -> None:
    lines = [f"Time,unit,{','.join(SERIALS)}"]
    lines += [f"2026-06-14 {h:02}:00,Wh,{h},{h + 1},{h + 2}" for h in range(6, 20)]
    (tmp_path / "export.csv").write_text("\n".join(lines))
    ((_, proposal),) = proposals(tmp_path / "export.csv", known_of(Make("plain")), {})
    assert proposal.recipe is not None, proposal.refused
    assert [column.serial for column in proposal.recipe.columns] == list(SERIALS)


def test_sum_of_a_row_names_no_unit(tmp_path: Path) -> None:
    lines = [f"Time,{SERIALS[0]} Wh,{SERIALS[1]} Wh,All modules"]
    lines += [
        f"2026-06-14 {h:02}:{m:02},0.5,{h % 3}.25,{h % 3}.75" for h in range(24) for m in (0, 15, 30, 45)
    ]
    (tmp_path / "export.csv").write_text("\n".join(lines))
    ((_, proposal),) = proposals(tmp_path / "export.csv", known_of(Make("plain")), {})
    assert proposal.recipe is not None, proposal.refused
    assert [column.serial for column in proposal.recipe.columns] == list(SERIALS[:2])


# Cells


def test_decimal_comma_is_seen_before_an_exponent() -> None:
    assert decimal_of(["0,000000000E+00", "1,250000000E-01", "2,5e3"])[0] == ","
    assert decimal_of(["0.000000000E+00", "1.250000000E-01"])[0] == "."
    assert number("1,25E+01", ",") == 12.5


@pytest.mark.parametrize("text", ["2569-05-04 10:15", "04/05/2569 10:15", "4 May 2569 10:15"])
def test_years_of_the_buddhist_era_are_543_ahead(text: str) -> None:
    assert parse(text, "dmy") == parse("2026-05-04 10:15", "ymd")


# Shapes


def test_channels_are_told_by_the_units_of_measure_that_they_go_with(tmp_path: Path) -> None:
    lines = ["channel;unit_of_measure;interval_start;device;reading"]
    for h in range(6, 20):
        for serial in SERIALS[:2]:
            told = (f"2026-06-14 {h:02}:00", serial)
            lines += [
                ";".join(("yield", "Wh", *told, str(h))),
                ";".join(("grid_voltage", "V", *told, "231.5")),
            ]
    rows = _rows(tmp_path, lines)
    assert rows[0] == ["interval_start", "device", "yield (Wh)", "grid voltage (V)"]
    assert rows[1:3] == [["2026-06-14 06:00", serial, "6", "231.5"] for serial in SERIALS[:2]]


def test_days_down_and_hours_across_of_each_unit_below_a_title_with_a_date(tmp_path: Path) -> None:
    hours = ",".join(f"{h:02}:00" for h in range(24))
    lines = ["Report 2026-06-14", "Power (W)"]
    for n in range(8):
        lines += [f"Module 48291337700{n}", f"Day,{hours}"]
        lines += [f"{day}.06.2026,{','.join(str(n + h) for h in range(24))}" for day in (14, 15)] + [""]
    rows = [row for row in _rows(tmp_path, lines) if row[0].endswith(".2026")]
    assert len(rows) == 8 * 2 * 24
    assert {"14.06.2026", "05:00", "Module 482913377003", "8"} <= set(rows[3 * 48 + 5])


def test_blocks_with_times_of_their_own_side_by_side_go_one_below_the_other(tmp_path: Path) -> None:
    heading = f"Time;{SERIALS[0]};{SERIALS[1]}"
    lines = [f"{heading};;{heading}"]
    lines += [f"14.06.2026 {h:02}:00;{h};{h + 1};;15.06.2026 {h:02}:00;{h + 2};{h + 3}" for h in range(9, 17)]
    rows = _rows(tmp_path, lines)
    assert rows[0] == heading.split(";")
    assert [row[0] for row in rows[1:]] == [f"{d}.06.2026 {h:02}:00" for d in (14, 15) for h in range(9, 17)]
    assert rows[9] == ["15.06.2026 09:00", "11", "12"]


def test_units_with_times_of_their_own_are_no_blocks_side_by_side(tmp_path: Path) -> None:
    lines = [f"Time;{SERIALS[0]};Time;{SERIALS[1]}"]
    lines += [f"14.06.2026 {h:02}:00;{h};14.06.2026 {h:02}:00;{h + 1}" for h in range(9, 17)]
    assert _rows(tmp_path, lines) == [line.split(";") for line in lines]


def _day(step: int, *, bare: tuple[int, ...]) -> list[str]:
    clocks = [(d, m) for d in (14, 15) for m in range(0, 1440, step)]
    return [f"{d}/06/2026" + ("" if m in bare else f" {m // 60:02}:{m % 60:02}") for d, m in clocks]


@pytest.mark.parametrize("step", [15, 60])
@pytest.mark.parametrize("turned", [1, -1])
def test_date_where_the_others_have_their_time_is_its_midnight(
    step: int, turned: int, tmp_path: Path
) -> None:
    lines = [f"Time,{SERIALS[0]}", *(f"{cell},1" for cell in _day(step, bare=(0,))[::turned])]
    rows = _rows(tmp_path, lines)
    assert {row[0] for row in rows[1:] if row[0].endswith(" 00:00")} == {
        "14/06/2026 00:00",
        "15/06/2026 00:00",
    }


@pytest.mark.parametrize("bare", [(12 * 60,), ()])
def test_date_elsewhere_is_no_midnight(bare: tuple[int, ...], tmp_path: Path) -> None:
    lines = [f"Time,{SERIALS[0]}", *(f"{cell},1" for cell in _day(60, bare=bare)), "15/06/2026,24"]
    assert _rows(tmp_path, lines) == [line.split(",") for line in lines]


# Tables together, and the clock


def test_last_file_of_a_counter_with_one_reading_takes_its_interval_from_the_others(tmp_path: Path) -> None:
    make = Make("counter_days", quantity="counter_kwh", heading="{serial} (kWh)", label="end")
    path, _ = written.write(make, tmp_path)
    heading, *lines = path.read_text().splitlines()
    archive = tmp_path / "days.zip"
    with zipfile.ZipFile(archive, "w") as packed:
        for day in dict.fromkeys(line[:10] for line in lines):
            own = [line for line in lines if line.startswith(day)]
            packed.writestr(f"{day}.csv", "\n".join([heading, *own]))
    found = proposals(archive, known_of(make), {})
    assert len(found) == 4
    assert [q.key for _, p in found for q in p.questions] == []
    assert [p.recipe.interval_min for _, p in found if p.recipe] == [15] * 4


def test_table_of_no_interval_does_not_take_that_of_another(tmp_path: Path) -> None:
    def lines(day: int, minutes: list[int]) -> str:
        values = (f"2026-06-{day} {m // 60:02}:{m % 60:02},{abs(12 - m / 60):.1f}" for m in minutes)
        return "\n".join([f"Time (UTC),{SERIALS[0]} [Wh]", *values])

    with zipfile.ZipFile(tmp_path / "both.zip", "w") as packed:
        packed.writestr("a.csv", lines(14, list(range(0, 1440, 15))))
        packed.writestr("b.csv", lines(15, [m + 7 * (m % 4) for m in range(0, 1400, 13)]))
    asked = {
        t.name: [q.key for q in p.questions]
        for t, p in proposals(tmp_path / "both.zip", known_of(Make("a")), {})
    }
    assert "interval_min" in asked["both.zip/b.csv"]
    assert "interval_min" not in asked["both.zip/a.csv"]


def _autumn(hours: list[int]) -> Light:
    """Return hourly labels of three days around 5 April 2026 in Adelaide, where 2:00 comes twice, with light by day."""
    start = int(datetime(2026, 4, 4, tzinfo=UTC).timestamp())
    naive = start + HOUR_S * np.array(hours)
    of_day = naive // HOUR_S % 24
    begin = np.where(naive < start + 26 * HOUR_S, 8, 7)
    power = np.maximum(0, 25 - (of_day - begin - 5) ** 2).astype(np.float64)
    trace = {SERIALS[0]: Trace(naive, power)}
    known = Known(SERIALS[:1], "Australia/Adelaide", 350.0, 138.6, -34.9)
    return Light(trace, trace, known, (30.0,), (trace[SERIALS[0]],), 30.0)


ALL_HOURS = [*range(27), 26, *range(27, 72)]


@pytest.mark.parametrize(
    ("hours", "keeps"),
    [
        (ALL_HOURS, True),
        ([*range(72)], False),
        ([h for h in range(72) if not 27 <= h < 30], True),
        ([h for h in range(72) if not 24 <= h < 26], True),
    ],
    ids=["twice", "once", "gap_behind", "gap_before"],
)
def test_hour_that_may_be_in_a_gap_is_not_missed(hours: list[int], keeps: bool) -> None:
    assert _autumn(hours).keeps_changes("Australia/Adelaide") is keeps


def test_zone_with_light_in_the_middle_of_its_day_goes_before_one_that_the_night_leaves_too() -> None:
    guess, _ = naive_zone(_autumn([h for h in range(72) if not 27 <= h < 30]), "")
    assert guess.value == "Australia/Adelaide"


def test_table_without_a_day_tells_no_zone_from_another() -> None:
    light = Light({}, {}, Known(SERIALS, "Europe/Berlin", 350.0, 13.4, 52.5))
    assert not light.differ(["Europe/Berlin", "UTC"])
    assert light.pinned() is None
