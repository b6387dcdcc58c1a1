"""Tables in plain text's own markup become rows, whatever stands in their cells."""

from __future__ import annotations

import time

import pytest

from service.intake.export.markup import marked_up

Rows = list[list[str]]


def _read(lines: list[str]) -> Rows:
    rows = [line.split("|") for line in lines]
    fold = marked_up(rows, "|")
    assert fold is not None
    return [row for row in fold(iter(rows)) if row]


@pytest.mark.parametrize(
    ("lines", "rows"),
    [
        (["| a | b c |", "|---|:-:|", "| 1 | |"], [["a", "b c"], ["1", ""]]),
        (["||a||b||", "|1|2|"], [["a", "b"], ["1", "2"]]),
        (
            ["+---+---+", "| a | b |", "+===+===+", "| 1 | 2 |", "| 3 | 4 |"],
            [["a", "b"], ["1", "2"], ["3", "4"]],
        ),
        (["{|", "! a !! b", "|-", "| 1", "| id=x | 2", "|}", "end"], [["a", "b"], ["1", "2"], ["end"]]),
        ([r"a\_b & c \\ \hline", r"1 & 2 \% \\[1ex]"], [["a_b", "c"], ["1", "2 %"]]),
    ],
)
def test_markup_is_taken_off(lines: list[str], rows: Rows) -> None:
    assert _read(lines) == rows


def test_plain_tables_are_left_alone() -> None:
    assert marked_up([["Time", "a"], ["2026-06-14", "1"]], "|") is None
    assert marked_up([["R&D \\\\ x", "a"], ["1", "1"], ["1", "1"]], ";") is None


@pytest.mark.parametrize(
    "cell", [" " * 90_000, "=" * 90_000, "a=" * 45_000, "\\\\ " * 30_000, "\\a" * 45_000]
)
def test_long_cells_take_no_time(cell: str) -> None:
    began = time.process_time()
    for lines in (
        ["{|", f"| {cell} x", "|}"],
        [f"| {cell} |"] * 3,
        [f"{cell} & x \\\\"] * 3,
        [f"& {cell}\\\\ x"],
    ):
        rows = [[line] for line in lines]
        fold = marked_up(rows, "|")
        assert fold is None or len(list(fold(iter(rows)))) >= 1
    assert time.process_time() - began < 5  # linear: milliseconds; by the square of the length: minutes
