"""Headings that break over lines, that are more or fewer than the columns, or that hardly fit their rows."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from service.intake.export.model import Known, Proposal
from service.intake.export.propose import propose
from service.intake.export.read import Tally, read
from service.intake.export.tables import Table, tables_of
from tests.intake.export.corpus import RECORD, SERIALS

KNOWN = Known.of_record(RECORD)
SAID = {
    "label": "start",
    "quantity": "energy_wh",
    "timezone": "UTC",
    "interval_min": "15",
    "decimal": "point",
}
TIMES = [f"2026-06-14 {10 + i // 4}:{15 * (i % 4):02}" for i in range(24)]


def _proposed(folder: Path, text: str, known: Known = KNOWN) -> tuple[Table, Proposal]:
    path = folder / "export.csv"
    path.write_text(text, newline="")
    (table,) = tables_of(path)
    return table, propose(table, known, SAID)


def _rows(*values: str) -> str:
    return "".join(f"{time},{','.join(values)}\n" for time in TIMES)


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_quoted_headings_of_three_lines_each_stand_over_their_own_columns(end: str, tmp_path: Path) -> None:
    serials = [f"4829133770{i:02}" for i in range(12)]
    record = {**RECORD, "units": [{**RECORD["units"][0], "serial": s} for s in serials]}
    heading = ",".join(f'"Inverter{end}{s}{end}(Wh)"' for s in serials)
    text = f"Start,{heading}\n{_rows(*map(str, range(12)))}"
    table, proposal = _proposed(tmp_path, text, known := Known.of_record(record))
    assert proposal.recipe is not None, proposal.refused
    found = {
        s.serial: {*s.values.tolist()}
        for p in read(table, proposal.recipe, known, Tally())
        for s in p.samples
    }
    assert found == {s: {float(i)} for i, s in enumerate(serials)}


def test_marks_that_open_again_and_again_do_not_hold_up_a_text(tmp_path: Path) -> None:
    path = tmp_path / "export.csv"
    path.write_text('x",",\n' * 20_000 + _rows("1"))
    (table,) = tables_of(path)
    assert sum(block.size for block in table.blocks()) >= len(TIMES)


def test_column_without_a_heading_is_no_guess(tmp_path: Path) -> None:
    _, proposal = _proposed(tmp_path, f"Start,{SERIALS[1]} Wh,{SERIALS[2]} Wh\n{_rows('1', '2', '3')}")
    assert "4 cells under 3 headings, and which column has none" in str(proposal.refused)


def test_heading_without_a_column_is_said(tmp_path: Path) -> None:
    _, proposal = _proposed(tmp_path, f"Start,note,{SERIALS[0]} Wh,{SERIALS[1]} Wh\n{_rows('1', '2')}")
    assert any("4 headings stand over 3 columns" in warning for warning in proposal.warnings)


def test_commas_within_the_numbers_of_all_rows_with_light_are_refused(tmp_path: Path) -> None:
    dice = random.Random(1)  # noqa: S311 - invented light
    lit = [",".join(f"{dice.randrange(9)},{dice.randrange(1, 9)}" for _ in range(2)) for _ in TIMES]
    rows = "".join(f"{t},{'0,0' if i % 3 else lit[i]}\n" for i, t in enumerate(TIMES))
    _, proposal = _proposed(tmp_path, f"Start,{SERIALS[0]} Wh,{SERIALS[1]} Wh\n{rows}")
    assert "rows have more cells than headings, as if decimal commas parted numbers" in str(proposal.refused)
