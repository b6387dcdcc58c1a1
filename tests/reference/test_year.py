"""The typical year against years that others measured or worked out, whose weather we were not given.

SAM's PVWatts (version 8, through NREL-PySAM, as in `test_sam_pvwatts`) on the typical meteorological years that pvlib
carries for its own tests: NREL's TMY2 of Miami, TMY3 of Greensboro (North Carolina) and of Sand Point (Alaska). Theirs
is the weather of the place, ours that of its latitude, so that the bands are wide: what is checked is the size of a
year's energy, and that it errs on no one side. Then published irradiations of other places. The first table's places
and the three typical years were also looked at when the shares of sun and the cloudy sky's index were chosen; the
second table's were not.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pvlib
import pytest

from service.expect.site import InverterType, Losses, ModuleType, Plane, Site, Unit
from service.expect.year import Year, typical_year
from service.verify.yearly import annual_loss_kwh

try:
    from PySAM import Pvwattsv8  # type: ignore[import-untyped]
except ImportError:
    if os.environ.get("CI") == "true":
        raise
    pytest.skip("NREL-PySAM is not installed: pip install 'yieldproof[test]'", allow_module_level=True)

DATA = Path(pvlib.__file__).parent / "data"
PLACE_WITHIN = 0.15
"""One standard uncertainty of a year at a place known by its latitude alone."""

PLANES = (Plane("south", 30, 180, mounting="open_rack"), Plane("west", 30, 270, mounting="open_rack"))


@dataclass(frozen=True)
class Tmy:
    """A typical meteorological year and where it is."""

    latitude: float
    longitude: float
    elevation_m: float
    hours_ahead: float
    weather: pd.DataFrame


def _tmy3(name: str) -> Tmy:
    weather, meta = pvlib.iotools.read_tmy3(DATA / name, map_variables=True)
    place = (meta[k] for k in ("latitude", "longitude", "altitude", "TZ"))
    return Tmy(*place, weather[["ghi", "dni", "dhi", "temp_air", "wind_speed"]])


def _tmy2(name: str) -> Tmy:
    weather, meta = pvlib.iotools.read_tmy2(DATA / name)
    kept = weather[["GHI", "DNI", "DHI", "DryBulb", "Wspd"]].to_numpy(float, copy=True)
    kept[:, 3:] /= 10  # tenths of degC and m/s
    place = (meta[k] for k in ("latitude", "longitude", "altitude", "TZ"))
    return Tmy(*place, pd.DataFrame(kept, columns=["ghi", "dni", "dhi", "temp_air", "wind_speed"]))


def _sam_kwh(tmy: Tmy, plane: Plane) -> float:
    """Return SAM's year of 1 kW without fixed losses, kWh; records are labelled by the middle of their hour."""
    hour = pd.date_range("2023-01-01 00:30", periods=8760, freq="1h")
    names = {"gh": "ghi", "dn": "dni", "df": "dhi", "tdry": "temp_air", "wspd": "wind_speed"}
    clock = {part: getattr(hour, part).tolist() for part in ("year", "month", "day", "hour", "minute")}
    series = {sam: tmy.weather[ours].tolist() for sam, ours in names.items()}
    where = {"lat": tmy.latitude, "lon": tmy.longitude, "tz": tmy.hours_ahead, "elev": tmy.elevation_m}
    model = Pvwattsv8.new()
    model.SolarResource.assign({"solar_resource_data": {**where, **clock, **series}, "use_wf_albedo": 0})
    design = {"system_capacity": 1, "dc_ac_ratio": 1.0, "inv_eff": 96, "losses": 0, "gcr": 0.01}
    kind = {"array_type": 0, "module_type": 0, "tilt": plane.tilt_deg, "azimuth": plane.azimuth_deg}
    model.SystemDesign.assign({**design, **kind})
    model.execute(0)
    return float(model.Outputs.ac_annual)


def _our_kwh(tmy: Tmy, plane: Plane) -> float:
    unit = Unit("1", plane.name, "m", "i")
    site = Site(
        "a",
        tmy.latitude,
        tmy.longitude,
        "UTC",
        PLANES,
        (ModuleType("m", 1000, gamma_pmax_per_c=-0.0037, low_light_k=0),),
        (InverterType("i", 1000),),
        (unit,),
        elevation_m=tmy.elevation_m,
        losses=Losses(0, 0, 0, 0),
    )
    return annual_loss_kwh(site, unit, 1.0)


@pytest.mark.parametrize("plane", PLANES, ids=lambda p: p.name)
@pytest.mark.parametrize(
    ("read", "name"),
    [(_tmy2, "12839.tm2"), (_tmy3, "723170TYA.CSV"), (_tmy3, "703165TY.csv")],
    ids=["Miami", "Greensboro", "Sand Point"],
)
def test_a_unit_that_gives_nothing_costs_what_sam_expects_of_it(read: Any, name: str, plane: Plane) -> None:
    tmy = read(name)
    assert _our_kwh(tmy, plane) == pytest.approx(_sam_kwh(tmy, plane), rel=PLACE_WITHIN)


PUBLISHED = {  # latitude, longitude, elevation; yearly kWh/m2: global and diffuse on the level, EPJ Photovoltaics 2023
    "Chennai": (13.0, 80.18, 6, 1941.8, 942.8),  # pv220042, table 1 (elevations: from memory)
    "Cologne-Bonn": (50.7, 7.15, 67, 979.0, 544.6),
    "Datong": (40.1, 113.3, 1067, 1480.9, 670.4),
    "Riyadh": (24.91, 46.41, 600, 2189.2, 649.2),
    "Rio de Janeiro": (-22.9, -43.2, 10, 1690.5, 840.7),
}
TILTED = {  # global on the level, global and beam on 45 degrees south; Int. J. Photoenergy 2017, 7540250, table 2
    "Madrid": (40.4, -3.7, 650, 1662.0, 1864.0, 1163.0),  # places and elevations: from memory
    "Istanbul": (41.0, 29.0, 40, 1627.0, 1805.0, 1088.0),
    "Athens": (38.0, 23.7, 100, 1562.0, 1696.0, 914.0),
    "Genoa": (44.4, 8.9, 20, 1447.0, 1637.0, 944.0),
    "Bordeaux": (44.8, -0.6, 10, 1270.0, 1448.0, 744.0),
    "Milan": (45.5, 9.2, 120, 1188.0, 1342.0, 657.0),
    "Zurich": (47.4, 8.5, 450, 1105.0, 1237.0, 585.0),
    "Prague": (50.1, 14.4, 250, 998.0, 1115.0, 487.0),
    "Stockholm": (59.3, 18.1, 20, 980.0, 1232.0, 687.0),
}
LEVEL_SD, BEAM_SD, LARGEST = 0.12, 0.25, 0.45
BIAS = 0.06


def _year(latitude: float, longitude: float, elevation_m: float) -> Year:
    return typical_year(Site("a", latitude, longitude, "UTC", (), (), (), (), elevation_m=elevation_m))


def _ratios() -> tuple[list[float], list[float]]:
    """Return our global and our beam (or global less diffuse) irradiation over the published ones."""
    whole, beam = [], []
    for *place, ghi, dhi in PUBLISHED.values():
        year = _year(*place)
        ours, diffuse = (year.monthly(part).sum() / 1000 for part in (year.sky.ghi, year.sky.dhi))
        whole.append(ours / ghi)
        beam.append((ours - diffuse) / (ghi - dhi))
    for *place, ghi, tilted, tilted_beam in TILTED.values():
        year = _year(*place)
        light = year.light(Plane("tilted", 45, 180))
        whole += [
            year.monthly(year.sky.ghi).sum() / 1000 / ghi,
            year.monthly(light.total).sum() / 1000 / tilted,
        ]
        beam.append(year.monthly(light.beam).sum() / 1000 / tilted_beam)
    return whole, beam


def test_irradiation_of_fourteen_places() -> None:
    whole, beam = (np.log(ratios) for ratios in _ratios())
    assert abs(whole.mean()) < BIAS
    assert np.sqrt((whole**2).mean()) < LEVEL_SD
    assert abs(beam.mean()) < 2 * BIAS
    assert np.sqrt((beam**2).mean()) < BEAM_SD
    assert np.abs(beam).max() < LARGEST
