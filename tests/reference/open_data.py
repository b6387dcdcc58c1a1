"""Measured power of real roofs, as sites and readings that `verify` takes; no test here.

All from the data folder of the `pvanalytics` package (MIT), whose gallery says what each file holds. The systems stand
on one campus in Golden, Colorado, and belong to the PVDAQ data in the DOE Open Energy Data Initiative
(data.openei.org/submissions/4568). A whole system is one unit here, its modules counted so that the rating is met.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, timedelta
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pvanalytics  # type: ignore[import-untyped]

from service.expect.site import InverterType, ModuleType, Plane, Site, Unit
from service.verify.inputs import Readings

DATA = Path(pvanalytics.__file__).parent / "data"
STANDARD_TIME = "Etc/GMT+7"
LATITUDE, LONGITUDE, ELEVATION_M = 39.7406, -105.1775, 1829
QUARTER = pd.Timedelta(minutes=15)


@dataclass(frozen=True)
class Roof:
    """One measured stream of power as a unit of its own: 15-minute means in W, labelled by their starts."""

    name: str
    tilt_deg: float
    azimuth_deg: float
    dc_w: float
    ac_w: float
    watts: pd.Series


def site(*roofs: Roof) -> Site:
    """Return the record of a site with one unit a roof; roofs that face alike share a plane, and alike their types."""
    planes = {_plane(r): Plane(_plane(r), r.tilt_deg, r.azimuth_deg, mounting="open_rack") for r in roofs}
    modules = {f"{r.dc_w:.0f} W": ModuleType(f"{r.dc_w:.0f} W", r.dc_w / 10) for r in roofs}
    inverters = {f"{r.ac_w:.0f} W": InverterType(f"{r.ac_w:.0f} W", r.ac_w) for r in roofs}
    return Site(
        name="campus",
        latitude=LATITUDE,
        longitude=LONGITUDE,
        elevation_m=ELEVATION_M,
        timezone="America/Denver",
        planes=tuple(planes.values()),
        module_types=tuple(modules.values()),
        inverter_types=tuple(inverters.values()),
        units=tuple(
            Unit(r.name, _plane(r), f"{r.dc_w:.0f} W", f"{r.ac_w:.0f} W", module_count=10) for r in roofs
        ),
    )


def _plane(roof: Roof) -> str:
    return f"{roof.tilt_deg:g} at {roof.azimuth_deg:g}"


def readings(*roofs: Roof, first: str, days: int) -> Readings:
    """Return what the roofs gave from midnight (standard time) of `first` on."""
    starts = pd.date_range(first, periods=96 * days, freq=QUARTER, tz=STANDARD_TIME)
    rows = [r.watts.reindex(starts).clip(lower=0).to_numpy(dtype=float) / 4 for r in roofs]
    return Readings(starts[0].tz_convert(UTC).to_pydatetime(), 15, np.stack(rows))


@cache
def serf_east_2011() -> Roof:
    """Return one of the two halves of SERF East (system 50), whose labels follow summer time on a standard clock.

    `system_50_ac_power_2_full_DST.parquet`, 2011-04-15 to 2013-12-31, in W; tilt 45, azimuth 158 degrees by the
    gallery's "PV Fleets QA Process: Power". The array has 6 kW, and this stream peaks near 3 kW.
    """
    table = pd.read_parquet(DATA / "system_50_ac_power_2_full_DST.parquet").set_index("measured_on")
    return Roof("SERF East, half", 45, 158, 3000, 3500, _by_start(table["ac_power_2"].astype(float)))


@cache
def serf_east_2016() -> Roof:
    """Return the whole of SERF East (system 50), 6 kW, 2016-07-01 to 2016-10-13, its clock right."""
    table = pd.read_csv(DATA / "serf_east_15min_ac_power.csv", index_col=0)
    table.index = pd.to_datetime(table.index, utc=True)
    return Roof("SERF East", 45, 158, 6000, 6000, _by_start(table["ac_power"]))


def serf_east_2022() -> Roof:
    """Return SERF East in minutes of 2022-03-18 (from 04:33) and 19, gathered to quarter hours."""
    table = pd.read_csv(DATA / "serf_east_1min_ac_power.csv", index_col=0)
    table.index = pd.to_datetime(table.index, utc=True)
    quarters = table["ac_power__752"].resample(QUARTER).mean()
    return Roof("SERF East", 45, 158, 6000, 6000, quarters.tz_convert(STANDARD_TIME))


def serf_west_2022() -> Roof:
    """Return SERF West (system 51), in W, 2022-01-02 to 06, labelled :01, :16, :31, :46: snow on some days.

    Tilt, azimuth and rating are those of its twin SERF East (from memory).
    """
    table = _local("serf_west_15min.csv")
    table.index = pd.DatetimeIndex(table.index).floor(QUARTER)
    return Roof("SERF West", 45, 158, 6000, 6000, _by_start(table["ac_power__773"]))


def rsf_2022(*, later: timedelta = timedelta()) -> tuple[Roof, Roof]:
    """Return the two inverters of RSF II (system 1283), 2022-01-02 to 06, whose labels are two hours late.

    Each has 204.12 kW of modules (gallery, "Calculate Performance Ratio"); the first is what the meter of both
    says less the second. Tilt 10, azimuth 165 degrees (second hand: other users' records of system 1283).
    `later` moves the labels.
    """
    table = _local("nrel_RSF_II.csv")
    second = table["inv2_ac_power_w__1047"]
    first = 1000 * table["ac_power_kw_1137"] - second
    rows: Mapping[str, pd.Series] = {"RSF II/1": first, "RSF II/2": second}
    one, two = (
        Roof(name, 10, 165, 204_120, 200_000, _by_start(watts).shift(freq=later))
        for name, watts in rows.items()
    )
    return one, two


def campus_irradiance() -> pd.DataFrame:
    """Return what the campus's meteorological station measured, 2022-01-01 to 04, five-minute means by their starts.

    `rmis_weather_data.csv`, in W/m2 and degrees Celsius, taken as labelled by the ends as its neighbours.
    """
    table = _local("rmis_weather_data.csv")
    return table.set_axis(pd.DatetimeIndex(table.index) - pd.Timedelta(minutes=5)).loc[:"2022-01-04"]


def modelled_weather_2016() -> pd.DataFrame:
    """Return the weather of `serf_east_psm3_data.csv` by the quarter hours' starts, 2016-07-01 to 2016-10-13.

    NSRDB PSM3, modelled from satellites: `ghi`, `ghi_clear`, `dni_clear`, `dhi_clear` in W/m2, `temp_air` in degC;
    hourly for moments and drawn straight between them, so that a mean is that of both ends.
    """
    table = pd.read_csv(DATA / "serf_east_psm3_data.csv", index_col=0)
    table.index = pd.to_datetime(table.index, utc=True).tz_convert(STANDARD_TIME)
    return (table + table.shift(-1)) / 2


def _local(name: str) -> pd.DataFrame:
    table = pd.read_csv(DATA / name, index_col=0)
    table.index = pd.to_datetime(table.index).tz_localize(STANDARD_TIME)
    return table


def _by_start(watts: pd.Series) -> pd.Series:
    """Return the series labelled by the intervals' starts: the package calls its files right-aligned means."""
    labels = pd.DatetimeIndex(watts.index).tz_convert(STANDARD_TIME) - QUARTER
    return watts.set_axis(labels)
