"""Tables of one file of which, by their names, only some hold what was made: the others are left, and said."""

from __future__ import annotations

import re
import zipfile
from pathlib import Path

import pytest

from tests.intake.export import written
from tests.intake.export.corpus import Make, Truth
from tests.intake.export.judged import Judged, judged

BARE = Make("bare", heading="{serial}")
OTHER = "its name says that it holds other values"
TOTAL = "it holds a total"


def _volts(make: Make, folder: Path) -> str:
    """Return the table with numbers like voltages, by night, too."""
    return re.sub(r",\d+\.\d+", ",231.5", _text(make, folder)[0])


def _text(make: Make, folder: Path) -> tuple[str, Truth]:
    path, truth = written.write(make, folder)
    return path.read_text(), truth


def _judged(folder: Path, truth: Truth, **texts: str) -> Judged:
    path = folder / "readings.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for name, text in texts.items():
            archive.writestr(f"{name}.csv", text)
    return judged(path, BARE, truth)


@pytest.mark.parametrize(
    ("name", "other"),
    [
        ("energy_wh", "temperature_c"),
        ("Energie Wh", "Spannung"),
        ("Energy (Wh)", "Voltage (V)"),
        ("a energy (Wh)", "b signal"),
    ],
)
def test_other_quantity_by_name_is_left(name: str, other: str, tmp_path: Path) -> None:
    text, truth = _text(BARE, tmp_path)
    found = _judged(tmp_path, truth, **{name: text, other: _volts(BARE, tmp_path)})
    assert (found.wrong, found.asked) == (None, frozenset())
    assert {p.table.rpartition("/")[2]: p.refused for _, p in found.found if p.refused} == {
        f"{other}.csv": f"{OTHER} beside what was made ({name.replace('_', ' ')})"
    }


def test_power_is_left_where_energy_of_the_same_has_a_table(tmp_path: Path) -> None:
    text, truth = _text(BARE, tmp_path)
    power = _text(Make("peak", heading="{serial}", quantity="power_w"), tmp_path)[0]
    found = _judged(tmp_path, truth, **{"Max power (W)": power, "Energy (Wh)": text})
    assert (found.wrong, found.asked) == (None, frozenset())
    assert [str(p.refused)[: len(OTHER)] for _, p in found.found if p.refused] == [OTHER]


def test_power_of_others_than_the_energy_is_read(tmp_path: Path) -> None:
    text, _ = _text(BARE, tmp_path)
    power = _text(Make("other", heading="{serial}", quantity="power_w"), tmp_path)[0]
    found = _judged(tmp_path, {}, **{"Power west (W)": power, "Energy east (Wh)": text})
    assert [p.refused for _, p in found.found] == [None, None]


def test_headings_count_more_than_names(tmp_path: Path) -> None:
    text, truth = _text(Make(BARE.name), tmp_path)
    found = _judged(tmp_path, truth, signal=text, energy_wh=_text(BARE, tmp_path)[0])
    assert [p.refused for _, p in found.found] == [None, None]


def test_total_beside_units_is_no_unit(tmp_path: Path) -> None:
    total, _ = _text(Make("total", serials=("Site",), heading="{serial} total (Wh)"), tmp_path)
    text, truth = _text(Make("units"), tmp_path)
    found = _judged(tmp_path, truth, Site=total, Units=text)
    assert (found.wrong, found.asked) == (None, frozenset())
    assert [str(p.refused)[: len(TOTAL)] for _, p in found.found if p.refused] == [TOTAL]
