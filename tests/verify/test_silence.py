"""What a coarse register shows of a unit in shade, and of one that drops out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from service.expect.site import Plane
from service.verify.case import expectation
from service.verify.day import daylight
from service.verify.run import build_case, verify
from service.verify.sky import without_sun
from tests.verify.conftest import Roof, counted_on

DAYS = 3


def counted(energy_wh: np.ndarray) -> np.ndarray:
    """Return what a counter of whole Wh shows of energies, (U, T)."""
    shown: np.ndarray = np.diff(np.floor(np.cumsum(energy_wh, axis=1)), axis=1, prepend=0.0)
    return shown


def causes_of(made: Roof) -> dict[str, tuple[str, ...]]:
    made.energy_wh = counted(made.energy_wh)
    return {u.serial: u.causes for u in verify(made.site, made.readings()).units if u.causes}


def test_zeros_of_a_coarse_register_in_the_light_of_the_sky_are_shade(roof: Callable[..., Roof]) -> None:
    made = roof(units=6, days=DAYS, index=1.0, ac_rated_w=400.0, start=datetime(2026, 11, 10, tzinfo=UTC))
    case = build_case(made.site, made.readings())
    sky_wh = np.zeros_like(made.energy_wh)
    sky_wh[:, case.day.positions] = without_sun(case.day, case.array_sky, case.measured_wh)
    for day in range(DAYS):
        morning = slice(made.interval(4, day), made.interval(9.5, day))
        made.energy_wh[:2, morning] = sky_wh[:2, morning]
    assert causes_of(made) == {"700000": ("shaded",), "700001": ("shaded",)}


def test_zeros_at_full_sun_are_drop_outs_behind_a_coarse_register_too(roof: Callable[..., Roof]) -> None:
    made = roof(units=6, days=DAYS, index=1.0, ac_rated_w=400.0)
    for day, hour in ((0, 9.0), (1, 13.5), (2, 11.0)):
        made.energy_wh[0, made.interval(hour, day) : made.interval(hour + 0.4, day)] = 0.0
    assert causes_of(made) == {"700000": ("intermittent",)}


def walled(made: Roof) -> Roof:
    """Return the roof under a clear sky with its second plane on a wall that the sun leaves before noon."""
    site = replace(made.site, planes=(made.site.planes[0], Plane("west", 90, 60)))
    day = daylight(site, made.grid, None)
    energy = np.zeros_like(made.energy_wh)
    energy[:, day.positions] = expectation(day, day.clear).energy_wh
    return Roof(site, made.grid, energy)


def test_a_wall_that_shows_nothing_any_more_in_values_cut_to_whole_steps_is_not_off(
    roof: Callable[..., Roof],
) -> None:
    made = walled(roof(units=6, planes=2))
    made.energy_wh[1::2, made.interval(12) :] *= 0.55
    made.energy_wh = np.floor(made.energy_wh)
    last = made.grid.count - 1 - int((made.energy_wh[1, ::-1] > 0).argmax())
    assert last < made.interval(18)  # the others go on for an hour and more
    assert not verify(made.site, made.readings()).findings


def test_a_wall_that_stops_in_the_sun_is_off_behind_values_cut_to_whole_steps(
    roof: Callable[..., Roof],
) -> None:
    made = walled(roof(units=6, planes=2))
    made.energy_wh[1::2, made.interval(8) :] = 0.0
    made.energy_wh = np.floor(made.energy_wh)
    named = {u.serial: u.causes for u in verify(made.site, made.readings()).units if u.causes}
    assert named == dict.fromkeys(("700001", "700003", "700005"), ("no_output",))


@pytest.mark.parametrize(("kept", "named"), [(counted_on, True), (np.floor, False)])
def test_a_wall_that_stops_in_its_last_light_is_off_only_by_registers_that_count_on(
    roof: Callable[..., Roof], kept: Callable[[np.ndarray], np.ndarray], named: bool
) -> None:
    made = walled(roof(units=6, planes=2))
    made.energy_wh[1::2, made.interval(12) :] *= 0.55
    made.energy_wh[1::2, made.interval(16) :] = 0.0
    made.energy_wh = kept(made.energy_wh)
    found = {u.serial: u.causes for u in verify(made.site, made.readings()).units if u.causes}
    walls = ("700001", "700003", "700005")
    assert found == (dict.fromkeys(walls, ("no_output",)) if named else {})
