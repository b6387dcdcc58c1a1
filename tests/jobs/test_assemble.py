"""What the physics gets of what is kept: every field of the record, every reading in its place."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
from sqlalchemy import Engine

from service.expect.energy import expected_energy
from service.expect.grid import Grid
from service.expect.site import InverterType, Losses, ModuleType, Plane, Site, Unit
from service.expect.weather import Weather
from service.jobs.assemble import Inputs, inputs_for, site_from_record
from service.store import readings, sites
from service.store.database import reading, writing
from service.verify.inputs import Readings
from tests.jobs.roof import START, bell, new_site, record, samples, send

DAY = 96
"""Quarter hours of a day."""


def _found(
    engine: Engine, site_id: str, start: datetime | None = None, end: datetime | None = None
) -> Inputs | None:
    with reading(engine) as session:
        site = sites.get(session, site_id)
        assert site is not None
        return inputs_for(session, site, start, end)


def _readings(
    engine: Engine, site_id: str, start: datetime | None = None, end: datetime | None = None
) -> Readings:
    found = _found(engine, site_id, start, end)
    assert found is not None
    return found.readings


def test_record_with_everything_arrives_whole() -> None:
    full = {
        **record(),
        "elevation_m": 60,
        "commissioned_on": "2026-05-04",
        "turbidity": 3.1,
        "air_temp_c": 12.5,
        "losses": {"soiling": 0.03, "nameplate": None},
        "planes": [
            {
                "name": "south",
                "tilt_deg": 35,
                "azimuth_deg": 170,
                "albedo": 0.3,
                "mounting": "open_rack",
                "horizon": [
                    {"azimuth_deg": 230, "elevation_deg": 12},
                    {"azimuth_deg": 90, "elevation_deg": 5},
                ],
            }
        ],
        "module_types": [
            {"name": "m", "pmax_w": 400, "gamma_pmax_per_c": -0.004, "substrings": 2, "low_light_k": 0.02}
        ],
        "inverter_types": [{"name": "i", "ac_rated_w": 350, "efficiency": 0.965}],
        "units": [
            {
                "serial": "101",
                "plane": "south",
                "row": 1,
                "column": 2,
                "branch": "A",
                "module_type": "m",
                "inverter_type": "i",
                "module_count": 2,
                "from": "2026-05-04",
                "until": "2026-06-01",
            }
        ],
    }
    assert site_from_record(full) == Site(
        name="Mill Lane 4",
        latitude=53.8,
        longitude=-1.55,
        timezone="Europe/London",
        planes=(Plane("south", 35, 170, ((90.0, 5.0), (230.0, 12.0)), 0.3, "open_rack"),),
        module_types=(ModuleType("m", 400, -0.004, 2, 0.02),),
        inverter_types=(InverterType("i", 350, 0.965),),
        units=(Unit("101", "south", "m", "i", 2, 1, 2, "A", date(2026, 5, 4), date(2026, 6, 1)),),
        elevation_m=60,
        losses=Losses(soiling=0.03),
        turbidity=3.1,
        air_temp_c=12.5,
    )


def test_record_with_the_least_has_the_stated_defaults() -> None:
    site = site_from_record({**record(), "elevation_m": None})
    assert site.elevation_m == 0
    assert site.losses == Losses()
    assert site.plane("south") == Plane("south", 35, 170)
    assert site.module_type("m") == ModuleType("m", 400)
    assert site.units[0] == Unit("101", "south", "m", "i")


def _with_two_inputs() -> dict[str, Any]:
    """Return a record of a 700 W inverter with two inputs, and of one with both modules on its only input."""
    unit = record()["units"][0]
    return {
        **record(),
        "inverter_types": [{"name": "i", "ac_rated_w": 700, "efficiency": 0.965}],
        "units": [
            {**unit, "serial": "101/1"},
            {**unit, "serial": "101/2"},
            {**unit, "serial": "102", "module_count": 2},
        ],
    }


def test_inputs_of_one_inverter_are_limited_at_their_shares_of_its_rating() -> None:
    site = site_from_record(_with_two_inputs())
    # Full light on frozen modules: 400 W each, and more than the inverters can pass on.
    strong = {"ghi_w_m2": 1000.0, "dni_w_m2": 1000.0, "dhi_w_m2": 200.0, "air_temp_c": -30.0}
    noon = START + timedelta(hours=12)
    weather = Weather(noon, 15, **{name: np.array([value]) for name, value in strong.items()})
    expected = expected_energy(site, Grid(noon, 15, 1), weather).energy_wh[:, 0]
    assert expected.tolist() == [350 / 4, 350 / 4, 700 / 4]
    assert site.inverter_type("i") == InverterType("i", 700, 0.965)
    assert site.inverter_type(site.units[0].inverter_type).efficiency == 0.965


def test_inputs_that_are_never_on_the_roof_together_have_the_whole_rating() -> None:
    apart = _with_two_inputs()
    apart["units"][0]["until"] = apart["units"][1]["from"] = "2026-06-02"
    assert {unit.inverter_type for unit in site_from_record(apart).units} == {"i"}


def test_units_are_in_the_records_order_and_silence_is_nan(engine: Engine) -> None:
    site_id = new_site(engine)
    send(engine, site_id, samples("103", bell() / 2), samples("101", bell()))
    found = _readings(engine, site_id)
    assert (found.start, found.interval_min, found.count) == (START, 15, 2 * DAY)
    np.testing.assert_allclose(found.energy_wh[0], bell(), rtol=1e-6, atol=1e-6)
    assert np.isnan(found.energy_wh[1]).all()
    np.testing.assert_allclose(found.energy_wh[2], bell() / 2, rtol=1e-6, atol=1e-6)


def test_nothing_held_gives_nothing(engine: Engine) -> None:
    site_id = new_site(engine)
    assert _found(engine, site_id) is None
    send(engine, site_id, samples("101", np.full(4, 230.0), channel="ac_voltage_v"))
    assert _found(engine, site_id) is None


def test_default_window_is_the_last_14_days(engine: Engine) -> None:
    site_id = new_site(engine)
    send(engine, site_id, samples("101", bell(days=20, interval_min=60), interval_min=60))
    found = _readings(engine, site_id)
    assert found.start == START + timedelta(days=6)
    assert found.count == 14 * 24


def test_window_asked_for_is_cut_to_what_is_held(engine: Engine) -> None:
    site_id = new_site(engine)
    send(engine, site_id, samples("101", bell()))
    found = _readings(engine, site_id, START - timedelta(days=3), START + timedelta(hours=12))
    assert (found.start, found.count) == (START, DAY // 2)
    assert _readings(engine, site_id, START + timedelta(days=1)).count == DAY
    assert _found(engine, site_id, START + timedelta(days=3), START + timedelta(days=4)) is None
    assert _found(engine, site_id, START + timedelta(days=1), START) is None


def test_coarsest_interval_of_recorded_units_rules(engine: Engine) -> None:
    site_id = new_site(engine)
    fine = bell(interval_min=5)
    send(engine, site_id, samples("101", fine, interval_min=5), samples("102", bell()))
    found = _readings(engine, site_id)
    assert found.interval_min == 15
    np.testing.assert_allclose(found.energy_wh[0], fine.reshape(-1, 3).sum(axis=1), rtol=1e-6, atol=1e-4)


def test_power_counts_where_energy_is_not_given(engine: Engine) -> None:
    site_id = new_site(engine)
    some = bell()
    some[DAY:] = np.nan
    send(
        engine,
        site_id,
        samples("101", bell() * 4, channel="power_w"),
        samples("102", bell() * 4 + 40, channel="power_w"),
        samples("102", some),
    )
    found = _readings(engine, site_id)
    np.testing.assert_allclose(found.energy_wh[0], bell(), rtol=1e-6, atol=1e-4)
    np.testing.assert_allclose(found.energy_wh[1, :DAY], bell()[:DAY], rtol=1e-6, atol=1e-4)
    np.testing.assert_allclose(found.energy_wh[1, DAY:], bell()[DAY:] + 10, rtol=1e-6, atol=1e-4)


def test_readings_outside_a_units_time_on_the_roof_are_left_out(engine: Engine) -> None:
    units = record()["units"]
    units[0]["until"] = units[1]["from"] = "2026-06-02"
    site_id = new_site(engine, units=units)
    send(engine, site_id, samples("101", bell()), samples("102", bell()), samples("103", bell()))
    found = _readings(engine, site_id)
    # Midnight of 2 June in London is 23:00 UTC of 1 June.
    change = DAY - 4
    assert np.flatnonzero(~np.isnan(found.energy_wh[0]))[-1] == change - 1
    assert np.flatnonzero(~np.isnan(found.energy_wh[1]))[0] == change
    assert not np.isnan(found.energy_wh[2]).any()


def test_other_channels_come_along_and_never_set_the_grid(engine: Engine) -> None:
    site_id = new_site(engine)
    volts = np.array([240.0, 250.0])
    send(
        engine,
        site_id,
        samples("101", bell()),
        samples("101", volts, channel="ac_voltage_v", interval_min=60),
    )
    found = _readings(engine, site_id)
    assert found.interval_min == 15
    assert list(found.channels) == ["ac_voltage_v"]
    np.testing.assert_allclose(found.channels["ac_voltage_v"][0, :8], [240] * 4 + [250] * 4)
    assert np.isnan(found.channels["ac_voltage_v"][1:]).all()


def test_strangers_are_kept_apart_and_never_set_the_interval(engine: Engine) -> None:
    site_id = new_site(engine)
    send(
        engine,
        site_id,
        samples("101", bell()),
        samples("999", np.full(5, 40.0), interval_min=60, start=START - timedelta(hours=2)),
    )
    found = _readings(engine, site_id)
    assert (found.start, found.interval_min) == (START - timedelta(hours=2), 15)
    np.testing.assert_allclose(found.strangers["999"][:20], 10)
    assert np.isnan(found.strangers["999"][20:]).all()
    assert np.isnan(found.energy_wh[0, :8]).all()


def test_only_strangers_heard_still_makes_readings(engine: Engine) -> None:
    site_id = new_site(engine)
    send(engine, site_id, samples("999", bell()))
    found = _readings(engine, site_id)
    assert np.isnan(found.energy_wh).all()
    assert found.energy_wh.shape == (3, 2 * DAY)
    np.testing.assert_allclose(found.strangers["999"], bell(), rtol=1e-6, atol=1e-6)


def test_weather_is_on_a_grid_of_its_own(engine: Engine) -> None:
    site_id = new_site(engine)
    send(engine, site_id, samples("101", bell()))
    before = _found(engine, site_id)
    assert before is not None
    assert before.weather is None
    with writing(engine) as session:
        hourly = {"interval_min": 60, "start": START}
        sent = [
            samples("", np.arange(48.0), channel="ghi_w_m2", **hourly),
            samples("", np.full(24, 14.0), channel="air_temp_c", **hourly),
            samples("", np.arange(48.0) + 5, channel="poa_w_m2:south", **hourly),
        ]
        readings.write_weather(session, site_id, sent)
    after = _found(engine, site_id)
    assert after is not None
    weather = after.weather
    assert weather is not None
    assert (weather.start, weather.interval_min, weather.count) == (START, 60, 48)
    assert weather.ghi_w_m2 is not None
    assert weather.air_temp_c is not None
    np.testing.assert_allclose(weather.ghi_w_m2, np.arange(48.0))
    np.testing.assert_allclose(weather.air_temp_c[:24], 14)
    assert np.isnan(weather.air_temp_c[24:]).all()
    assert weather.dni_w_m2 is None
    np.testing.assert_allclose(weather.poa_w_m2["south"], np.arange(48.0) + 5)
    assert weather.start.tzinfo == UTC
