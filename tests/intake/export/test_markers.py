"""Numbers that fill gaps are told from readings by their form, their number, and how far above all others they are."""

from __future__ import annotations

from random import Random

import pytest

from service.intake.export.markers import markers_in, without

LIGHT = [f"{20 * i}.5" for i in range(16)]


@pytest.mark.parametrize(
    ("cells", "found"),
    [
        ([*LIGHT, *["9999"] * 3], {"9999": 9999.0}),
        ([*LIGHT, *["65535", "65535.0"] * 2], {"65535": 65535.0, "65535.0": 65535.0}),
        ([*LIGHT, *["9999", "32767"] * 3], {"9999": 9999.0, "32767": 32767.0}),
        ([*LIGHT, *["9999"] * 2], {}),
        ([*LIGHT, *["999"] * 9], {}),
        ([*LIGHT, *["255"] * 9], {}),
        ([*LIGHT, *["9876"] * 9], {}),
        (["0", *["255"] * 9], {}),
        ([str(65535 - 7 * i) for i in range(90)] + ["65535"] * 9, {}),
    ],
    ids=["nines", "16 bits", "two", "seldom", "near", "small", "of no form", "alone", "counter that is full"],
)
def test_marker_is_far_above_what_is_read(cells: list[str], found: dict[str, float]) -> None:
    Random(1).shuffle(cells)  # noqa: S311 - an order
    assert markers_in([["10:00", cell] for cell in cells], (1,), ".") == found


def test_cells_of_other_columns_stay() -> None:
    assert without([["9999", "9999", "1"], ["a"]], (1,), {"9999"}) == [["9999", "", "1"], ["a"]]
