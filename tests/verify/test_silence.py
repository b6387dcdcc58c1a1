"""What a coarse register shows of a unit in shade, and of one that drops out."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import numpy as np

from service.verify.run import build_case, verify
from service.verify.sky import without_sun
from tests.verify.conftest import Roof

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
