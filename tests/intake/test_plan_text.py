"""Tables and rectangles as spreadsheets give them: understood whatever their order, separator and language."""

from __future__ import annotations

import csv
import io
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.intake.plan import Kinds, differences
from service.intake.plan_text import (
    COLUMNS,
    Understood,
    as_csv,
    decoded,
    problems_of,
    rectangle_onto,
    table_onto,
    understood,
)
from service.intake.problems import Refused
from service.intake.record import as_stored, read_begun, read_record
from tests.intake.corrections import two_roofs
from tests.intake.roof import SERIALS, record

NEW = Kinds("module", "inverter")
A, B, C = SERIALS


def stored() -> dict[str, Any]:
    return as_stored(read_record(record()))


def onto(before: dict[str, Any], text: str, *, whole: bool = False) -> dict[str, Any]:
    table = understood(text)
    assert table.problems == ()
    meant = table_onto(before, table, NEW, whole=whole)
    assert meant.problems == ()
    return as_stored(read_begun(meant.record))


def seen(before: dict[str, Any], text: str, *, whole: bool = False) -> dict[str, Any]:
    rows = understood(text)
    assert rows.problems == ()
    return as_stored(read_begun(rectangle_onto(before, rows, "south roof", NEW, whole=whole).record))


def places(data: dict[str, Any]) -> dict[str, tuple[int | None, int | None]]:
    return {u["serial"]: (u["row"], u["column"]) for u in data["units"]}


@pytest.mark.parametrize("between", ["\t", ";", ","])
@pytest.mark.parametrize(
    "header",
    [
        ["Seriennummer", "Dachfläche", "Reihe", "Spalte", "Stromkreis"],
        ["Serial no.", "Roof plane", "ROW", "col", "branch circuit"],
    ],
)
def test_a_table_is_understood_in_either_language(between: str, header: list[str]) -> None:
    lines = [header, ["x1", "south roof", "2", "1", "B"], ["x2", "south roof", "2", "2", ""]]
    after = onto(stored(), "\r\n".join(between.join(line) for line in lines) + "\r\n")
    assert [(u["serial"], u["row"], u["column"], u["branch"]) for u in after["units"][3:]] == [
        ("x1", 2, 1, "B"),
        ("x2", 2, 2, None),
    ]
    assert [b["name"] for b in after["branches"]] == ["A", "B"]


def test_columns_come_in_any_order_and_unknown_ones_are_named() -> None:
    text = "column,note,serial,row\n2,dusty,x1,3\n"
    assert understood(text).ignored == ("note",)
    assert places(onto(stored(), text))["x1"] == (3, 2)


def test_a_table_changes_moves_and_leaves_the_rest() -> None:
    before = stored()
    after = onto(before, f"serial,row,column\n{A},2,1\nx,1,2\n")
    told = [(one.kind, one.serial) for one in differences(before, after).units]
    assert told == [("moved", A), ("renamed", "x")]
    assert after["units"][0]["branch"] == "A"


def test_a_whole_table_removes_who_is_not_in_it() -> None:
    after = onto(stored(), f"serial,row,column\n{B},1,1\n", whole=True)
    assert places(after) == {B: (1, 1)}


def test_dates_and_counts_as_a_spreadsheet_writes_them() -> None:
    after = onto(stored(), f"serial;row;bis;modules\n{A};1.0;4.6.2026;\n")
    assert (after["units"][0]["row"], after["units"][0]["until"]) == (1, "2026-06-04")
    assert after["units"][0]["module_count"] == 1


def test_a_rectangle_is_the_plane_as_it_is_seen() -> None:
    after = seen(stored(), f"{B}\t\t{A}\n\nx1\t\tx2\n")
    assert places(after) == {A: (1, 3), B: (1, 1), "x1": (3, 1), "x2": (3, 3)}


def test_a_rectangle_leaves_cells_beyond_it_unless_it_is_the_whole() -> None:
    assert places(seen(stored(), "x1")) == {"x1": (1, 1), B: (1, 2), C: (1, 3)}
    assert places(seen(stored(), "x1", whole=True)) == {"x1": (1, 1)}


@pytest.mark.parametrize(
    ("text", "line", "column", "kind"),
    [
        ("", 0, "", "empty"),
        ("row,column\n1,1\n", 1, "serial", "missing"),
        ("serial,sn\na,b\n", 1, "serial", "twice"),
        ("serial,row\nx,one\n", 2, "row", "whole"),
        ("serial,row\n,1\n", 2, "serial", "empty_serial"),
        ("serial,row\nx,1,2\n", 2, "3", "wide"),
        ("serial,row\nx,1\ny,2\nx,3\n", 4, "serial", "twin"),
        ("x\ty\nz\tx\n", 2, "serial", "twin"),
        ("serial\n4.82913E+11\n", 2, "serial", "rounded"),
        ("a\t4,82913E+11\n", 1, "2", "rounded"),
        ('serial,row\n"x,1\n', 0, "", "quotes"),
    ],
)
def test_what_is_wrong_is_said_by_line_and_column(text: str, line: int, column: str, kind: str) -> None:
    assert [(p.line, p.column, p.kind) for p in understood(text).problems] == [(line, column, kind)]


def test_a_table_that_does_not_fit_the_record_says_in_which_line() -> None:
    table = understood("serial,plane,row\nx,south roof,1\ny,west roof,1\n")
    meant = table_onto(stored(), table, NEW, whole=False)
    with pytest.raises(Refused) as refused:
        read_begun(meant.record)
    found = problems_of(refused.value, meant.lines)
    assert [(p.line, p.column) for p in found] == [(3, "plane")]


def test_a_table_without_planes_needs_a_roof_with_only_one() -> None:
    meant = table_onto(two_roofs(), understood("serial,row\nx,1\n"), NEW, whole=False)
    assert [(p.line, p.kind) for p in meant.problems] == [(2, "no_plane")]


def test_files_are_read_as_spreadsheets_save_them() -> None:
    text = "Seriennummer;Dachfläche\nx;Süd\n"
    for encoding in ("utf-8", "utf-8-sig", "utf-16", "cp1252"):
        assert decoded(text.encode(encoding)).removeprefix("\ufeff") == text


NAMES = st.text(st.characters(codec="utf-8"), min_size=1, max_size=12).map(str.strip).filter(
    lambda text: bool(text) and text.isprintable()
) | st.sampled_from(["=1+1", "'=x", "''@y", "-5", "'", '"', 'a"b,c;d', "serial", "+49", "'a"])


@given(st.lists(NAMES, min_size=1, max_size=6, unique=True), NAMES, NAMES)
def test_a_written_table_reads_back_exactly(serials: list[str], plane: str, branch: str) -> None:
    data = {**record(), "branches": [{"name": branch}]}
    data["planes"] = [
        {**data["planes"][0], "name": plane},
        {"name": plane + "2", "tilt_deg": 3, "azimuth_deg": 4},
    ]
    data["units"] = [
        {**data["units"][0], "serial": s, "plane": plane, "row": i, "branch": branch if i % 2 else None}
        for i, s in enumerate(serials, start=1)
    ]
    data["units"][0] |= {"from": "2026-05-05", "until": "2026-06-05", "row": None}
    before = as_stored(read_record(data))
    assert onto(before, as_csv(before), whole=True) == before
    assert onto({**before, "units": []}, as_csv(before), whole=True) == before


@given(st.lists(NAMES, min_size=1, max_size=6, unique=True))
def test_no_cell_of_a_written_table_is_a_formula(serials: list[str]) -> None:
    data = record()
    data["units"] = [{**data["units"][0], "serial": s, "row": i} for i, s in enumerate(serials, start=1)]
    written = as_csv(as_stored(read_record(data)))
    cells = [cell for line in csv.reader(io.StringIO(written, newline="")) for cell in line]
    assert len(cells) == len(COLUMNS) * (len(serials) + 1)
    # OWASP, "CSV Injection": cells that begin with one of these are formulas.
    assert [cell for cell in cells if cell[:1] in tuple("=+-@\t\r")] == []


@given(st.text(max_size=200))
def test_no_text_breaks_the_reading(text: str) -> None:
    found = understood(text)
    assert isinstance(found, Understood)
    assert not (found.entries and found.rectangle)
