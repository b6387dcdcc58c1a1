"""Tables of one file on the same units: that of what was made is read, and a contradiction is never silent."""

from __future__ import annotations

import re
import zipfile
from pathlib import Path

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


def test_tables_that_contradict_each_other_are_warned_of(tmp_path: Path) -> None:
    path, _ = _archive(tmp_path, ("one.csv", "other.csv"))
    (_, first), (_, second) = proposals(path, known_of(MAKE), {})
    assert not any("other values" in w for w in first.warnings)
    assert any(
        "other values for the same units and times than both.zip/one.csv" in w for w in second.warnings
    )


def test_table_that_says_the_same_again_is_not(tmp_path: Path) -> None:
    path, _ = written.write(MAKE, tmp_path)
    archive = tmp_path / "twice.zip"
    with zipfile.ZipFile(archive, "w") as packed:
        packed.write(path, "one.csv")
        packed.write(path, "other.csv")
    assert not any("other values" in w for _, p in proposals(archive, known_of(MAKE), {}) for w in p.warnings)
