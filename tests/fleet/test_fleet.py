"""The verification against an outside engine: a fixed fleet, the bar, and checks that the fleet itself is sound.

Not a measure of the service on real roofs: the fleet's physics differs from the service's, but both are models.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from PySAM import Pvwattsv8  # type: ignore[import-untyped]

from tests.fleet.faults import PRIMARY
from tests.fleet.plant import Module, dc_power
from tests.fleet.roof import Air, Roof
from tests.fleet.score import Tally, fleet, score
from tests.fleet.simulate import PLACES, make_site
from tests.fleet.skies import SKIES
from tests.fleet.sun import clear_sky, sun

SITES = 40
FOUND, ACCUSED = 0.97, 0.003
PVWATTS_AGREES = 0.03
"""Reflection, low light and temperature are modelled otherwise in PVWatts; their sum is within this."""


@pytest.fixture(scope="module")
def scores() -> dict[str, Tally]:
    return score(fleet(SITES))


def test_faults_are_found_and_rightly_named(scores: dict[str, Tally]) -> None:
    counts = scores["all"]
    assert sum(counts.planted[c] for c in PRIMARY) > 50
    assert counts.share_found(PRIMARY) >= FOUND, "\n".join(counts.notes)


def test_healthy_units_are_not_accused(scores: dict[str, Tally]) -> None:
    counts = scores["all"]
    assert counts.healthy > 400
    assert counts.share_accused <= ACCUSED, "\n".join(counts.notes)


def test_no_sound_site_is_accused_as_a_whole(scores: dict[str, Tally]) -> None:
    assert not scores["all"].accused_sites, "\n".join(scores["all"].notes)


def test_engine_agrees_with_pvwatts_on_a_clear_day() -> None:
    # PVWatts v8 as PySAM carries it (NREL/TP-6A20-62641 and SAM's own changes), hourly steps of the same minutes
    place = PLACES[3]
    minutes = pd.date_range("2017-06-10", periods=1440, freq="1min", tz="UTC")
    elevation, azimuth = sun(place, minutes)
    dni, dhi = clear_sky(place, minutes, elevation, turbidity_factor=1.0, water_cm=1.5)
    air = Air(minutes, elevation, azimuth, dni, dhi, np.full(1440, 20.0), np.full(1440, 1.0))
    roof = Roof(place, air, 60, 0.2, 45.0, 1.0, [(30.0, 180.0)], [], [], [])
    light = roof.light((30.0, 180.0))
    ours = dc_power(Module(1000, -0.0037, 0.01), light.beam + light.diffuse, light.cell_c).sum() / 60
    theirs = _pvwatts_dc_wh(air, place.latitude, place.longitude, place.elevation_m)
    assert ours == pytest.approx(theirs, rel=PVWATTS_AGREES)


def _pvwatts_dc_wh(air: Air, latitude: float, longitude: float, elevation_m: float) -> float:
    hours = pd.date_range("2017-01-01 00:00", periods=8760, freq="1h")
    day = {
        name: pd.Series(
            values.reshape(-1, 60).mean(axis=1), pd.date_range("2017-06-10", periods=24, freq="1h")
        )
        for name, values in (("dn", air.dni), ("df", air.dhi))
    }
    columns = {name: series.reindex(hours, fill_value=0.0).tolist() for name, series in day.items()}
    clock = {name: getattr(hours, name).tolist() for name in ("year", "month", "day", "hour")}
    model = Pvwattsv8.new()
    model.SolarResource.solar_resource_data = {
        **clock, **columns, "minute": [30] * 8760, "tdry": [20.0] * 8760, "wspd": [1.0] * 8760,
        "lat": latitude, "lon": longitude, "tz": 0, "elev": elevation_m,
    }  # fmt: skip
    model.SystemDesign.assign(
        {"system_capacity": 1.0, "module_type": 0, "dc_ac_ratio": 1.0, "inv_eff": 96.0, "losses": 0.0,
         "array_type": 1, "tilt": 30.0, "azimuth": 180.0, "gcr": 0.01}
    )  # fmt: skip
    model.execute(0)
    return float(sum(model.Outputs.dc))


@pytest.mark.parametrize("sky", SKIES)
def test_readings_are_what_a_roof_can_make(sky: str) -> None:
    made = make_site(7, sky=sky, days=2, faults=())
    rated = [made.site.inverter_type(u.inverter_type).ac_rated_w for u in made.site.units]
    energy = made.readings.energy_wh
    assert energy.shape == (len(made.site.units), 576)
    assert np.nanmin(energy) >= 0
    assert np.all(np.nanmax(energy, axis=1) <= np.array(rated) / 12 * 1.06 + 1)
    assert 0.005 < np.isnan(energy).mean() < 0.7  # up to a December night unheard
    assert made.truth == {}


def test_neighbours_differ_as_their_nameplates_do() -> None:
    made = make_site(3, sky="clear", planes=1, units=30, faults=())
    day = np.nansum(made.readings.energy_wh, axis=1) / np.mean(~np.isnan(made.readings.energy_wh), axis=1)
    assert 0.003 < np.std(day) / np.mean(day) < 0.02


@pytest.mark.parametrize(
    ("cause", "low", "high"),
    [
        ("not_reporting", 1, 1),
        ("no_output", 0.05, 1),
        ("substring_out", 0.25, 0.75),
        ("data_gap", 0.01, 0.95),
    ],
)
def test_a_planted_fault_takes_its_share(cause: str, low: float, high: float) -> None:
    made = make_site(11, sky="mixed", units=8, faults=(cause,))
    (fault,) = made.truth.values()
    assert fault.cause == cause
    assert low <= fault.visible <= high


def test_a_mistyped_serial_is_silent_and_its_owner_a_stranger() -> None:
    made = make_site(5, sky="clear", units=10, faults=("not_on_record",))
    ((stranger, row),) = made.readings.strangers.items()
    noted = made.resembles[stranger]
    serials = [u.serial for u in made.site.units]
    assert made.truth[stranger].cause == "not_on_record"
    assert made.truth[noted].cause == "not_reporting"
    assert stranger not in serials
    assert np.isnan(made.readings.energy_wh[serials.index(noted)]).all()
    assert np.nansum(row) > 0
    assert sum(a != b for a, b in zip(stranger, noted, strict=True)) <= 2


def test_the_same_seed_gives_the_same_site() -> None:
    one, two = make_site(2, sky="broken"), make_site(2, sky="broken")
    assert one.record() == two.record()
    assert one.table() == two.table()
