"""Real days that look like faults and are none, and two without any output: what `verify` may and must say of them.

SERF East in Golden, Colorado, 2011 to 2013 and 2016, and its neighbours in January 2022 (see open_data.py). What the
days were is read off the power itself and off the days around them: no record of the weather comes with the data.
"""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from service.verify.result import Finding
from service.verify.run import verify
from tests.reference.open_data import STANDARD_TIME, Roof, readings, serf_east_2011, serf_east_2016, site

WHOLE_DAYS_OUT = ("2011-10-26", "2012-08-16")
"""Not one watt from morning till night, by snow or by outage; the days before and after whole."""

SNOWED_UP = ("2012-02-03", "2013-02-24", "2013-04-15", "2013-12-07")
"""At most 3 % of the rating all day under snow or heavy cloud; whole again within a week."""

STORM_AT_DUSK = ("2011-07-19", "2013-07-13")
"""Nothing in the last light of a summer evening after a broken afternoon; whole the next day."""

DARK_AFTERNOON = ("2012-01-07", "2012-12-27", "2013-02-09", "2013-02-20")
"""Falls from full power to some per mille with a winter storm and stays there until night; produces the next day."""

CLEAR_WINTER_DAYS = ("2012-01-05", "2012-02-05", "2012-02-16")

LEVEL_NOON = "2016-10-04"
"""A clear day whose power lies within 1.2 % from 9:30 to 12:15; the roof has given 7 % more on others."""

EVEN_COVER = "2013-11-24"
"""A closed cover from 8 to 16, half an hour of sun in all; by the hour its curve is smooth."""

CHANCE_LEVELS = ("2011-09-17", "2013-03-21")
"""Broken cloud with an hour of quarter hours in two or three parts that happen to lie within 2 %, above all others."""


def _serf_east(year: int) -> Roof:
    return serf_east_2011() if year < 2016 else serf_east_2016()


def _halves(roof: Roof) -> tuple[Roof, Roof]:
    """Return a roof as two units that share its power evenly: units that tell the sky from their own readings."""
    one, two = (
        replace(roof, name=f"{roof.name}, {n}", dc_w=roof.dc_w / 2, ac_w=roof.ac_w / 2, watts=roof.watts / 2)
        for n in (1, 2)
    )
    return one, two


def _found(*roofs: Roof, day: str) -> dict[str, Finding]:
    return {f.cause: f for f in verify(site(*roofs), readings(*roofs, first=day, days=1)).findings}


def _alone(day: str) -> dict[str, Finding]:
    return _found(_serf_east(int(day[:4])), day=day)


def _paired(day: str) -> dict[str, Finding]:
    return _found(*_halves(_serf_east(int(day[:4]))), day=day)


@pytest.mark.parametrize("day", WHOLE_DAYS_OUT)
def test_a_day_without_output_is_named(day: str) -> None:
    assert "no_output" in _alone(day)


@pytest.mark.parametrize(("first", "outage"), [("2012-08-15", True), ("2011-10-25", False)])
def test_a_day_without_output_between_whole_ones_is_an_outage_if_all_is_back_at_once(
    first: str, outage: bool
) -> None:
    """After the day in October the roof comes back 90 minutes late and faintly: snow slides off."""
    roof = _serf_east(2011)
    found = verify(site(roof), readings(roof, first=first, days=3)).findings
    assert ("intermittent" in {f.cause for f in found}) is outage


@pytest.mark.parametrize("days", [SNOWED_UP, STORM_AT_DUSK, DARK_AFTERNOON])
def test_the_days_are_what_they_are_said_to_be(days: tuple[str, ...]) -> None:
    watts = _serf_east(2011).watts
    for day in days:
        light = watts[day].between_time("09:00", "15:00")
        if days is SNOWED_UP:
            assert 10 < light.max() < 0.04 * 3000
        else:
            assert light.max() > 0.5 * 3000
            assert watts[day].between_time("16:45", "17:15").max() < 10


@pytest.mark.parametrize("day", SNOWED_UP)
def test_a_day_of_snow_is_no_wrong_scale_and_no_dead_unit(day: str) -> None:
    for found in (_alone(day), _paired(day)):
        assert found.keys().isdisjoint({"unit_scale", "no_output"})


@pytest.mark.parametrize("day", CLEAR_WINTER_DAYS)
def test_a_day_sent_in_kilowatt_hours_is_a_wrong_scale(day: str) -> None:
    assert _scaled(day, 1 / 1000)["unit_scale"].details["factor"] == pytest.approx(1 / 1000)


@pytest.mark.parametrize("day", CLEAR_WINTER_DAYS[1:])
def test_a_clear_day_at_a_tenth_is_a_wrong_scale(day: str) -> None:
    """On the first of the days no hour is level enough to tell a tenth from snow, and then nothing is said."""
    assert _scaled(day, 0.1)["unit_scale"].details["factor"] == pytest.approx(0.1)


def _scaled(day: str, factor: float) -> dict[str, Finding]:
    roof = _serf_east(2012)
    return _found(replace(roof, watts=roof.watts * factor), day=day)


def test_a_roof_that_breaks_off_at_noon_is_dead() -> None:
    """The clear day of above, without anything from 12:00 on: no sky and no snow ends a day at full power."""
    roof = _serf_east(2012)
    noon = pd.Timestamp(f"{CLEAR_WINTER_DAYS[0]} 12:00", tz=STANDARD_TIME)
    found = _found(
        replace(roof, watts=roof.watts.where(roof.watts.index < noon, 0.0)), day=CLEAR_WINTER_DAYS[0]
    )
    assert found["no_output"].first_seen == noon


@pytest.mark.parametrize("day", STORM_AT_DUSK[1:] + DARK_AFTERNOON)
def test_the_end_of_a_stormy_day_is_no_dead_unit(day: str) -> None:
    assert "no_output" not in _alone(day)


def test_a_storm_at_dusk_by_the_right_clock_is_no_dead_unit() -> None:
    """Here the hour that the labels are late is found and undone, and the dusk is then dark enough for it."""
    assert "no_output" not in _alone(STORM_AT_DUSK[0])


@pytest.mark.parametrize("day", [LEVEL_NOON, *CHANCE_LEVELS])
def test_a_level_noon_and_peaks_between_clouds_are_no_limit(day: str) -> None:
    assert "curtailed" not in _paired(day)


def test_the_same_roof_at_a_limit_is_curtailed() -> None:
    roof = _serf_east(2016)
    limited = _found(*_halves(replace(roof, watts=roof.watts.clip(upper=3600))), day=LEVEL_NOON)
    assert limited["curtailed"].details["limit_w"] == pytest.approx(3600, rel=0.01)


@pytest.mark.parametrize("units", [1, 2])
def test_an_even_cover_by_the_hour_is_no_plane_that_faces_north(units: int) -> None:
    roofs = (_serf_east(2013),) if units == 1 else _halves(_serf_east(2013))
    sent = readings(*roofs, first=EVEN_COVER, days=1)
    hours = replace(sent, interval_min=60, energy_wh=sent.energy_wh.reshape(units, -1, 4).sum(axis=2))
    assert "plane_misdescribed" not in {f.cause for f in verify(site(*roofs), hours).findings}


@pytest.mark.parametrize("day", CLEAR_WINTER_DAYS)
def test_clear_winter_days_are_blameless(day: str) -> None:
    assert _alone(day) == {}
    assert _paired(day) == {}
