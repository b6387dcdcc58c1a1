"""Levels of dead and of shaded modules against single-diode curves and a measured shading model, both of pvlib.

Computed here: three substrings in series behind bypass diodes that conduct at 0.5 V, each of 20 or 24 cells of the
parameters of pvlib's gallery ("Calculating power loss from partial module shading"), De Soto's model for light and
temperature, Bishop's for the curve. The other model is that of Martinez-Moreno et al. 2010
(doi:10.1016/j.solmat.2010.07.029), `pvlib.shading.direct_martinez`, made from measurements.
"""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from numpy.typing import NDArray
from pvlib import pvsystem, shading, singlediode
from scipy import constants

from service.expect.grid import Grid
from service.expect.module import dc_power
from service.expect.plane import on_plane
from service.expect.site import Losses, ModuleType, Plane
from service.expect.sky import Irradiance
from service.expect.sun import sun_for
from service.verify.causes.substring_out import match_level

BYPASS_V = 0.5
SUBSTRINGS = 3
CELL = {
    "alpha_sc": 0.0042,
    "a_ref": 1.3 * constants.k * 298.15 / constants.e,
    "I_L_ref": 8.24,
    "I_o_ref": 2.36e-9,
    "R_sh_ref": 1000,
    "R_s": 0.00181,
}
LIT_W_M2 = (100.0, 200.0, 400.0, 700.0, 1000.0)
AS_STATED = 0.005
"""The stated levels are those of one cell at 25 degC; cells differ in voltage, and with it in the diode's share."""

MODELS_AGREE = 0.12
"""How far the two models lie apart for one or two shaded substrings of three, as a share of full power. The measured
one, of arrays of many modules, counts the diffuse light of shaded blocks as used; a single module bypasses them."""

LINEAR_ENOUGH = 0.03
"""Share of full power by which this cell's low light falls short of a module of today in weak diffuse light."""


def _substring_v(
    current_a: NDArray[np.float64], light: float, cell_c: float, cells: int
) -> NDArray[np.float64]:
    """Return a substring's voltage behind its bypass diode, V; in the dark the diode carries all current."""
    if light == 0:
        return np.full(current_a.shape, -BYPASS_V)
    diode = pvsystem.calcparams_desoto(light, cell_c, **CELL)
    reachable = np.minimum(current_a, 0.9999 * diode[0])
    volts = cells * singlediode.bishop88_v_from_i(reachable, *diode, method="newton")
    return np.where(current_a > reachable, -BYPASS_V, np.maximum(volts, -BYPASS_V))


def _power(lights: list[float], cell_c: float = 25.0, cells: int = 20) -> float:
    """Return the best power of substrings in series under `lights`, W."""
    current = np.linspace(0, 1.02 * CELL["I_L_ref"] * max(lights) / 1000 * (1 + 0.0006 * (cell_c - 25)), 1500)
    return float((current * sum(_substring_v(current, light, cell_c, cells) for light in lights)).max())


@pytest.mark.parametrize("cells", [20, 24])
@pytest.mark.parametrize("light", LIT_W_M2)
@pytest.mark.parametrize(("dead", "lowest", "highest"), [(1, 0.653, 0.667), (2, 0.307, 0.333)])
def test_dead_substrings_leave_the_stated_level_in_any_light(
    light: float, dead: int, lowest: float, highest: float, cells: int
) -> None:
    """The diode conducts: lower end of the range; it is shorted: upper end, which needs no model."""
    whole = _power([light] * SUBSTRINGS, cells=cells)
    level = _power([light] * (SUBSTRINGS - dead) + [0.0] * dead, cells=cells) / whole
    shorted = _power([light] * (SUBSTRINGS - dead), cells=cells) / whole
    assert level == pytest.approx(lowest, abs=dead * AS_STATED)
    assert shorted == pytest.approx(highest, abs=0.001)
    match = match_level(level, SUBSTRINGS, 1)
    assert match is not None
    assert match.lost == dead
    assert match.low - dead * AS_STATED <= level <= shorted <= match.high + 0.001


@pytest.mark.parametrize("cell_c", [-10.0, 25.0, 70.0])
def test_a_dead_substring_is_named_in_cold_and_heat(cell_c: float) -> None:
    """A hot cell has less voltage, so that the conducting diode takes a larger share of it."""
    level = _power([800.0, 800.0, 0.0], cell_c) / _power([800.0] * 3, cell_c)
    match = match_level(level, SUBSTRINGS, 1)
    assert match is not None
    assert match.lost == 1


@pytest.mark.parametrize("weak", [0.97, 0.9, 0.8, 0.5])
def test_a_module_that_is_evenly_dim_is_no_dead_substring(weak: float) -> None:
    """Dirt on all cells: the level is the light's, and between the substrings' levels it is nobody's."""
    level = _power([800 * weak] * 3) / _power([800.0] * 3)
    assert level == pytest.approx(weak, abs=0.02)
    assert match_level(level, SUBSTRINGS, 1) is None


@pytest.mark.parametrize("diffuse", [0.1, 0.2, 0.3])
@pytest.mark.parametrize("shaded", [1, 2])
def test_shade_over_whole_substrings_by_both_models(shaded: int, diffuse: float) -> None:
    """Shade on k of three substrings looks like k dead ones on a clear day: only its coming and going tells.

    Martinez-Moreno: (1 - k/3)(1 - k/4) of the beam is left, and all of the diffuse light.
    """
    lights = [1000.0] * (SUBSTRINGS - shaded) + [1000.0 * diffuse] * shaded
    level = _power(lights) / _power([1000.0] * 3)
    measured = 1 - shading.direct_martinez(
        1000, 1000 * (1 - diffuse), shaded / SUBSTRINGS, shaded, SUBSTRINGS
    )
    assert level == pytest.approx(measured, abs=MODELS_AGREE)
    match = match_level(level, SUBSTRINGS, 1)
    assert match is not None
    assert match.lost == shaded


@pytest.mark.parametrize(
    ("fraction", "blocks", "beam", "diffuse", "loss"),
    [
        (0.04 * 0.64, 1, 851.90, 59.40, 0.0783),
        (0.29 * 0.27, 5, 864.14, 58.11, 0.3282),
        (0.50 * 0.09, 8, 863.23, 58.31, 0.4634),
        (0.25, 4, 876.57, 57.98, 0.4000),
        (0.50, 8, 874.58, 58.44, 0.6892),
        (0.09, 16, 846.59, 59.42, 0.8844),
    ],
)
def test_the_measured_model_is_the_published_one(
    fraction: float, blocks: int, beam: float, diffuse: float, loss: float
) -> None:
    """Martinez-Moreno et al. 2010, table 2 (16 blocks), as held by pvlib's tests: the second opinion itself."""
    assert shading.direct_martinez(beam + diffuse, beam, fraction, blocks, 16) == pytest.approx(
        loss, abs=0.005
    )


def test_a_horizon_takes_what_shade_over_all_blocks_takes() -> None:
    """All 16 blocks and the whole surface in shade leave the light that is not beam or circumsolar (his eq. 8)."""
    sun = sun_for(
        Grid(datetime(2026, 6, 21, 18, 30, tzinfo=UTC), 60, 1),
        latitude=39.74,
        longitude=-105.18,
        elevation_m=1829,
    )
    sky = Irradiance(np.full(12, 700.0), np.full(12, 850.0), np.full(12, 90.0))
    open_sky = on_plane(Plane("p", 30, 180), sun, sky)
    behind = on_plane(Plane("p", 30, 180, horizon=((90, 89), (270, 89))), sun, sky)
    direct = open_sky.beam + open_sky.circumsolar
    loss = shading.direct_martinez(open_sky.total, direct, 1.0, 16, 16)
    assert loss.min() > 0.5
    np.testing.assert_allclose(1 - behind.total / open_sky.total, loss, atol=1e-9)


@pytest.mark.parametrize("diffuse", [0.1, 0.2, 0.3, 0.5])
def test_a_module_wholly_in_shade_gives_the_diffuse_share(diffuse: float) -> None:
    """Our power in the light that is left against the single-diode curve's."""
    module = ModuleType("m", pmax_w=300)
    lit = np.array([1000.0, 1000.0 * diffuse])
    ours = dc_power(lit, 25.0, module=module, module_count=1, losses=Losses(0, 0, 0, 0))
    level = _power([1000.0 * diffuse] * 3) / _power([1000.0] * 3)
    assert ours[1] / ours[0] == pytest.approx(level, abs=LINEAR_ENOUGH)
