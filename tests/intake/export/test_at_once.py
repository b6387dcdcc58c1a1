"""Reading many rows at once gives what reading them one by one gives, whatever stands in them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

import pyarrow as pa
import pytest

from service.intake.export import cutting
from service.intake.export.model import QUANTITIES, Column, Known, Recipe
from service.intake.export.read import Piece, Tally, read
from service.intake.export.tables import tables_of
from service.intake.export.times import NO_OFFSET, parse, parse_all
from tests.intake.export.corpus import RECORD, SERIALS
from tests.intake.export.row_by_row import read_row_by_row

KNOWN = Known.of_record(RECORD)
FORMATS = ("%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M", "%d/%m/%y %H:%M", "%Y-%m-%dT%H:%M:%S", "%d %b %Y %I:%M %p")
ODD_TIMES = (
    "",
    "Total",
    "2026-10-25 02:30",
    " 25.10.2026  3:30 ",
    "25.10.2026 Mo 02:30",
    "Mo 25.10.2026 02:30",
    "1793000000",
    "2026-06-14",
    "10:15",
    "# made by hand",
)
NAMES = (*SERIALS, "82913377003", "roof", "all", "", "4.8E+11")
ODD_CELLS = (
    "",
    "-",
    "-",
    "\u2013",
    "n/a",
    "NaN",
    "inf",
    "-nan",
    "error",
    "+5",
    " 5 ",
    "9999",
    "1e3",
    "1.234,5",
    "1,234.5",
    "5.",
    "-3",
    "1_0",
    "½",
)


def _recipe(dice: Random) -> Recipe:
    """Return a recipe for a table with two columns of time, one of serials and three of values."""
    of_rows, quantity = dice.random() < 0.5, dice.choice(sorted(QUANTITIES))
    if of_rows:
        columns = [Column(3, None), Column(4, None, "temperature_c", 2.0, -1.0)]
    else:
        columns = [Column(i, s, "", dice.choice([1.0, 1000.0])) for i, s in enumerate(SERIALS, start=3)]
    return Recipe(
        first_row=1,
        time_columns=dice.choice([(0,), (0, 1)]),
        order="dmy",
        zone=dice.choice(["Europe/Berlin", "Europe/Berlin", "+01:00", None]),
        label=dice.choice(["start", "end"]),
        interval_min=dice.choice([1, 5, 15, 20, 60]),
        quantity=quantity,
        decimal=dice.choice(".,"),
        columns=tuple(columns[: dice.randint(1, len(columns))]),
        serial_column=2 if of_rows else None,
        aliases={"roof": SERIALS[1], "all": ""},
        newest_first=dice.random() < 0.5,
        intervals=dice.choice([{}, {SERIALS[0]: ((0, 15), (1_792_890_000, 20))}]),
        irregular=quantity == "power_w" and dice.random() < 0.5,
        is_shuffled=dice.random() < 0.3,
        dash=dice.choice(["missing", "night", "zero"]),
        markers=dice.choice([(), (9999.0, 5.0)]),
    )


def _lines(recipe: Recipe, dice: Random) -> list[list[str]]:
    """Return rows that go on in time as those of files do, with what goes wrong in files."""
    at = dice.choice([datetime(2026, 10, 25, 1, 50), datetime(2026, 3, 29, 1, 30)])  # noqa: DTZ001 - a clock's time
    form, found, shown, harm = dice.choice(FORMATS), [], 0.0, dice.choice([0, 0.05, 0.3])
    step = -recipe.interval_min if recipe.newest_first else recipe.interval_min
    for _ in range(dice.randint(1, 120)):
        at += timedelta(
            minutes=step * (1 if dice.random() > harm else dice.choice([2, 0.5, 0, 90 / step, -3]))
        )
        shown += dice.choice(
            [5, 5, 5, 0, 300 if dice.random() < harm else 7, -shown if dice.random() < harm else 1]
        )
        time = dice.choice(ODD_TIMES) if dice.random() < harm else at.strftime(form)
        cells = [f"{shown + i:.{dice.choice([0, 2])}f}".replace(".", recipe.decimal) for i in range(3)]
        row = [time, dice.choice(["", "", "+02:00", "12:15"]), dice.choice(NAMES), *cells]
        if dice.random() < harm:
            row[dice.randrange(3, 6)] = dice.choice(ODD_CELLS)
        found.append(row[: 6 if dice.random() > harm else dice.choice([4, 1, 0])])
    return found


def _text(rows: list[list[str]], ending: str, *, quoted: bool) -> str:
    mark = '"' if quoted else ""
    return ending.join(";".join(f"{mark}{cell}{mark}" for cell in row) for row in [["a"] * 6, *rows])


def _found(pieces: list[Piece]) -> Mapping[str, Any]:
    samples: dict[tuple[str, str, int], list[tuple[int, float]]] = {}
    for piece in pieces:
        for s in piece.samples:
            values = zip(s.starts.tolist(), s.values.tolist(), strict=True)
            samples.setdefault((s.serial, s.channel, s.interval_min), []).extend(values)
    return {
        "samples": samples,
        "rejected": sorted(r for p in pieces for r in p.rejected),
        "noted": sorted(str(n) for p in pieces for n in p.noted),
    }


@pytest.mark.parametrize("seed", range(120))
def test_many_rows_at_once_are_read_as_one_by_one(
    seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    dice = Random(seed)  # noqa: S311 - invented files
    monkeypatch.setattr(cutting, "BLOCK_BYTES", dice.choice([500, 2000, 100_000]))
    recipe = _recipe(dice)
    text = _text(_lines(recipe, dice), dice.choice(["\n", "\r\n", "\r"]), quoted=dice.random() < 0.3)
    path = tmp_path / "export.csv"
    path.write_bytes(text.encode())
    (table,) = tables_of(path)
    tally, wanted_tally = Tally(), Tally()
    found = _found(list(read(table, recipe, KNOWN, tally)))
    wanted = _found([read_row_by_row(table.name, text, ";", recipe, KNOWN, wanted_tally)])
    assert found == wanted
    assert tally == wanted_tally


@pytest.mark.parametrize("form", FORMATS)
def test_many_times_at_once_are_read_as_one_by_one(form: str) -> None:
    dice = Random(form)  # noqa: S311 - invented times
    at = [datetime(2026, 6, 1) + timedelta(minutes=dice.randrange(600_000)) for _ in range(300)]  # noqa: DTZ001
    endings = ("", "", "Z", "+01:00", " CET", "0", ":5", " 10:15", "x")
    texts = [t.strftime(form) + dice.choice(endings) for t in at] + [*ODD_TIMES, *ODD_CELLS]
    for order in ("dmy", "mdy", "ymd"):
        found = parse_all(pa.array(texts), order)
        for i, text in enumerate(texts):
            one = parse(text, order)
            if one is None or one.day is None or one.second is None:
                assert not found.readable[i], text
            else:
                wanted = (True, one.naive, NO_OFFSET if one.offset is None else one.offset)
                assert tuple(part[i] for part in found) == wanted, text
