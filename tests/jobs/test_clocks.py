"""Readings of a wrong clock at their true time: nothing kept is changed, no energy made, none lost but at a jump."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pytest
from sqlalchemy import Engine

from service.jobs.assemble import inputs_for
from service.store import readings, sites
from service.store.database import reading, writing
from service.store.tables import Site
from service.verify.inputs import Readings
from tests.jobs.roof import START, bell, new_site, samples, send

DAY = 96
"""Quarter hours of a day."""

FLOAT32 = {"rtol": 1e-6, "atol": 1e-6}


def _readings(engine: Engine, site_id: str, *window: datetime) -> Readings:
    with reading(engine) as session:
        found = inputs_for(session, session.get_one(Site, site_id), *window)
    assert found is not None
    return found.readings


def _late(minutes: int) -> list[dict[str, Any]]:
    return [{"from": None, "minutes": minutes}]


def _iso(moment: datetime) -> str:
    return moment.isoformat()


@pytest.mark.parametrize("minutes", [60, -45, 7, -1, 1440])
def test_constant_lateness_moves_the_start_and_touches_no_value(engine: Engine, minutes: int) -> None:
    site_id = new_site(engine, clock=_late(minutes))
    shown = START + timedelta(minutes=minutes)
    send(engine, site_id, samples("101", bell(), start=shown), samples("103", bell() / 2, start=shown))
    found = _readings(engine, site_id)
    assert (found.start, found.interval_min, found.count) == (START, 15, 2 * DAY)
    np.testing.assert_allclose(found.energy_wh[0], bell(), **FLOAT32)
    np.testing.assert_allclose(found.energy_wh[2], bell() / 2, **FLOAT32)


def test_what_is_kept_stays_as_it_was_sent(engine: Engine) -> None:
    site_id = new_site(engine, clock=_late(7))
    send(engine, site_id, samples("101", bell()))
    _readings(engine, site_id)
    with reading(engine) as session:
        kept = readings.kept(session, site_id, start=START, end=START + timedelta(days=2))
    assert kept[0].starts[0] == START.timestamp()
    np.testing.assert_allclose(kept[0].values, bell(), **FLOAT32)


def test_channels_and_strangers_move_and_the_weather_does_not(engine: Engine) -> None:
    site_id = new_site(engine, clock=_late(60))
    shown = START + timedelta(hours=1)
    volts = np.full(2 * DAY, 240.0)
    volts[40:] = 250.0
    send(
        engine,
        site_id,
        samples("101", bell(), start=shown),
        samples("999", bell(), start=shown),
        samples("101", volts, start=shown, channel="ac_voltage_v"),
    )
    with writing(engine) as session:
        hourly = samples("", np.arange(48.0), channel="ghi_w_m2", interval_min=60)
        readings.write_weather(session, site_id, [hourly])
    with reading(engine) as session:
        found = inputs_for(session, session.get_one(Site, site_id))
    assert found is not None
    assert found.readings.start == START
    np.testing.assert_allclose(found.readings.strangers["999"], bell(), **FLOAT32)
    np.testing.assert_allclose(found.readings.channels["ac_voltage_v"][0], volts)
    assert found.weather is not None
    assert found.weather.start == START
    assert found.weather.ghi_w_m2 is not None
    assert found.weather.ghi_w_m2[12] == 12


def test_clock_that_was_put_forward_has_neither_gap_nor_doubles(engine: Engine) -> None:
    # At 9 h the labels jump to 10 h: in truth nothing is missing.
    jump = START + timedelta(hours=9)
    site_id = new_site(engine, clock=[{"from": _iso(jump + timedelta(hours=1)), "minutes": 60}])
    send(
        engine,
        site_id,
        samples("101", bell()[:36]),
        samples("101", bell()[36:], start=jump + timedelta(hours=1)),
    )
    found = _readings(engine, site_id)
    assert (found.start, found.count) == (START, 2 * DAY)
    np.testing.assert_allclose(found.energy_wh[0], bell(), **FLOAT32)


def test_clock_that_was_put_right_leaves_a_gap_and_all_else_in_its_place(engine: Engine) -> None:
    # An hour late until the labels 9 h are sent anew: the readings taken from 8 h on are overwritten.
    jump = START + timedelta(hours=9)
    site_id = new_site(engine, clock=[*_late(60), {"from": _iso(jump), "minutes": 0}])
    shown = START + timedelta(hours=1)
    send(engine, site_id, samples("101", bell()[:36], start=shown))
    send(engine, site_id, samples("101", bell()[36:], start=jump))
    found = _readings(engine, site_id)
    silent = np.flatnonzero(np.isnan(found.energy_wh[0]))
    assert (found.start, found.count) == (START, 2 * DAY)
    assert silent.tolist() == [32, 33, 34, 35]
    heard = ~np.isnan(found.energy_wh[0])
    np.testing.assert_allclose(found.energy_wh[0][heard], bell()[heard], **FLOAT32)


def test_jump_of_no_whole_interval_costs_two_intervals_and_apportions_the_shorter_part(
    engine: Engine,
) -> None:
    steady = np.full(2 * DAY, 60.0)
    jump = START + timedelta(hours=9)
    site_id = new_site(engine, clock=[{"from": _iso(jump), "minutes": -7}])
    send(engine, site_id, samples("101", steady))
    found = _readings(engine, site_id)
    # Most readings lie after the jump, so theirs is the grid: 7 minutes after the full quarter.
    assert found.start.minute % 15 == 7
    silent = np.flatnonzero(np.isnan(found.energy_wh[0]))
    assert silent.size <= 2
    np.testing.assert_allclose(found.energy_wh[0][~np.isnan(found.energy_wh[0])], 60.0)


def test_window_asked_for_is_in_true_time(engine: Engine) -> None:
    site_id = new_site(engine, clock=_late(600))
    send(engine, site_id, samples("101", bell(), start=START + timedelta(hours=10)))
    found = _readings(engine, site_id, START + timedelta(hours=6), START + timedelta(hours=18))
    assert (found.start, found.count) == (START + timedelta(hours=6), 48)
    np.testing.assert_allclose(found.energy_wh[0], bell()[24:72], **FLOAT32)


def test_default_window_ends_with_the_last_true_time(engine: Engine) -> None:
    site_id = new_site(engine, clock=_late(90))
    shown = START + timedelta(minutes=90)
    send(engine, site_id, samples("101", bell(days=20, interval_min=60), interval_min=60, start=shown))
    found = _readings(engine, site_id)
    assert found.start == START + timedelta(days=6)
    assert found.count == 14 * 24


def test_time_on_the_roof_is_true_time(engine: Engine) -> None:
    unit = {"plane": "south", "module_type": "m", "inverter_type": "i"}
    units = [{"serial": "101", **unit, "until": "2026-06-02"}, {"serial": "102", **unit}]
    site_id = new_site(engine, clock=_late(60), units=units)
    shown = START + timedelta(hours=1)
    send(engine, site_id, samples("101", bell(), start=shown), samples("102", bell(), start=shown))
    found = _readings(engine, site_id)
    # Midnight of 2 June in London is 23:00 UTC of 1 June.
    assert np.flatnonzero(~np.isnan(found.energy_wh[0]))[-1] == DAY - 4 - 1


def test_record_from_before_there_was_a_clock_is_read(engine: Engine) -> None:
    site_id = new_site(engine)
    with reading(engine) as session:
        site = sites.get(session, site_id)
    assert site is not None
    assert "clock" not in site.record
    send(engine, site_id, samples("101", bell()))
    assert _readings(engine, site_id).start == START
