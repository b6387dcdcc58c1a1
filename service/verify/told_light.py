"""The light that each plane's units say they had: what most of them agree on, through inverter and module backwards.

Not here: what sky or orientation explains it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.expect.energy import UnitGroup, unit_groups
from service.expect.grid import BoolArray, Grid
from service.expect.inverter import dc_power_from_ac
from service.expect.module import STC_CELL_TEMP_C, STC_IRRADIANCE_W_M2, low_light_loss
from service.expect.site import Plane, Site
from service.expect.temperature import cell_temperature
from service.expect.weather import DEFAULT_WIND_M_S, Weather, air_temperature
from service.verify.consensus import AGREEMENT, consensus, shapes_apart
from service.verify.inputs import FloatArray

AT_LIMIT = 0.965
"""Share of the rating from which an inverter says no more about the light."""

AGREED = 0.5
"""More than this share of a plane's live units must agree for them to speak of their plane."""

OTHER_SHAPE, OF_STEPS = 0.03, 1.5
"""Share of a unit's energy that comes at another time than its like units', from which its curve is another, and that
over what their register's steps alone move: up to 2 % (computed for whole Wh in five minutes), or far more where a
plane has its back to the sun."""

SILENT_SHARE = 0.02
STEP_NOISE = 0.41
"""Standard deviation of the difference of two floors, in steps of the register."""


@dataclass(frozen=True)
class ToldLight:
    """Effective irradiance of P planes in T intervals, W/m2, (P, T), NaN where their units tell nothing.

    `step_w_m2` (P, T) is the standard deviation that the register's step alone gives it; `voices` (P,) is how many
    units speak for a plane in light, as a rule.
    """

    planes: tuple[Plane, ...]
    w_m2: FloatArray
    step_w_m2: FloatArray
    voices: FloatArray


def told_light(
    site: Site, grid: Grid, energy_wh: FloatArray, quantum_wh: float, weather: Weather | None = None
) -> ToldLight:
    """Return what the units (U, T), Wh, NaN where not heard, say of the light on their planes."""
    groups = unit_groups(site)
    planes = tuple(p for p in site.planes if any(g.plane == p for g in groups))
    air = grid.to_intervals(air_temperature(weather, grid, site=site), "mean")
    voices = _without_silent(site, energy_wh)
    dark = np.asarray(~(np.nan_to_num(energy_wh) > 0).any(axis=0))
    said = [(g.plane, _said(site, grid, g, voices, quantum_wh, dark, air)) for g in groups]
    by_plane = [_of_most([each for plane, each in said if plane == p]) for p in planes]
    total, votes, step = np.stack(by_plane, axis=1)
    known = votes > 0
    sums = np.maximum(votes, 1.0)
    usual = [float(np.median(v[t > 0])) if (t > 0).any() else 0.0 for v, t in zip(votes, total, strict=True)]
    return ToldLight(planes, np.where(known, total / sums, np.nan), step / sums, np.array(usual))


def _said(
    site: Site,
    grid: Grid,
    group: UnitGroup,
    voices: FloatArray,
    quantum_wh: float,
    dark: BoolArray,
    air: FloatArray,
) -> FloatArray:
    """Return the light that a group's units agree on times their number, that number, and the register's step so."""
    agreed, near = _agreed(voices[list(group.members)], quantum_wh, dark)
    hours = grid.interval_min / 60
    told = np.isfinite(agreed) & (agreed < AT_LIMIT * group.inverter.ac_rated_w * hours)
    count = np.where(told, near, 0.0)
    light = np.where(told, _light(site, group, agreed / hours, air), 0.0)
    error = STEP_NOISE * quantum_wh / np.sqrt(np.maximum(near, 1)) * _light_per_wh(group, grid)
    return np.stack([count * light, count, count * error])


def _of_most(said: list[FloatArray]) -> FloatArray:
    """Return what a plane's types of units say (3, T) together, but for those that are fewer and see another shape.

    They lie elsewhere or in a shade of their own, as a like unit of another curve does.
    """
    voices = [float(each[1].sum()) for each in said]
    most = said[int(np.argmax(voices))]
    kept = [
        each for each, of in zip(said, voices, strict=True) if of == max(voices) or _sees_alike(each, most)
    ]
    return np.asarray(np.sum(kept, axis=0))


def _sees_alike(one: FloatArray, other: FloatArray) -> bool:
    """Return whether two types' light (3, T) has the same shape where both saw it."""
    both = (one[1] > 0) & (other[1] > 0)
    return bool(shapes_apart(*(each[0, both] / each[1, both] for each in (one, other))) <= OTHER_SHAPE)


def _without_silent(site: Site, energy_wh: FloatArray) -> FloatArray:
    rated = np.array([site.dc_rated_w(u) for u in site.units])[:, None]
    share = np.nan_to_num(energy_wh) / rated
    return np.where(share < SILENT_SHARE * share.max(axis=0, initial=0.0), np.nan, energy_wh)


def _agreed(voices: FloatArray, quantum_wh: float, dark: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Return what most of the like units (n, T) gave, NaN where no majority agrees, and how many of them do.

    Units whose curve has another shape than most are left out: one on another plane, or in a shade of its own, agrees
    with the others at times and would bend them. In the `dark` (T,) no unit of the site gave anything.
    """
    lit = voices[:, ~dark]
    agreed = consensus(lit, width=AGREEMENT, floor=2 * quantum_wh)
    alike = _alike(lit, agreed, quantum_wh)
    if not alike.all():
        lit = np.where(alike[:, None], lit, np.nan)
        agreed = consensus(lit, width=AGREEMENT, floor=2 * quantum_wh)
    live = np.isfinite(lit)
    with np.errstate(invalid="ignore"):
        near = (np.abs(lit - agreed) <= AGREEMENT * agreed + 2 * quantum_wh) & live
    count = np.isfinite(voices).sum(axis=0).astype(float)
    count[~dark] = near.sum(axis=0)
    out = np.where(count > 0, 0.0, np.nan)
    out[~dark] = np.where(count[~dark] > AGREED * live.sum(axis=0), agreed, np.nan)
    return out, count


def _alike(voices: FloatArray, agreed: FloatArray, quantum_wh: float) -> BoolArray:
    """Return which units have the shape that most have, (n,): none where two contradict each other."""
    heard = np.isfinite(voices) & np.isfinite(agreed)
    own, common = np.where(heard, voices, 0.0), np.where(heard, agreed, 0.0)
    apart, given = shapes_apart(own, common), own.sum(axis=1) > 0
    usual = float(np.median(apart[given])) if given.any() else 0.0
    alike = ~given | (apart <= max(OTHER_SHAPE, 2 * usual))
    most = max(OTHER_SHAPE, OF_STEPS * _moved_by_steps(own, quantum_wh))
    if given.sum() == 2 and apart[given].max() > most:
        return np.asarray(~given)
    return np.asarray(alike)


def _moved_by_steps(energy_wh: FloatArray, quantum_wh: float) -> float:
    """Return the share of its energy that the registers' steps part the brighter of two units from what both agree on.

    That lies halfway between them; (2, T).
    """
    apart_wh = STEP_NOISE * quantum_wh * np.sqrt(2 / np.pi) * (energy_wh > 0).sum(axis=1)
    shares = apart_wh / 2 / np.maximum(energy_wh.sum(axis=1), 1e-9)
    return float(shares.min() / 2)


def _light(site: Site, group: UnitGroup, ac_w: FloatArray, air_temp_c: FloatArray) -> FloatArray:
    """Return the effective irradiance, W/m2, that gives an AC power: `service.expect.module.dc_power` backwards.

    The cell's warmth grows with the light itself, so that a quadratic is solved; twice, for the low-light loss.
    """
    rated_w = group.module.pmax_w * group.module_count * site.losses.factor
    relative = dc_power_from_ac(ac_w, inverter=group.inverter) / rated_w
    gamma = group.module.gamma_pmax_per_c
    at_dark, at_full = (
        cell_temperature(g, air_temp_c=air_temp_c, wind_m_s=DEFAULT_WIND_M_S, mounting=group.plane.mounting)
        for g in (0.0, STC_IRRADIANCE_W_M2)
    )
    slope, bend = 1 + gamma * (at_dark - STC_CELL_TEMP_C), gamma * (at_full - at_dark)
    light = relative
    for _ in range(2):
        dim = np.where(
            relative > 0, low_light_loss(light * STC_IRRADIANCE_W_M2, k=group.module.low_light_k), 0.0
        )
        root = np.sqrt(np.maximum(slope**2 + 4 * bend * (relative + dim), (slope / 4) ** 2))
        light = 2 * (relative + dim) / (slope + root)
    return np.asarray(light * STC_IRRADIANCE_W_M2)


def _light_per_wh(group: UnitGroup, grid: Grid) -> float:
    rated_wh = group.module.pmax_w * group.module_count * grid.interval_min / 60
    return float(STC_IRRADIANCE_W_M2 / rated_wh)
