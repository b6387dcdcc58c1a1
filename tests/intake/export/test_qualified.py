"""Cells that say what the value beside them is worth, and rows whose cells have moved."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from service.intake.export.model import Known, Proposal
from service.intake.export.propose import propose
from service.intake.export.read import Rejected, Tally, read
from service.intake.export.reshape import unfolded
from service.intake.export.tables import tables_of
from tests.intake.export.corpus import RECORD, SERIALS

KNOWN = Known.of_record(RECORD)
SETTLED = {"label": "start", "timezone": "UTC", "interval_min": "15"}
TIMES = [f"2026-06-14 {10 + i // 4}:{15 * (i % 4):02}" for i in range(12)]
ONE, OTHER = SERIALS[:2]
Read = tuple[dict[str, dict[int, float]], list[Rejected], Proposal]


def _read(folder: Path, lines: list[str], **answers: str) -> Read:
    """Return each unit's values by the quarter hour after ten, what was rejected, and the proposal."""
    path = folder / "export.csv"
    path.write_text("\n".join([*lines, ""]))
    table = unfolded(tables_of(path)[0])
    proposal = propose(table, KNOWN, SETTLED | answers)
    assert proposal.recipe is not None, proposal.refused
    pieces = list(read(table, proposal.recipe, KNOWN, Tally()))
    ten = datetime(2026, 6, 14, 10, tzinfo=UTC).timestamp()
    found: dict[str, dict[int, float]] = {}
    for one in (s for piece in pieces for s in piece.samples):
        places = ((one.starts - ten) // 900).astype(int).tolist()
        found.setdefault(one.serial, {}).update(dict(zip(places, one.values.tolist(), strict=True)))
    return found, [r for piece in pieces for r in piece.rejected], proposal


@pytest.mark.parametrize("heading", ["value", "energy"])
def test_unit_of_measure_of_each_row_counts(heading: str, tmp_path: Path) -> None:
    rows = [f"{t},{s},{v},{u}" for t in TIMES for s, v, u in ((ONE, "21.5", "Wh"), (OTHER, "0.0225", "kWh"))]
    found, _, proposal = _read(tmp_path, [f"Time,Serial,{heading},unit", *rows], quantity="energy_wh")
    assert found[ONE] == dict.fromkeys(range(12), 21.5)
    assert found[OTHER] == pytest.approx(dict.fromkeys(range(12), 22.5))
    assert proposal.questions == ()


def test_values_of_bad_quality_are_missing(tmp_path: Path) -> None:
    quality = ["Good"] * 5 + ["Bad"] + ["Good"] * 6
    rows = [f"{t},{i + 1},{q},7,Good" for i, (t, q) in enumerate(zip(TIMES, quality, strict=True))]
    found, _, _ = _read(tmp_path, [f"Time,{ONE} Wh,Quality,{OTHER} Wh,Quality", *rows])
    assert sorted(found[ONE]) == [0, 1, 2, 3, 4, 6, 7, 8, 9, 10, 11]
    assert len(found[OTHER]) == 12


def test_quality_in_words_that_are_not_known_changes_nothing(tmp_path: Path) -> None:
    rows = [f"{t},{i + 1},{'so-so' if i % 2 else 'Good'}" for i, t in enumerate(TIMES)]
    found, _, proposal = _read(tmp_path, [f"Time,{ONE} Wh,Quality", *rows])
    assert len(found[ONE]) == 12
    assert any("Quality" in w for w in proposal.warnings)


def test_of_mean_least_and_most_the_mean_is_read(tmp_path: Path) -> None:
    rows = [f"{ONE},{t},{s},{v}" for t in TIMES for s, v in (("max", 90), ("mean", 60), ("min", 20))]
    found, _, proposal = _read(tmp_path, ["Serial,Time,statistic,Power (W)", *rows])
    assert proposal.questions == ()
    assert found[ONE] == dict.fromkeys(range(12), 60.0)


@pytest.mark.parametrize(("cell", "moved"), [("1,020.3", True), ("ok", False)])
def test_row_whose_cells_have_moved_is_rejected(cell: str, moved: bool, tmp_path: Path) -> None:
    rows = [f"{t},20.3,{i + 1}" for i, t in enumerate(TIMES)]
    rows[4] = f"{TIMES[4]},{cell},5" if moved else f"{rows[4]},{cell}"
    found, rejected, _ = _read(tmp_path, [f"Time,Sum (Wh),{ONE} Wh", *rows])
    assert (4 in found[ONE]) == (not moved)
    assert [r.row for r in rejected] == ([6] if moved else [])
    assert all("more cells than the others" in r.reason for r in rejected)


def test_day_of_the_week_tells_the_month(tmp_path: Path) -> None:
    rows = [f"Wed 03/04/2026 {10 + i // 4}:{15 * (i % 4):02},{i}" for i in range(12)]
    _, _, proposal = _read(tmp_path, [f"Time,{ONE} Wh", *rows])
    assert proposal.guesses["day_first"].value == "false"
    assert "day_first" not in {question.key for question in proposal.questions}


def test_rows_in_no_order_are_read(tmp_path: Path) -> None:
    rows = [f"{TIMES[i * 5 % 12]},{i * 5 % 12}" for i in range(12)]
    found, _, proposal = _read(tmp_path, [f"Time,{ONE} Wh", *rows], quantity="energy_wh")
    assert proposal.questions == ()
    assert found[ONE] == {i: float(i) for i in range(12)}


def test_thousands_twice_parted_are_no_fractions(tmp_path: Path) -> None:
    rows = [f'{t},"2,468,{975 + i}"' for i, t in enumerate(TIMES)]
    found, _, proposal = _read(tmp_path, [f"Time,Total {ONE} Wh", *rows], quantity="counter_wh")
    assert proposal.questions == ()
    assert set(found[ONE].values()) == {1.0}


def test_quantity_over_its_unit_is_a_unit_and_a_price_is_none(tmp_path: Path) -> None:
    rows = [f"{t},{i},0.3" for i, t in enumerate(TIMES)]
    _, _, proposal = _read(tmp_path, [f"Time,{ONE} E_int/Wh,EUR/kWh", *rows])
    assert proposal.guesses["quantity"].value == "energy_wh"
    assert any("EUR/kWh" in w for w in proposal.warnings)


def test_duration_in_a_column_counts_and_not_the_step(tmp_path: Path) -> None:
    rows = [f"{t},900,{i + 1}" for i, t in enumerate(TIMES) if i % 2 == 0]
    settled = {k: v for k, v in SETTLED.items() if k != "interval_min"}
    path = tmp_path / "export.csv"
    path.write_text("\n".join([f"Time,duration_s,{ONE} Wh", *rows, ""]))
    proposal = propose(tables_of(path)[0], KNOWN, {**settled, "quantity": "energy_wh"})
    assert proposal.guesses["interval_min"].value == "15"
    assert proposal.questions == ()


def test_rows_of_lengths_that_change_are_refused_with_the_lengths(tmp_path: Path) -> None:
    ends = [5, 20, 25, 45, 60, 65, 85, 100, 105, 115]
    rows = [
        f"2026-06-14 {10 + a // 60}:{a % 60:02},2026-06-14 {10 + b // 60}:{b % 60:02},7"
        for a, b in zip([0, *ends], ends, strict=False)
    ]
    path = tmp_path / "export.csv"
    path.write_text("\n".join([f"from,to,{ONE} Wh", *rows, ""]))
    refused = propose(tables_of(path)[0], KNOWN, {}).refused
    assert refused is not None
    assert "different lengths (5, 10, 15, 20 min)" in refused


@pytest.mark.parametrize(
    ("kept", "gone"),
    [
        ("AC", "DC"),
        ("actual", "forecast"),
        ("Ist", "Soll"),
        ("measured", "model"),
        ("generation", "consumption"),
    ],
)
def test_of_what_was_made_and_what_stands_beside_it_the_first_is_read(
    kept: str, gone: str, tmp_path: Path
) -> None:
    rows = [f"{t},{ONE},{k},{v}" for t in TIMES for k, v in ((gone, 24.5), (kept, 21.5))]
    found, rejected, _ = _read(tmp_path, ["Time,Serial,kind,Energy (Wh)", *rows])
    assert found == {ONE: dict.fromkeys(range(12), 21.5)}
    assert not rejected


def test_column_of_one_kind_alone_takes_no_row_away(tmp_path: Path) -> None:
    found, _, _ = _read(tmp_path, ["Time,Serial,side,Energy (Wh)", *(f"{t},{ONE},DC,21.5" for t in TIMES)])
    assert found == {ONE: dict.fromkeys(range(12), 21.5)}


def test_number_of_an_input_in_its_own_column_names_the_unit_with_its_serial(tmp_path: Path) -> None:
    record = {
        **RECORD,
        "units": [{**u, "serial": f"{ONE}/{i + 1}"} for i, u in enumerate(RECORD["units"][:2])],
    }
    path = tmp_path / "export.csv"
    rows = [f"{t},{ONE},{i},{20 + i}" for t in TIMES for i in (1, 2)]
    path.write_text("\n".join(["Time,Serial,Input,Energy (Wh)", *rows]))
    known, table = Known.of_record(record), unfolded(tables_of(path)[0])
    proposal = propose(table, known, SETTLED)
    assert proposal.recipe is not None
    found = {
        s.serial: set(s.values.tolist())
        for p in read(table, proposal.recipe, known, Tally())
        for s in p.samples
    }
    assert found == {f"{ONE}/1": {21.0}, f"{ONE}/2": {22.0}}


def test_rows_of_single_phases_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "export.csv"
    rows = [f"{t},{ONE},L{i},{20 + i}" for t in TIMES for i in (1, 2, 3)]
    path.write_text("\n".join(["Time,Serial,Phase,Energy (Wh)", *rows]))
    assert "single phases" in str(propose(unfolded(tables_of(path)[0]), KNOWN, SETTLED).refused)
    path.write_text("\n".join(["Time,Serial,Phase,Energy (Wh)", *(f"{t},{ONE},L1,21" for t in TIMES)]))
    assert propose(unfolded(tables_of(path)[0]), KNOWN, SETTLED).refused is None
