"""Tables of one file on the same units: that of what was made is read, and a contradiction is never silent."""

from __future__ import annotations

import csv
import re
import zipfile
from pathlib import Path

import openpyxl
import pytest

from tests.intake.export import written
from tests.intake.export.corpus import Make, Truth
from tests.intake.export.judged import known_of, proposals, taken, wrong

MAKE = Make("plain")


def _archive(folder: Path, names: tuple[str, str], heading: str | None = None) -> tuple[Path, Truth]:
    """Write two files into an archive, of which the second has a tenth more than the truth."""
    path, truth = written.write(MAKE, folder)
    text = path.read_text() if heading is None else path.read_text().replace(" (Wh)", heading)
    more = re.sub(r",(\d+\.\d+)", lambda m: f",{float(m[1]) * 1.1:.4f}", text)
    archive = folder / "both.zip"
    with zipfile.ZipFile(archive, "w") as packed:
        packed.writestr(names[0], text)
        packed.writestr(names[1], more)
    return archive, truth


@pytest.mark.parametrize(
    ("names", "heading"),
    [
        (("Actual.csv", "Forecast.csv"), None),
        (("Actual.csv", "Forecast.csv"), ""),
        (("ist Wh.csv", "soll Wh.csv"), None),
        (("energy_wh.csv", "temperature_c.csv"), ""),
    ],
)
def test_table_whose_name_says_something_else_is_left_out(
    names: tuple[str, str], heading: str | None, tmp_path: Path
) -> None:
    path, truth = _archive(tmp_path, names, heading)
    found = proposals(path, known_of(MAKE), {"quantity": "energy_wh"} if heading == "" else {})
    got, _, _ = taken(found, known_of(MAKE))
    assert wrong(MAKE, truth, got) is None
    (why,) = [p.refused for _, p in found if p.refused]
    assert "its name says" in why


def test_tables_that_contradict_each_other_are_refused(tmp_path: Path) -> None:
    path, _ = _archive(tmp_path, ("one.csv", "other.csv"))
    (_, first), (_, second) = proposals(path, known_of(MAKE), {})
    assert "other values for the same units and times than both.zip/other.csv" in str(first.refused)
    assert "other values for the same units and times than both.zip/one.csv" in str(second.refused)


def test_starts_and_ends_of_the_same_do_not_contradict_each_other(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "both.zip", "w") as packed:
        for label in ("start", "end"):
            make = Make("plain", label=label, time_heading=f"Interval {label}")
            packed.write(written.write(make, tmp_path)[0], f"{label}.csv")
    assert [p.refused for _, p in proposals(tmp_path / "both.zip", known_of(MAKE), {})] == [None, None]


def test_hidden_sheet_does_not_count_before_one_that_is_seen(tmp_path: Path) -> None:
    path, truth = written.write(MAKE, tmp_path)
    book = openpyxl.Workbook()
    for title, times in (("Readings", 1.0), ("old", 0.9)):
        sheet = book.create_sheet(title)
        heading, *rows = csv.reader(path.read_text().splitlines())
        sheet.append(heading)
        for row in rows:
            sheet.append([row[0], *(float(cell) * times for cell in row[1:])])
        sheet.sheet_state = "visible" if times == 1 else "hidden"
    book.remove(book.worksheets[0])
    book.save(tmp_path / "both.xlsx")
    found = proposals(tmp_path / "both.xlsx", known_of(MAKE), {})
    assert ["hidden" in str(p.refused) for _, p in found] == [False, True]
    assert wrong(MAKE, truth, taken(found, known_of(MAKE))[0]) is None


@pytest.mark.parametrize("name", ["a hours Wh.csv", "z hours Wh.csv"])
def test_finer_intervals_count_before_coarser_ones_of_the_same(name: str, tmp_path: Path) -> None:
    fine = Make("plain", quantity="power_w", heading="{serial} (W)", digits=6)
    path, truth = written.write(fine, tmp_path)
    rows = list(csv.reader(path.read_text().splitlines()))
    sums = [
        [rows[i][0], *(str(sum(float(rows[i + k][c]) for k in range(4)) / 4) for c in (1, 2, 3))]
        for i in range(1, len(rows), 4)
    ]
    lines = [[cell.replace("(W)", "(Wh)") for cell in rows[0]], *sums]
    with zipfile.ZipFile(tmp_path / "both.zip", "w") as packed:
        packed.write(path, "five min W.csv")
        packed.writestr(name, "\n".join(map(",".join, lines)))
    found = proposals(tmp_path / "both.zip", known_of(fine), {})
    assert wrong(fine, truth, taken(found, known_of(fine))[0]) is None
    (why,) = [str(p.refused) for _, p in found if p.refused]
    assert "has the same energies in finer intervals" in why


def test_table_that_says_the_same_again_is_not(tmp_path: Path) -> None:
    path, _ = written.write(MAKE, tmp_path)
    archive = tmp_path / "twice.zip"
    with zipfile.ZipFile(archive, "w") as packed:
        packed.write(path, "one.csv")
        packed.write(path, "other.csv")
    assert not any("other values" in w for _, p in proposals(archive, known_of(MAKE), {}) for w in p.warnings)
