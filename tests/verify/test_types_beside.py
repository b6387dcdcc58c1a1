"""Units that are the only ones of their type on their plane, beside others of the plane."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from service.expect.site import InverterType, ModuleType
from service.verify.run import build_case, verify
from service.verify.told_light import told_light
from tests.verify.conftest import Roof, counted_on, in_air

Made = Callable[..., Roof]
AIR = 3.0
RARE = [0, 2]


def of_another_type(r: Roof, rows: list[int], there: str = "south", ac_rated_w: float = 300.0) -> Roof:
    """Return the roof on a clear day with units of another type, recorded on the south plane, that lie `there`."""
    types = (*r.site.module_types, ModuleType("rare", 350.0))
    inverters = (*r.site.inverter_types, InverterType("small", ac_rated_w, 0.96))
    units = tuple(
        replace(u, module_type="rare", inverter_type="small") if i in rows else u
        for i, u in enumerate(r.site.units)
    )
    site = replace(r.site, module_types=types, inverter_types=inverters, units=units)
    lie = tuple(replace(u, plane=there) if i in rows else u for i, u in enumerate(units))
    made = in_air(replace(r, site=replace(site, units=lie)), AIR)
    return replace(made, site=site)


def elsewhere(r: Roof) -> set[str]:
    return {s for f in verify(r.site, r.readings()).findings if f.cause == "wrong_plane" for s in f.serials}


@pytest.mark.parametrize("rows", [RARE, [0]])
@pytest.mark.parametrize("ac_rated_w", [300.0, 200.0])
def test_a_unit_of_another_type_lies_where_the_units_of_another_plane_are_like_it(
    roof: Made, rows: list[int], ac_rated_w: float
) -> None:
    r = of_another_type(roof(units=14, planes=2), rows, "west", ac_rated_w)
    assert elsewhere(r) == {r.site.units[i].serial for i in rows}


@pytest.mark.parametrize("hours", [None, (0.0, 11.0), (13.0, 24.0)])
def test_a_unit_of_another_type_on_its_plane_is_accused_of_no_other_in_the_sun_or_in_shade(
    roof: Made, hours: tuple[float, float] | None
) -> None:
    r = of_another_type(roof(units=14, planes=2), RARE)
    if hours:
        begin, end = (r.interval(h) for h in hours)
        r.energy_wh[RARE, begin:end] *= 0.3
    assert elsewhere(r) == set()


def test_units_of_another_type_that_lie_elsewhere_turn_no_plane(roof: Made) -> None:
    r = of_another_type(roof(units=12, planes=2, days=5, interval_min=15), RARE, "west")
    assert build_case(r.site, r.readings()).alignment.plane is None
    assert elsewhere(r) == {r.site.units[i].serial for i in RARE}


def test_a_plane_has_the_light_of_most_of_its_units_and_of_all_where_none_are_most(roof: Made) -> None:
    r = of_another_type(roof(units=12, planes=2), RARE, "west")
    without = np.where(np.isin(np.arange(12), RARE)[:, None], np.nan, r.energy_wh)
    all_of_them, most = (told_light(r.site, r.grid, e, 0.0).w_m2[0] for e in (r.energy_wh, without))
    np.testing.assert_array_equal(all_of_them, most)
    half = np.where(np.isin(np.arange(12), [4, 6])[:, None], np.nan, without)
    half[RARE] = r.energy_wh[RARE]
    two_sides = told_light(r.site, r.grid, half, 0.0).w_m2[0]
    assert np.nanmax(np.abs(two_sides - most)) > 50


def with_a_dead_branch(r: Roof, there: str) -> Roof:
    """Return the roof on a clear day with one unit of the south plane left to give, which lies `there`."""
    lie = tuple(replace(u, plane=there) if i == 0 else u for i, u in enumerate(r.site.units))
    made = in_air(replace(r, site=replace(r.site, units=lie)), AIR)
    made.energy_wh[[i for i, u in enumerate(r.site.units) if u.plane == "south" and i]] = 0.0
    return replace(made, site=r.site)


@pytest.mark.parametrize("there", ["south", "west"])
def test_the_only_unit_left_on_a_plane_turns_it_not_where_it_has_another_planes_curve(
    roof: Made, there: str
) -> None:
    r = with_a_dead_branch(roof(units=14, planes=2), there)
    assert build_case(r.site, r.readings()).alignment.plane is None
    assert elsewhere(r) == ({r.site.units[0].serial} if there == "west" else set())


def test_the_only_unit_left_on_a_plane_that_faces_as_no_other_tells_of_it(roof: Made) -> None:
    r = roof(units=14, planes=2)
    planes = (replace(r.site.planes[0], azimuth_deg=100.0), r.site.planes[1])
    made = with_a_dead_branch(replace(r, site=replace(r.site, planes=planes)), "south")
    r = replace(made, site=r.site)
    wrong = build_case(r.site, r.readings()).alignment.plane
    assert wrong is not None
    assert wrong.recorded.name == "south"


def test_two_units_whose_registers_tell_little_do_not_contradict_each_other(roof: Made) -> None:
    r = roof(units=12, planes=2, days=3)
    pair = [u for u in r.site.units if u.plane == "west"][:2]
    north = replace(r.site.planes[1], azimuth_deg=350.0, tilt_deg=40.0)
    units = tuple(u for u in r.site.units if u.plane == "south" or u in pair)
    site = replace(r.site, planes=(r.site.planes[0], north), units=units)
    winter = replace(r.grid, start=datetime(2026, 2, 20, tzinfo=UTC))
    made = in_air(Roof(site, winter, np.zeros((len(units), winter.count))), AIR)
    assert told_light(site, made.grid, counted_on(made.energy_wh), 1.0).voices[1] == 2
    made.energy_wh[units.index(pair[0]), (np.arange(winter.count) % 288) < 145] *= 0.4
    assert told_light(site, made.grid, made.energy_wh, 0.0).voices[1] == 0
