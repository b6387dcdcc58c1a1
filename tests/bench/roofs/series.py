"""The measured series, as roofs of which any number of units can be made.

Power of whole arrays (see `tests/reference/open_data.py` for what the files are) has the one facing that it was
measured on; measured irradiance can be laid on any plane. Days are those of the place's standard time that lie whole
in the series.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache

import numpy as np
import pandas as pd
from numpy.random import Generator

from tests.bench.roofs.light import Made, Weather, ac_share, clear_weather, made_on, sky_part
from tests.bench.roofs.reduce_golden import GOLDEN_2019
from tests.fleet.reduce_payerne import LOWEST_SUN_DEG
from tests.fleet.roof import Facing
from tests.fleet.skies import FIRST_MINUTE, PAYERNE, STATION, clear_at_payerne
from tests.fleet.sun import Array, Place
from tests.reference import open_data
from tests.reference.open_data import ELEVATION_M, LATITUDE, LONGITUDE, STANDARD_TIME

CAMPUS = Place("Golden", LATITUDE, LONGITUDE, ELEVATION_M, "America/Denver")
LEAST_HEARD = 0.98
"""Share of a day's steps that a series must have; the rest is filled up from both sides."""

AIR_C = {"winter": 0.0, "spring": 10.0, "summer": 20.0}
"""Air where none was measured, about (from memory)."""

DAY = timedelta(days=1)


@dataclass(frozen=True, eq=False)
class Series:
    """One roof: `made(facing)` and `clear(facing)` give all its steps, by `starts`.

    `facings` are those that it was measured on; none where its light can be laid on any.
    """

    name: str
    place: Place
    step_min: int
    starts: pd.DatetimeIndex
    days: tuple[date, ...]
    facings: tuple[Facing, ...]
    made: Callable[[Facing], Made]
    clear: Callable[[Facing], Made]
    of_power: bool = False
    """Whether power was measured, of an array that may fail or lie under snow, and not light."""

    def steps(self, first: date, days: int) -> slice:
        """Return where the days' steps are."""
        begin = int(self.starts.searchsorted(pd.Timestamp(first, tz=self.starts.tz)))
        return slice(begin, begin + days * self.steps_a_day)

    def middles(self, steps: slice) -> pd.DatetimeIndex:
        """Return the middles of some steps."""
        return self.starts[steps] + pd.Timedelta(minutes=self.step_min / 2)

    @property
    def steps_a_day(self) -> int:
        """Return how many steps a day has."""
        return 24 * 60 // self.step_min

    def draw_facings(self, rng: Generator, count: int) -> tuple[Facing, ...]:
        """Return planes of the roof, apart by about a right angle where they can be chosen."""
        if self.facings:
            return self.facings
        azimuth = 180 + rng.uniform(-80, 80)
        turns = [0.0, *(float(t) + rng.uniform(-8, 8) for t in rng.permutation([90, -90, 180])[: count - 1])]
        tilts = rng.uniform(12, 45, count)
        return tuple(
            (round(float(tilt), 1), round(float((azimuth + turn) % 360), 1))
            for tilt, turn in zip(tilts, turns, strict=True)
        )


# --- measured power


@cache
def serf_east_2011() -> Series:
    """Return the half of SERF East, 2011-04-15 to 2013-12-31, its labels put on standard time."""
    roof = open_data.serf_east_2011()
    late = pd.DatetimeIndex(roof.watts.index)
    wall = late.tz_localize(None).tz_localize("America/Denver", ambiguous="NaT", nonexistent="NaT")
    right = roof.watts.set_axis(wall.tz_convert(STANDARD_TIME))
    return _of_power("SERF East 2011", right[right.index.notna()].groupby(level=0).last(), roof, "spring")


@cache
def serf_east_2016() -> Series:
    """Return the whole of SERF East, 2016-07-01 to 2016-10-12."""
    roof = open_data.serf_east_2016()
    return _of_power("SERF East 2016", roof.watts, roof, "summer")


@cache
def serf_west_2022() -> Series:
    """Return SERF West, 2022-01-02 to 06."""
    roof = open_data.serf_west_2022()
    return _of_power("SERF West", roof.watts, roof, "winter")


@cache
def rsf_2022() -> Series:
    """Return the better inverter of RSF II, 2022-01-02 to 06, its labels put right by two hours."""
    roof = open_data.rsf_2022(later=timedelta(hours=-2))[0]
    return _of_power("RSF II", roof.watts, roof, "winter")


def _of_power(name: str, watts: pd.Series, roof: open_data.Roof, season: str) -> Series:
    starts, days, filled = _whole_days(watts.clip(lower=0), 15)
    share, facing = filled / roof.dc_w, (roof.tilt_deg, roof.azimuth_deg)
    middles = starts + pd.Timedelta(minutes=7.5)

    @cache
    def clear(facing: Facing) -> Made:
        return made_on(facing, CAMPUS, middles, clear_weather(CAMPUS, middles, AIR_C[season]))

    def made(facing: Facing) -> Made:
        return Made(share, sky_part(share, clear(facing)))

    return Series(name, CAMPUS, 15, starts, days, (facing,), made, clear, of_power=True)


# --- measured irradiance


@cache
def golden_plane_2019() -> Series:
    """Return the plane of 40 degrees to the south of Golden's station, 2019-03-10 to 17 (see `data/README.md`)."""
    table = pd.read_parquet(GOLDEN_2019).astype(float)
    station = Place("Golden", 39.742, -105.18, 1829, "America/Denver")
    starts, days, poa = _whole_days(table["poa_w_m2"], 5)
    air, wind = (table[c].reindex(starts).ffill().to_numpy() for c in ("air_c", "wind_m_s"))
    poa = np.maximum(poa, 0.0)
    share = ac_share(poa, poa, Weather(poa, poa, poa, air, wind))
    middles = starts + pd.Timedelta(minutes=2.5)

    @cache
    def clear(facing: Facing) -> Made:
        return made_on(facing, station, middles, clear_weather(station, middles, AIR_C["spring"]))

    def made(facing: Facing) -> Made:
        return Made(share, sky_part(share, clear(facing)))

    return Series("Golden plane", station, 5, starts, days, ((40.0, 180.0),), made, clear)


@cache
def golden_2022() -> Series:
    """Return Golden's irradiance of 2022-01-01 to 03."""
    table = open_data.campus_irradiance()
    parts = {
        "dni": "Direct Normal",
        "ghi": "Global Horizontal",
        "dhi": "Diffuse Horizontal",
        "air_c": "Ambient Temperature",
        "wind_m_s": "Wind Speed",
    }
    return _of_light(
        "Golden 2022", CAMPUS, pd.DataFrame({name: table[column] for name, column in parts.items()})
    )


@cache
def payerne_2016() -> Series:
    """Return Payerne's irradiance of June 2016, made again from its shares of a clear sky (`tests/fleet/data`).

    On the 6th and the 10th most of the beam was not measured: they are left out.
    """
    shares = pd.read_parquet(PAYERNE).astype(float)
    minutes = pd.date_range(FIRST_MINUTE, periods=len(shares), freq="1min")
    elevation, dni, dhi = clear_at_payerne(minutes)
    light = pd.DataFrame(
        {"dni": shares["beam"].to_numpy() * dni, "dhi": shares["diffuse"].to_numpy() * dhi}, index=minutes
    )
    low = elevation <= LOWEST_SUN_DEG  # the file is empty there
    light[elevation <= 0] = 0.0
    light[low] = light.interpolate(limit_direction="both")[low]
    light["ghi"] = light["dni"] * np.sin(np.radians(np.maximum(elevation, 0.0))) + light["dhi"]
    fives = light.resample("5min").mean().tz_convert("Etc/GMT-1")
    return _of_light("Payerne", STATION, fives.assign(air_c=AIR_C["summer"], wind_m_s=2.0))


def _of_light(name: str, place: Place, light: pd.DataFrame) -> Series:
    starts, days, _ = _whole_days(light["ghi"], 5)
    filled = light.reindex(starts).interpolate(limit_direction="both")
    dni, ghi, dhi = (filled[c].clip(lower=0).to_numpy() for c in ("dni", "ghi", "dhi"))
    weather = Weather(dni, ghi, dhi, filled["air_c"].to_numpy(), filled["wind_m_s"].to_numpy())
    middles = starts + pd.Timedelta(minutes=2.5)
    air = float(filled["air_c"].mean())

    def made(facing: Facing) -> Made:
        return made_on(facing, place, middles, weather)

    @cache
    def clear(facing: Facing) -> Made:
        return made_on(facing, place, middles, clear_weather(place, middles, air))

    return Series(name, place, 5, starts, days, (), made, clear)


def _whole_days(values: pd.Series, step_min: int) -> tuple[pd.DatetimeIndex, tuple[date, ...], Array]:
    """Return the steps from the series' first midnight to its last, the days that it has whole, and its values."""
    index = pd.DatetimeIndex(values.index)
    starts = pd.date_range(
        index[0].ceil("D"), index[-1].ceil("D"), freq=f"{step_min}min", inclusive="left", tz=index.tz
    )
    on_grid = values.reindex(starts)
    heard = on_grid.notna().to_numpy().reshape(-1, 24 * 60 // step_min).mean(axis=1)
    midnights = starts[:: 24 * 60 // step_min]
    days = tuple(m.date() for m, share in zip(midnights, heard, strict=True) if share >= LEAST_HEARD)
    return starts, days, on_grid.interpolate(limit_direction="both").to_numpy(dtype=np.float64)


ROOFS: dict[str, tuple[Callable[[], Series], int]] = {
    "SERF East 2011": (serf_east_2011, 9),
    "SERF East 2016": (serf_east_2016, 4),
    "Payerne": (payerne_2016, 5),
    "Golden plane": (golden_plane_2019, 2),
    "Golden 2022": (golden_2022, 1),
    "SERF West": (serf_west_2022, 1),
    "RSF II": (rsf_2022, 1),
}
"""Every roof with its share of the trials, more for more days.

Left out are Golden's irradiance of February 2019 (`irradiance_RMIS_NREL.csv`), whose parts contradict each other by
what a clock half an hour off would do, and RSF II's second inverter, which gives 0.6 of the first.
"""
