"""Outlines of what shades a unit, against known objects before roofs of the fleet's own engine."""

from __future__ import annotations

import json
from datetime import date

import numpy as np
import pytest

from service.verify.case import Case
from service.verify.outline import BIN_DEG, Outline, outline_of
from service.verify.run import build_case, verify
from tests.fleet.shade import Outline as Obstacle
from tests.fleet.shaded_roof import PERTH, SHADED, ShadedRoof, box, shaded_roof

AZIMUTH_WITHIN, TOP_WITHIN = 5.0, 3.0


def found(roof: ShadedRoof) -> Outline:
    case = build_case(roof.site, roof.readings())
    return outline_of(case, [SHADED], *masks(case))


def masks(case: Case) -> tuple[np.ndarray, np.ndarray]:
    """Return where the unit is a tenth or more below its like in strong beam, and where that can be read."""
    series = case.levels.relative_series(SHADED)
    read = np.isfinite(series) & (case.levels.weight[SHADED] > 0) & (case.array_sky.index >= 0.45)
    return read & (series < 0.9), read


def apart(one: float, other: float) -> float:
    return abs((one - other + 180) % 360 - 180)


@pytest.mark.parametrize(
    ("azimuth", "half", "roof"),
    [
        (150, 12, {"start": date(2026, 6, 10)}),
        (150, 12, {"start": date(2026, 12, 1)}),
        (225, 15, {"start": date(2026, 3, 15)}),
        (180, 8, {"start": date(2026, 3, 15), "interval_min": 15}),
        (0, 15, {"start": date(2026, 6, 10), "place": PERTH, "azimuth_deg": 0.0}),
    ],
)
def test_the_sides_of_a_chimney_that_the_sun_passed_behind(
    azimuth: float, half: float, roof: dict[str, object]
) -> None:
    outline = found(shaded_roof(box(azimuth, half, 75.0), **roof))  # type: ignore[arg-type]
    first, last = outline.span_deg
    assert apart(first, azimuth - half) <= AZIMUTH_WITHIN
    assert apart(last, azimuth + half) <= AZIMUTH_WITHIN
    assert not outline.known.any()  # the sun never stood above it


def test_the_top_of_a_chimney_over_which_the_sun_rose() -> None:
    outline = found(shaded_roof(box(120.0, 25.0, 25.0), start=date(2026, 3, 15)))
    assert outline.known.any()
    assert outline.elevation_deg[outline.known] == pytest.approx(25.0, abs=TOP_WITHIN)
    assert apart(outline.span_deg[0], 95.0) <= AZIMUTH_WITHIN
    assert outline.highest_deg == pytest.approx(25.0, abs=TOP_WITHIN)


def test_the_top_is_found_at_every_azimuth_where_a_spring_saw_both_sides() -> None:
    roof = shaded_roof(box(165.0, 20.0, 35.0), start=date(2026, 2, 15), days=60)
    case = build_case(roof.site, roof.readings())
    outline = outline_of(case, [SHADED], *masks(case))
    inside = np.abs(outline.azimuth_deg - 165.0) < 20.0 - BIN_DEG / 2
    assert outline.known[inside].sum() >= 6
    assert outline.elevation_deg[inside & outline.known] == pytest.approx(35.0, abs=TOP_WITHIN)


def test_a_low_bound_is_no_top() -> None:
    outline = found(shaded_roof(box(165.0, 20.0, 60.0), start=date(2026, 12, 1)))
    seen = outline.at_least_deg > 0
    assert outline.highest_deg < 18  # at noon the sun stands 16 to 17 degrees high in Leipzig then
    assert (outline.at_most_deg[seen] == 90).all()
    assert not outline.known[seen].any()


def test_a_tree_lets_some_beam_through() -> None:
    thick, thin = (
        found(shaded_roof(box(150.0, 20.0, 70.0, lets_through=t), start=date(2026, 6, 10)))
        for t in (0.0, 0.5)
    )
    assert thick.taken > 0.8
    assert thin.taken == pytest.approx(0.5, abs=0.1)


def test_single_wrong_intervals_change_nothing() -> None:
    roof = shaded_roof(box(150.0, 12.0, 75.0), start=date(2026, 6, 10))
    case = build_case(roof.site, roof.readings())
    short, read = masks(case)
    rng = np.random.default_rng(3)
    wrong = read & (rng.random(len(read)) < 0.01)
    spoilt = outline_of(case, [SHADED], short ^ wrong, read)
    assert spoilt.span_deg == outline_of(case, [SHADED], short, read).span_deg


def test_a_house_before_the_whole_plane_end_to_end() -> None:
    """Nothing but the light itself tells: the finding speaks for the plane and carries what hides its sun."""
    house = box(225.0, 30.0, 70.0)
    roof = shaded_roof(house, start=date(2026, 3, 15))
    found = verify(roof.site, roof.readings_behind(house)).findings
    shade = next(f for f in found if f.cause == "shaded")
    outline = Outline.from_details(shade.details["outline"], shade.details["beam_taken"])
    assert shade.plane == "front"
    assert len(shade.serials) == 6
    assert apart(outline.span_deg[0], 195.0) <= AZIMUTH_WITHIN
    assert apart(outline.span_deg[1], 255.0) <= AZIMUTH_WITHIN
    assert outline.taken > 0.8


def test_a_shaded_unit_end_to_end() -> None:
    roof = shaded_roof(box(150.0, 14.0, 60.0), start=date(2026, 3, 15))
    shade = next(f for f in verify(roof.site, roof.readings()).findings if f.cause == "shaded")
    assert shade.serials == (roof.unit.serial,)
    first, last = Outline.from_details(shade.details["outline"], shade.details["beam_taken"]).span_deg
    assert apart(first, 136.0) <= AZIMUTH_WITHIN
    assert apart(last, 164.0) <= AZIMUTH_WITHIN
    assert sum(shade.details["loss_by_month_kwh"]) == pytest.approx(shade.annual_loss_kwh, abs=0.7)
    assert shade.details["season"]


def test_no_shade_has_no_outline() -> None:
    roof = shaded_roof(box(150.0, 12.0, 1.0), start=date(2026, 6, 10), days=1)
    case = build_case(roof.site, roof.readings())
    nothing = np.zeros(len(case.day.positions), dtype=bool)
    outline = outline_of(case, [SHADED], nothing, ~nothing)
    assert outline.as_details() == []
    assert (outline.span_deg, outline.highest_deg, outline.taken) == ((0.0, 0.0), 0.0, 0.0)


def test_details_are_json_and_give_the_outline_back() -> None:
    outline = found(shaded_roof(box(0.0, 15.0, 75.0), place=PERTH, azimuth_deg=0.0, start=date(2026, 6, 10)))
    written = json.loads(json.dumps(outline.as_details()))
    assert {"azimuth_deg", "elevation_deg", "known"} <= set(written[0])
    again = Outline.from_details(written, outline.taken)
    assert again.span_deg == outline.span_deg
    np.testing.assert_allclose(again.elevation_deg, outline.elevation_deg, atol=0.05)
    assert (again.known == outline.known).all()


def test_the_top_at_any_azimuth() -> None:
    outline = Outline(np.array([2.5, 357.5]), np.array([30.0, 20.0]), np.zeros(2), np.full(2, 90.0), 1.0)
    np.testing.assert_array_equal(
        outline.top_at(np.array([359.0, 0.0, 4.9, 5.0, 361.0])), [20, 30, 30, 0, 30]
    )


def test_the_fleets_box_is_where_it_says() -> None:
    chimney: Obstacle = box(0.0, 15.0, 50.0)
    assert chimney.blocked(np.array([350.0, 10.0, 20.0]), np.array([40.0, 40.0, 40.0])).tolist() == [1, 1, 0]
