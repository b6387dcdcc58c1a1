"""Measured or fetched weather on the fine steps; stated defaults where it says nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np

from service.expect.grid import FloatArray, Grid, IntArray, floats
from service.expect.plane import on_plane
from service.expect.site import Plane, Site
from service.expect.sky import Irradiance, clear_sky, closed_sky, cloudy_sky
from service.expect.sun import Sun, sun_for

DEFAULT_WIND_M_S = 1.0
"""Wind where none is given; the wind of the nominal operating cell temperature conditions (IEC 61215)."""

HIGHEST_INDEX = 2.0
"""Largest clear-sky index taken from measured global irradiance; pvlib's `clearsky_index` default."""

HIGHEST_PART_RATIO = 10.0
"""Largest ratio of measured to clear-sky direct, diffuse or plane irradiance; a guard, no source."""

LONGEST_GAP_MIN = 90
"""How far from the nearest reading air temperature and wind are still interpolated."""

TYPICAL_AIR_SD_K = 7.0
"""Standard uncertainty of `typical_air_temp_at`; tests/expect/test_weather.py holds it against open data."""

SENSOR_AIR_SD_K = 1.0
"""That of a sensor on site: what IEC 61724-1 asks of ambient temperature sensors (from memory)."""

SENSOR_INDICES = np.linspace(0.0, 1.5, 31)


@dataclass(frozen=True)
class Weather:
    """Weather on M intervals labelled by their start (UTC); each array (M,), NaN where unknown, or None.

    `ghi_w_m2`, `dni_w_m2`, `dhi_w_m2` and `poa_w_m2` (by plane name) are interval means in W/m2, `air_temp_c`
    in degC, `wind_m_s` at 10 m in m/s; `air_temp_sd_k` is the standard uncertainty of `air_temp_c`, K, None for
    that of a sensor on site. Raises ValueError for a start outside UTC or arrays of different length.
    """

    start: datetime
    interval_min: int
    ghi_w_m2: FloatArray | None = None
    dni_w_m2: FloatArray | None = None
    dhi_w_m2: FloatArray | None = None
    air_temp_c: FloatArray | None = None
    wind_m_s: FloatArray | None = None
    air_temp_sd_k: FloatArray | None = None
    poa_w_m2: Mapping[str, FloatArray] = field(default_factory=dict)

    def __post_init__(self) -> None:
        lengths = {name: len(values) for name, values in self._series().items()}
        if len(set(lengths.values())) > 1:
            raise ValueError(f"all weather series must have the same length, got {lengths}; pad with NaN.")
        _ = self.grid

    @property
    def count(self) -> int:
        """Return M, the number of intervals."""
        return max((len(values) for values in self._series().values()), default=0)

    @property
    def grid(self) -> Grid:
        """Return the weather's own grid."""
        return Grid(self.start, self.interval_min, self.count)

    def _series(self) -> dict[str, FloatArray]:
        names = ("ghi_w_m2", "dni_w_m2", "dhi_w_m2", "air_temp_c", "wind_m_s", "air_temp_sd_k")
        own = {name: getattr(self, name) for name in names}
        planes = {f"poa_w_m2 of {name}": values for name, values in self.poa_w_m2.items()}
        return {name: values for name, values in {**own, **planes}.items() if values is not None}


def sky_from_weather(weather: Weather, grid: Grid, sun: Sun, clear: Irradiance, *, site: Site) -> Irradiance:
    """Return the sky that the weather says, W/m2, (N,): NaN where it does not say, 0 with the sun down.

    Each interval mean is turned into its ratio to the clear sky's mean over the same interval (night counting
    as 0), and that ratio is held over the interval: energy is kept and the curve follows the sun. All of GHI,
    DNI and DHI are taken as given; of two, closure GHI = DHI + DNI cos z gives the third; GHI alone is split
    by `cloudy_sky`; a sensor in a plane alone is turned back into the sky that gives its reading on that
    plane. Raises KeyError for a sensor whose plane is not on the record.
    """
    hold = _Hold.of(weather, grid, sun, site)
    index = hold.ratio(weather.ghi_w_m2, "ghi", highest=HIGHEST_INDEX)
    dni = hold.ratio(weather.dni_w_m2, "dni", highest=HIGHEST_PART_RATIO) * clear.dni
    dhi = hold.ratio(weather.dhi_w_m2, "dhi", highest=HIGHEST_PART_RATIO) * clear.dhi
    measured = closed_sky(index * clear.ghi, dni, dhi, sun=sun)
    sensed = _index_from_sensors(weather, hold, sun, clear, site)
    split = cloudy_sky(sun, clear, index=np.where(np.isfinite(index), index, sensed))
    up = sun.up_share > 0
    whole = np.isfinite(measured.ghi + measured.dni + measured.dhi)
    parts = ((measured.ghi, split.ghi), (measured.dni, split.dni), (measured.dhi, split.dhi))
    return Irradiance(*(np.where(up, np.where(whole, given, guess), 0.0) for given, guess in parts))


def poa_on_steps(weather: Weather, plane: Plane, grid: Grid, sun: Sun, *, site: Site) -> FloatArray:
    """Return what the sensor in `plane` measured, W/m2, (N,), shaped like the clear sky within its intervals.

    NaN where it says nothing or there is no sensor. See `sky_from_weather`.
    """
    values = weather.poa_w_m2.get(plane.name)
    if values is None:
        return np.full(sun.steps.shape, np.nan)
    clear = clear_sky(sun, grid, site=site)
    return _Hold.of(weather, grid, sun, site).plane_poa(values, plane, sun, clear)


def _index_from_sensors(weather: Weather, hold: _Hold, sun: Sun, clear: Irradiance, site: Site) -> FloatArray:
    """Return the clear-sky index (N,) by the sensor that would get most of a clear sky at each step.

    A plane that the sun does not reach gets as much under a thin cloud as under none: it cannot tell.
    """
    best = np.full(sun.steps.shape, np.nan)
    brightest = np.full(sun.steps.shape, -1.0)
    for name, values in weather.poa_w_m2.items():
        plane = site.plane(name)
        index = _index_on_plane(hold.plane_poa(values, plane, sun, clear), plane, sun, clear)
        light = np.where(np.isfinite(index), on_plane(plane, sun, clear).total, -1.0)
        best = np.where(light > brightest, index, best)
        brightest = np.maximum(light, brightest)
    return best


def _index_on_plane(poa_w_m2: FloatArray, plane: Plane, sun: Sun, clear: Irradiance) -> FloatArray:
    """Return the clear-sky index (N,) at which `plane` gets `poa_w_m2` (N,), from a table."""
    skies = cloudy_sky(sun, clear, index=SENSOR_INDICES[:, None])
    table = np.maximum.accumulate(on_plane(plane, sun, skies).total, axis=0)
    above = np.clip((table < poa_w_m2).sum(axis=0), 1, len(SENSOR_INDICES) - 1)
    column = np.arange(table.shape[1])
    low, high = table[above - 1, column], table[above, column]
    part = np.divide(poa_w_m2 - low, high - low, out=np.zeros_like(low), where=high > low)
    step = SENSOR_INDICES[1] - SENSOR_INDICES[0]
    index = SENSOR_INDICES[above - 1] + np.clip(part, 0.0, 1.0) * step
    return np.where(np.isfinite(poa_w_m2), index, np.nan)


@dataclass(frozen=True)
class _Hold:
    """Holds interval means of the weather over the grid's fine steps, as ratios to the clear sky."""

    first: int
    grid: Grid
    sun: Sun
    clear: Irradiance
    step_begin_s: FloatArray
    step_end_s: FloatArray

    @classmethod
    def of(cls, weather: Weather, grid: Grid, sun: Sun, site: Site) -> _Hold:
        """Return the holder for the part of the weather that overlaps `grid`."""
        length = timedelta(minutes=weather.interval_min)
        first = min(max((grid.start - weather.start) // length, 0), weather.count)
        last = min(max(-((weather.start - grid.end) // length), first), weather.count)
        overlap = Grid(weather.start + first * length, weather.interval_min, last - first)
        overlap_sun = sun_for(
            overlap, latitude=site.latitude, longitude=site.longitude, elevation_m=site.elevation_m
        )
        edges = grid.step_edges_s()
        return cls(
            first,
            overlap,
            overlap_sun,
            clear_sky(overlap_sun, overlap, site=site),
            edges[:-1][sun.steps],
            edges[1:][sun.steps],
        )

    def ratio(self, values: FloatArray | None, part: str, *, highest: float) -> FloatArray:
        """Return measured over clear-sky `part` on the steps, (N,), NaN where unknown."""
        if values is None:
            return np.full(self.step_begin_s.shape, np.nan)
        return self._held_ratio(values, getattr(self.clear, part), highest)

    def plane_poa(self, values: FloatArray, plane: Plane, sun: Sun, clear: Irradiance) -> FloatArray:
        """Return a sensor's readings on the steps, W/m2, (N,)."""
        here = on_plane(plane, self.sun, self.clear).total
        return self._held_ratio(values, here, HIGHEST_PART_RATIO) * on_plane(plane, sun, clear).total

    def _held_ratio(self, values: FloatArray, curve: FloatArray, highest: float) -> FloatArray:
        measured = floats(values)[self.first : self.first + self.grid.count]
        clear_mean = self.grid.to_intervals(curve * self.sun.up_share, "mean")
        ratio = np.divide(measured, clear_mean, out=np.ones_like(measured), where=clear_mean > 1)
        ratio = np.where(np.isfinite(measured), np.clip(ratio, 0.0, highest), np.nan)
        return self._averaged(ratio)

    def _averaged(self, values: FloatArray) -> FloatArray:
        """Return interval values averaged over each step by overlap, NaN where half or more is unknown."""
        known = np.isfinite(values)
        length_s = self.grid.interval_min * 60.0
        edges = floats(self.grid.start.timestamp() + np.arange(self.grid.count + 1) * length_s)
        total = self._over_steps(edges, floats(np.where(known, values * length_s, 0.0)))
        covered = self._over_steps(edges, floats(np.where(known, length_s, 0.0)))
        enough = covered >= (self.step_end_s - self.step_begin_s) / 2
        return np.divide(total, covered, out=np.full_like(total, np.nan), where=enough)

    def _over_steps(self, edges: FloatArray, amounts: FloatArray) -> FloatArray:
        """Return how much of the amounts, spread evenly over their intervals, falls into each step."""
        running = np.concatenate(([0.0], np.cumsum(amounts)))
        upto = np.interp(np.concatenate((self.step_begin_s, self.step_end_s)), edges, running)
        half = len(self.step_begin_s)
        return floats(upto[half:] - upto[:half])


def air_temperature(weather: Weather | None, grid: Grid, *, site: Site) -> FloatArray:
    """Return ambient temperature on the fine steps, degC, (N,), finite everywhere.

    The weather's, linear between interval middles, up to LONGEST_GAP_MIN from a reading; else
    `site.air_temp_c`; else `typical_air_temp_c`.
    """
    if site.air_temp_c is not None:
        default = np.full(grid.step_count, float(site.air_temp_c))
    else:
        default = typical_air_temp_c(
            grid, latitude=site.latitude, longitude=site.longitude, elevation_m=site.elevation_m
        )
    return _interpolated(weather, None if weather is None else weather.air_temp_c, grid, default)


def air_temperature_sd(weather: Weather | None, grid: Grid) -> FloatArray:
    """Return the standard uncertainty of `air_temperature` on the fine steps, K, (N,).

    The weather's where it tells a temperature, TYPICAL_AIR_SD_K elsewhere.
    """
    usual = np.full(grid.step_count, TYPICAL_AIR_SD_K)
    if weather is None or weather.air_temp_c is None:
        return usual
    stated = SENSOR_AIR_SD_K if weather.air_temp_sd_k is None else weather.air_temp_sd_k
    return _interpolated(weather, np.where(np.isfinite(weather.air_temp_c), stated, np.nan), grid, usual)


def wind_speed(weather: Weather | None, grid: Grid, *, site: Site) -> FloatArray:  # noqa: ARG001
    """Return the wind at 10 m on the fine steps, m/s, (N,): the weather's, else DEFAULT_WIND_M_S."""
    default = np.full(grid.step_count, DEFAULT_WIND_M_S)
    return np.maximum(
        _interpolated(weather, None if weather is None else weather.wind_m_s, grid, default), 0.0
    )


def typical_air_temp_c(grid: Grid, *, latitude: float, longitude: float, elevation_m: float) -> FloatArray:
    """Return a typical ambient temperature on the fine steps, degC, (N,); see `typical_air_temp_at`."""
    middle = grid.step_edges_s()[:-1] + grid.step_hours * 1800
    return typical_air_temp_at(
        middle, grid.step_days_of_year(), latitude=latitude, longitude=longitude, elevation_m=elevation_m
    )


def typical_air_temp_at(
    moments_s: FloatArray, days: IntArray, *, latitude: float, longitude: float, elevation_m: float
) -> FloatArray:
    """Return a typical ambient temperature at moments (N,) on days of the year (N,), degC, (N,).

    Common practice, no source.

        T = 27 - 0.45 max(|lat| - 15, 0) + 0.2 |lat| cos(season) + 5 cos(hour - 15 h) - 0.0065 elevation

    The season peaks in mid-July in the north and mid-January in the south; hours are local solar ones; the
    lapse rate is that of ISO 2533. Standard uncertainty TYPICAL_AIR_SD_K.
    """
    peak_day = 197 if latitude >= 0 else 14
    season = np.cos(2 * np.pi * (days - peak_day) / 365.25)
    solar_hour = (moments_s / 3600 + longitude / 15) % 24
    steady = 27 - 0.45 * max(abs(latitude) - 15, 0.0) - 0.0065 * elevation_m
    return np.asarray(steady + 0.2 * abs(latitude) * season + 5 * np.cos(2 * np.pi * (solar_hour - 15) / 24))


def _interpolated(
    weather: Weather | None, values: FloatArray | None, grid: Grid, default: FloatArray
) -> FloatArray:
    """Return values (M,) linear between interval middles on the steps, (N,), `default` far from any."""
    known = np.zeros(0, dtype=bool) if values is None else np.isfinite(values)
    if weather is None or values is None or not known.any():
        return default
    length_s = weather.interval_min * 60.0
    middles = (weather.start.timestamp() + (np.arange(weather.count) + 0.5) * length_s)[known]
    at = grid.step_edges_s()[:-1] + grid.step_hours * 1800
    after = np.clip(np.searchsorted(middles, at), 0, len(middles) - 1)
    before = np.maximum(after - 1, 0)
    far = np.minimum(np.abs(at - middles[after]), np.abs(at - middles[before]))
    near = far <= length_s / 2 + LONGEST_GAP_MIN * 60
    return np.where(near, np.interp(at, middles, floats(values)[known]), default)
