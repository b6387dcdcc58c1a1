"""What is said around a table is taken where it says one thing only."""

from __future__ import annotations

import pytest

from service.intake.export.around import measure_around, prose, text_below, units_listed

SERIALS = ("482913377001", "482913377002")


@pytest.mark.parametrize(
    ("below", "name", "notes", "unit"),
    [
        ("Energy of each interval in Wh", "", "", "wh"),
        ("Total 12.5 kWh", "", "", None),
        ("", "energia_Wh_por_15min.csv", "", "wh"),
        ("", "power kW June.xlsx", "", "kw"),
        ("", "mean power W.csv", "", "w"),
        ("", "Haus W.csv", "", None),
        ("", "WH Lindenweg.csv", "", None),
        ("", "readings_2026_W23.csv", "", None),
        ("", "Wh and kWh.csv", "", None),
        ("", "", "All values in kWh", "kwh"),
        ("Energy in Wh", "power_kW.csv", "All values in kWh", "wh"),
    ],
)
def test_unit_of_measure_is_said_around_a_table(below: str, name: str, notes: str, unit: str | None) -> None:
    found = measure_around([["2026-06-14 10:00", "1"], [below]], ("", name), notes)
    assert (found.unit if found else None) == unit


def test_table_beside_is_no_note() -> None:
    note, table = [["Energy of each interval in Wh"], ["Times are UTC"]], [["Unit", "kWh"], ["1", "12.5"]]
    assert prose([note]) == prose([table, note]) == "Energy of each interval in Wh\nTimes are UTC"
    assert prose([table]) == ""


def test_when_a_file_was_made_is_not_said_of_its_readings() -> None:
    tail = [["2026-06-14 10:00", "1"], ["Exported at 08:00 UTC"], ["Each time is", "an end"]]
    assert text_below(tail) == "Each time is an end"


@pytest.mark.parametrize(
    ("rows", "named"),
    [
        ([[f"U1 = {SERIALS[0]}"], [f"U2: {SERIALS[1]}"]], ["U1", "U2"]),
        ([["Panel", "Serial"], ["Panel 1", SERIALS[0]], [SERIALS[1], "Panel 2"]], ["Panel 1", "Panel 2"]),
        ([["Units", f"U1 = {SERIALS[0]}", f"U2 = {SERIALS[1]}"]], ["U1", "U2"]),
        ([["No.", "Serial", "W"], ["1", SERIALS[0], "350"], ["2", SERIALS[1], "350"]], ["No. 1", "No. 2"]),
        ([["", "U1", "U2"], ["Serial", *SERIALS[:2]]], ["U1", "U2"]),
        ([["Serial", *SERIALS[:2]], ["Start", "End", "U1", "U2"]], []),
        ([[f"Serial: {SERIALS[0]}"]], []),
        ([[f"Serial: {SERIALS[0]}"], [f"Serial: {SERIALS[1]}"]], []),
        ([["U1", SERIALS[0]], ["U2", SERIALS[0]]], []),
        ([["U1", "2026-06-14 10:00"], ["U2", "2026-06-14 10:15"]], []),
    ],
)
def test_list_of_units_names_each_once(rows: list[list[str]], named: list[str]) -> None:
    assert units_listed(rows, SERIALS) == dict(zip(named, SERIALS, strict=False))
