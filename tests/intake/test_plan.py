"""The plan of a record and the record of a plan: who stays, moves, leaves; nothing else of it is touched."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from service.intake.plan import (
    Cell,
    Kinds,
    Plan,
    Spot,
    beside_the_plan,
    checked,
    differences,
    is_same,
    merged,
    numbers,
    plan_of,
    put,
    twins,
    with_plan,
)
from service.intake.problems import Refused
from service.intake.record import as_stored, read_begun, read_record
from tests.intake.corrections import two_roofs
from tests.intake.roof import SERIALS, record

NEW = Kinds("module", "inverter")
A, B, C = SERIALS
FIRST, SECOND, THIRD = (Spot("south roof", 1, column) for column in (1, 2, 3))


def stored(**fields: Any) -> dict[str, Any]:
    return as_stored(read_record({**record(), **fields}))


def saved(before: dict[str, Any], cells: dict[Spot, Cell]) -> dict[str, Any]:
    return checked(with_plan(before, replace(plan_of(before), cells=cells), NEW))


def unit(data: dict[str, Any], serial: str) -> dict[str, Any]:
    return next(u for u in data["units"] if u["serial"] == serial)


def kinds(before: dict[str, Any], after: dict[str, Any]) -> dict[str, list[str]]:
    told: dict[str, list[str]] = {}
    for one in differences(before, after).units:
        told.setdefault(one.kind, []).append(one.serial)
    return told


@pytest.mark.parametrize("before", [stored(), two_roofs()], ids=["one plane", "two planes"])
def test_a_plan_put_back_changes_nothing(before: dict[str, Any]) -> None:
    after = checked(with_plan(before, plan_of(before), NEW))
    assert after == before
    assert is_same(before, after)


def test_a_swap_exchanges_places_and_branches_and_nothing_else() -> None:
    before = two_roofs()
    there = Spot("east roof", 2, 5)
    after = saved(before, put(plan_of(before).cells, FIRST, there))
    assert plan_of(after).cells[there] == Cell(A, "B")
    assert plan_of(after).cells[FIRST] == Cell(C, "A")
    assert (unit(after, C)["from"], unit(after, C)["inverter_type"]) == ("2026-05-05", "large")
    assert kinds(before, after) == {"moved": [A, C]}


def test_a_unit_put_into_an_empty_cell_leaves_its_own_empty() -> None:
    before = stored()
    after = saved(before, put(plan_of(before).cells, FIRST, Spot("south roof", 2, 1)))
    assert spots(after) == {A: (2, 1), B: (1, 2), C: (1, 3)}
    assert unit(after, A)["branch"] == "A"


def spots(data: dict[str, Any]) -> dict[str, tuple[int, int]]:
    return {u["serial"]: (u["row"], u["column"]) for u in data["units"]}


def test_putting_an_empty_cell_somewhere_brings_the_unit_back() -> None:
    cells = plan_of(stored()).cells
    assert put(put(cells, FIRST, Spot("south roof", 2, 1)), FIRST, Spot("south roof", 2, 1)) == cells


def test_a_corrected_serial_keeps_what_the_record_says_of_the_unit() -> None:
    before = stored()
    before["units"][0] |= {"module_count": 1, "from": "2026-05-06"}
    after = saved(before, {**plan_of(before).cells, FIRST: Cell("new", "A")})
    assert unit(after, "new") == {**before["units"][0], "serial": "new"}
    assert kinds(before, after) == {"renamed": ["new"]}


def test_a_new_serial_takes_the_given_types_and_the_others_keep_theirs() -> None:
    before = two_roofs()
    spot = Spot("east roof", 1, 1)
    after = saved(before, {**plan_of(before).cells, spot: Cell("new", "C")})
    assert unit(after, "new")["inverter_type"] == "inverter"
    assert unit(after, C)["inverter_type"] == "large"
    assert [b["name"] for b in after["branches"]] == ["A", "B", "C"]
    assert kinds(before, after) == {"added": ["new"]}


def test_an_emptied_cells_unit_leaves_the_record() -> None:
    before = stored()
    cells = dict(plan_of(before).cells)
    del cells[SECOND]
    after = saved(before, cells)
    assert [u["serial"] for u in after["units"]] == [A, C]
    assert differences(before, after).summary() == {"removed": 1, "fields": []}


def test_a_plan_may_be_emptied_and_keeps_its_rows_and_columns() -> None:
    after = saved(stored(), {})
    assert after["units"] == []
    assert [(g.rows, g.columns) for g in plan_of(after).grids] == [((1,), (1, 2, 3))]


def test_the_api_still_wants_a_unit() -> None:
    with pytest.raises(Refused, match="units: needs at least 1 entry"):
        read_record({**record(), "units": []})
    assert read_begun({**record(), "units": []}).units == []


def test_who_left_stays_on_record_and_makes_room_on_that_day() -> None:
    before = stored()
    before["units"][0]["until"] = "2026-06-01"
    assert FIRST not in plan_of(before).cells
    assert [u["serial"] for u in beside_the_plan(before)] == [A]
    after = saved(before, {**plan_of(before).cells, FIRST: Cell("new", "A")})
    assert unit(after, A) == before["units"][0]
    assert unit(after, "new")["from"] == "2026-06-01"


def test_who_left_cannot_be_scanned_again() -> None:
    before = stored()
    before["units"][0]["until"] = "2026-06-01"
    drawn = with_plan(before, replace(plan_of(before), cells={FIRST: Cell(A, None)}), NEW)
    with pytest.raises(Refused, match="is also the serial of units"):
        checked(drawn)
    assert FIRST in drawn.spots.values()


def test_a_unit_without_place_is_put_where_it_is_scanned() -> None:
    before = stored()
    before["units"][0] |= {"row": None, "column": None, "from": "2026-05-06"}
    spot = Spot("south roof", 4, 4)
    after = saved(before, {**plan_of(before).cells, spot: Cell(A, "A")})
    assert (unit(after, A)["row"], unit(after, A)["from"]) == (4, "2026-05-06")
    assert kinds(before, after) == {"moved": [A]}


def test_the_inputs_of_an_inverter_move_together() -> None:
    data = record()
    data["module_types"][0]["pmax_w"] = 200
    data["units"] = [{**data["units"][0], "serial": f"{A}/{i}"} for i in (1, 2)]
    before = as_stored(read_record(data))
    after = saved(before, put(plan_of(before).cells, FIRST, THIRD))
    assert spots(after) == {f"{A}/1": (1, 3), f"{A}/2": (1, 3)}


def test_twins_name_each_other() -> None:
    cells = {FIRST: Cell("x"), SECOND: Cell("y"), THIRD: Cell("x")}
    assert twins(cells) == {FIRST: THIRD, THIRD: FIRST}
    drawn = with_plan(stored(), Plan(plan_of(stored()).grids, cells), NEW)
    with pytest.raises(Refused, match="is also the serial of units"):
        checked(drawn)


def test_what_two_people_typed_is_merged_cell_by_cell() -> None:
    base = {FIRST: Cell("a"), SECOND: Cell("b")}
    typed = {FIRST: Cell("mine"), SECOND: Cell("b"), THIRD: Cell("new")}
    now = {FIRST: Cell("theirs")}
    assert merged(base, typed, now) == {FIRST: Cell("mine"), THIRD: Cell("new")}
    assert merged(base, base, now) == now


@pytest.mark.parametrize(
    ("used", "last", "shown"),
    [
        ([], None, (1,)),
        ([], 3, (1, 2, 3)),
        ([2], None, (1, 2)),
        ([0, 2], 1, (0, 1, 2)),
        ([1, 500], 2, (1, 500)),
    ],
)
def test_rows_run_from_one_unless_they_lie_far_apart(
    used: list[int], last: int | None, shown: tuple[int, ...]
) -> None:
    assert numbers(used, last) == shown


def test_what_a_record_leaves_open_is_no_difference() -> None:
    assert is_same(record(), stored())
    assert not is_same(record(), stored(name="Mill Lane 5"))
    assert differences(record(), stored(name="Mill Lane 5")).fields == ("name",)
