"""JSON is read where it has rows: objects with a value by each name, in lines or lists, in bounded memory."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest

from service.intake.export.objects import names_of
from service.intake.export.tables import tables_of
from service.intake.problems import Refused

ROWS = [{"at": f"2026-06-14T10:{i:02}Z", "unit": "a", "wh": i + 0.5, "note": None} for i in range(60)]
LINES = "\n".join(map(json.dumps, ROWS))


def _rows(folder: Path, text: str) -> list[list[str]]:
    path = folder / "export.json"
    path.write_text(text)
    (table,) = tables_of(path)
    return list(table.rows())


@pytest.mark.parametrize(
    "text", [LINES, LINES + "\n", json.dumps(ROWS), json.dumps(ROWS, indent=2), "\ufeff" + LINES]
)
def test_objects_in_lines_or_in_a_list_are_rows(text: str, tmp_path: Path) -> None:
    found = _rows(tmp_path, text)
    assert found[:2] == [["at", "unit", "wh", "note"], ["2026-06-14T10:00Z", "a", "0.5", ""]]
    assert [row[2] for row in found[1:]] == [f"{i + 0.5}" for i in range(60)]


def test_values_of_an_object_within_have_its_names(tmp_path: Path) -> None:
    rows = [{"at": i, "energy": {"value": 1.50, "unit": "Wh"}, "grid": {"at": 2}} for i in range(3)]
    assert _rows(tmp_path, json.dumps(rows))[:2] == [
        ["at", "energy", "unit", "grid at"],
        ["0", "1.5", "Wh", "2"],
    ]


@pytest.mark.parametrize("key", ["data", "items", "results"])
def test_rows_under_a_key_are_rows_and_what_stands_beside_stands_above(key: str, tmp_path: Path) -> None:
    text = json.dumps({"site": "roof", "next": None, "tags": [1], key: ROWS})
    found = _rows(tmp_path, text)
    assert found[:3] == [["site: roof"], ["at", "unit", "wh", "note"], ["2026-06-14T10:00Z", "a", "0.5", ""]]
    assert len(found) == 62


@pytest.mark.parametrize("count", [3, 3000])
def test_lists_within_objects_have_what_their_object_says(count: int, tmp_path: Path) -> None:
    by_unit = [{"unit": u, "readings": [{"at": i, "wh": i} for i in range(count)]} for u in "ab"]
    by_time = [{"at": i, "values": [{"unit": u, "wh": i} for u in "ab"]} for i in range(count)]
    of_units = [[u, str(i), str(i)] for u in "ab" for i in range(count)]
    assert _rows(tmp_path, json.dumps(by_unit)) == [["unit", "at", "wh"], *of_units]
    of_times = [[str(i), u, str(i)] for i in range(count) for u in "ab"]
    assert _rows(tmp_path, json.dumps({"data": by_time})) == [["at", "unit", "wh"], *of_times]


@pytest.mark.parametrize(
    "text",
    [
        '{"a": [1, 2]}\n{"a": [3]}',
        '{"a": 1}',
        "[[1, 2], [3, 4]]",
        "a;b\n1;2",
        "{",
    ],
)
def test_what_has_no_rows_is_none(text: str) -> None:
    assert names_of(text.encode()) == []


@pytest.mark.parametrize("end", ['{"at": "2026', "and no more", "{" * 70_000, "[" * 70_000 + "1"])
def test_damaged_end_is_said_after_what_was_before_it(end: str, tmp_path: Path) -> None:
    path = tmp_path / "export.jsonl"
    path.write_text("\n".join([LINES] * 200) + "\n" + end)
    (table,) = tables_of(path)
    sizes, began = list[int](), time.process_time()
    with pytest.raises(Refused, match="is damaged"):
        sizes.extend(block.size for block in table.blocks())
    assert sum(sizes) >= 10_000
    assert time.process_time() - began < 5
