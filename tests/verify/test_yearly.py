"""What a loss costs in a year, against the fleet's own engine by the minute, and where it is said.

The fleet's year is a day in ten by the minute under a clear and under a closed sky, mixed by the share of sun that the
climatology of `service.expect.year` gives the day: what is compared is everything but that climatology, which
`tests/reference/test_year.py` holds against measured years.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from functools import cache

import numpy as np
import pytest

from service.expect.energy import group_power, unit_groups
from service.expect.grid import Grid
from service.expect.site import Site
from service.expect.sky import clear_sky, cloudy_sky
from service.expect.sun import sun_for
from service.expect.weather import air_temperature
from service.expect.year import CLOUDY_INDEX, CLOUDY_INDEX_PER_SHARE, sunny_share
from service.verify.case import Case
from service.verify.inputs import FloatArray, Readings
from service.verify.outline import outline_of
from service.verify.result import Finding
from service.verify.run import build_case, verify
from service.verify.sentence import MONTHS
from service.verify.yearly import (
    SHADE_BAND,
    Years,
    annual_loss_kwh,
    annual_shade_loss_kwh,
    season_sentence,
    with_yearly_loss,
)
from tests.fleet.clouds import CLEAR_DIFFUSE
from tests.fleet.shade import Outline as Obstacle
from tests.fleet.shaded_roof import LEIPZIG, SHADED, ShadedRoof, box, shaded_roof
from tests.fleet.skies import DAY_MIN
from tests.verify.conftest import build
from tests.verify.test_outline import masks

YEAR_WITHIN = 0.15
"""Two engines with the same share of sun: the fleet's clear sky gives 8.5 % more in a year, its cells are cooler."""

SHADE_WITHIN = 0.20
"""On the share of the year's energy lost, where the sun has shown the whole obstacle."""

EVERY, SAMPLES = 10, 36


@dataclass(frozen=True)
class FleetYear:
    """What the unit would make in a year, and what the obstacle takes of it, kWh."""

    whole: float
    lost: float


@cache
def _fleet_year(azimuth: float, half: float, top: float) -> FleetYear:
    obstacle = box(azimuth, half, top)
    start = date(2026, 1, 5)
    days = np.arange(SAMPLES) * EVERY + start.timetuple().tm_yday - 1
    sunny = sunny_share(LEIPZIG.latitude, days)
    clear = shaded_roof(obstacle, start=start, days=SAMPLES, every=EVERY)
    closed = _closed(obstacle, CLOUDY_INDEX + CLOUDY_INDEX_PER_SHARE * sunny, start)
    parts = [(share, *roof.shaded_kwh()) for share, roof in ((sunny, clear), (1 - sunny, closed))]
    per_day = 365 / SAMPLES
    return FleetYear(*(per_day * float(sum((share * kwh[k]).sum() for share, *kwh in parts)) for k in (0, 1)))


def _closed(obstacle: Obstacle, index: FloatArray, start: date) -> ShadedRoof:
    """Return the same roof under a closed sky that gives `index` of each clear day's light, all of it diffuse."""
    shares = [(np.zeros(DAY_MIN), np.full(DAY_MIN, k / CLEAR_DIFFUSE)) for k in index]
    return shaded_roof(obstacle, start=start, days=SAMPLES, every=EVERY, shares=shares)


def _seen(azimuth: float, half: float, top: float, **window: object) -> tuple[ShadedRoof, float, str]:
    """Return a roof whose window showed the obstacle, and the year's loss that its outline gives."""
    roof = shaded_roof(box(azimuth, half, top), **window)  # type: ignore[arg-type]
    case = build_case(roof.site, roof.readings())
    outline = outline_of(case, [SHADED], *masks(case))
    kwh = annual_shade_loss_kwh(roof.site, roof.unit, outline)
    finding = with_yearly_loss(case, [_finding("shaded", roof.unit.serial, outline.as_fields())], roof.site)[
        0
    ]
    assert finding.annual_loss_kwh == pytest.approx(kwh, abs=0.06)
    return roof, kwh, str(finding.details["season"])


def _finding(cause: str, serial: str, details: dict[str, object] | None = None, lost: float = 100) -> Finding:
    return Finding(cause, (serial,), 0.9, "", "", lost_wh=lost, details=details or {})


def test_the_year_of_a_unit_against_the_fleets_engine_by_the_minute() -> None:
    roof = shaded_roof(box(150, 12, 60), days=1)
    ours = annual_loss_kwh(roof.site, roof.unit, 1.0)
    assert ours == pytest.approx(_fleet_year(150, 12, 60).whole, rel=YEAR_WITHIN)


@pytest.mark.parametrize("obstacle", [(150, 12, 60), (235, 25, 65)])
def test_shade_seen_in_midsummer_against_the_fleets_engine_by_the_minute(
    obstacle: tuple[float, float, float],
) -> None:
    roof, kwh, _ = _seen(*obstacle, start=date(2026, 6, 18))
    fleet = _fleet_year(*obstacle)
    assert kwh / annual_loss_kwh(roof.site, roof.unit, 1.0) == pytest.approx(
        fleet.lost / fleet.whole, rel=SHADE_WITHIN
    )


def test_shade_seen_in_part_is_guessed_within_its_band() -> None:
    """In June the sun rises past the top 5 degrees after it has come out behind the chimney's left side."""
    roof, kwh, _ = _seen(110, 15, 40, start=date(2026, 6, 18))
    fleet = _fleet_year(110, 15, 40)
    ratio = (fleet.lost / fleet.whole) / (kwh / annual_loss_kwh(roof.site, roof.unit, 1.0))
    assert SHADE_BAND[0] < ratio < SHADE_BAND[1]


def test_a_house_before_a_whole_plane_costs_the_sum_of_its_units() -> None:
    roof = shaded_roof(box(0, 5, 1), start=date(2026, 3, 15))
    findings = verify(roof.site, roof.readings_behind(box(225, 30, 70))).findings
    shade = next(f for f in findings if f.cause == "shaded")
    assert shade.annual_loss_kwh is not None
    fleet = _fleet_year(225, 30, 70)
    due = len(shade.serials) * annual_loss_kwh(roof.site, roof.unit, 1.0) * fleet.lost / fleet.whole
    assert SHADE_BAND[0] < due / shade.annual_loss_kwh < SHADE_BAND[1]


def test_shade_seen_in_winter_is_no_more_than_the_year_holds() -> None:
    """The December sun has not shown how high the chimney is: a lower bound, and said to be one by its outline."""
    _, kwh, _ = _seen(150, 12, 60, start=date(2026, 12, 10))
    assert 0 < kwh < _fleet_year(150, 12, 60).lost


def test_a_low_obstacle_is_worse_in_winter_and_a_high_one_seen_then_is_not() -> None:
    _, _, season = _seen(180, 40, 35, start=date(2026, 3, 8))
    assert season.startswith(
        "Worse from November to January, when the sun stands lower: in usual weather it takes "
    )
    assert season.endswith(" in March.")
    _, _, season = _seen(180, 40, 16, start=date(2026, 12, 10))
    assert season.startswith("No season is clearly worse than the one seen")


def test_seasons_are_compared_as_shares_of_their_energy() -> None:
    energy = np.array([2, 3, 6, 8, 10, 10, 10, 9, 7, 4, 2, 1.5])
    noon = 40 - 23.4 * np.cos(2 * np.pi * np.arange(12) / 12)
    loss = np.zeros(12)
    loss[[10, 11, 0]] = [0.5, 0.5, 0.5]
    assert season_sentence(loss, energy, noon, [4]) == (
        "Worse from November to January, when the sun stands lower: in usual weather it takes 27 % of the energy "
        "then, nothing in May."
    )
    assert "takes 25 % of the energy in January" in season_sentence(loss, energy, noon, [0])
    high = np.zeros(12)
    high[[5, 6]] = [1, 1]
    said = season_sentence(high, energy, noon, [11, 0])
    assert said.startswith(
        "Worse from June to August, when the sun stands higher: in usual weather it takes 6.9 %"
    )
    assert said.endswith("nothing in the months seen.")
    assert len(MONTHS) == 12


def test_no_polar_night_divides_by_nothing() -> None:
    roof = build(units=4)
    arctic = replace(roof.site, latitude=78.2, longitude=15.6)
    months = Years(arctic).of(arctic.units[0]).energy_kwh()
    assert Years(arctic).noon_deg[[11, 5]] == pytest.approx([0, 90 - 78.2 + 23.4], abs=0.5)
    assert months[11] == 0
    assert months.sum() > 100
    assert "nan" not in season_sentence(0.1 * months, months, Years(arctic).noon_deg, [6])


def test_a_steady_loss_costs_its_share_where_the_inverter_does_not_limit() -> None:
    site = build(units=3, ac_rated_w=400).site
    whole, third = (annual_loss_kwh(site, site.units[0], share) for share in (1.0, 1 / 3))
    assert third == pytest.approx(whole / 3, rel=0.03)  # weak light loses more
    limited = build(units=3, ac_rated_w=230).site
    assert annual_loss_kwh(limited, limited.units[0], 1 / 3) < 0.9 * third


def test_every_cause_that_has_a_yearly_loss_is_given_it() -> None:
    roof = build(units=12, days=3)
    roof.energy_wh[0] = 0.0
    roof.energy_wh[1] *= 0.66
    roof.energy_wh[2] *= 0.85
    noon = roof.interval(11.5)
    for day in range(3):
        roof.energy_wh[3, noon + day * 288 : noon + day * 288 + 8] = 0.0
    findings = {f.cause: f for f in _costed(roof.site, roof.readings())}
    year = annual_loss_kwh(roof.site, roof.site.units[0], 1.0)
    assert findings["no_output"].annual_loss_kwh == pytest.approx(year, abs=0.06)
    assert findings["substring_out"].annual_loss_kwh == pytest.approx(0.34 * year, rel=0.05)
    assert findings["low_output"].annual_loss_kwh == pytest.approx(0.15 * year, rel=0.08)
    assert findings["intermittent"].annual_loss_kwh == pytest.approx(
        year * findings["intermittent"].lost_wh / _due_wh(roof.site, roof.readings(), 3), rel=0.01
    )


def _costed(site: Site, readings: Readings) -> tuple[Finding, ...]:
    return with_yearly_loss(build_case(site, readings), verify(site, readings).findings, site)


def _due_wh(site: Site, readings: Readings, unit: int) -> float:
    case = build_case(site, readings)
    return float(case.peers.energy_wh[unit][case.heard[unit]].sum())


def _case(days: int = 3) -> Case:
    roof = build(units=4, days=days)
    return build_case(roof.site, roof.readings())


def _costs(case: Case, *findings: Finding) -> tuple[Finding, ...]:
    return with_yearly_loss(case, findings, case.day.site)


def test_what_comes_and_goes_is_not_carried_over_from_a_single_day() -> None:
    one_day, three_days = (_costs(_case(days), _finding("intermittent", "700001"))[0] for days in (1, 3))
    assert one_day.annual_loss_kwh is None
    assert three_days.annual_loss_kwh is not None


def test_trips_cost_their_share_of_the_energy_at_high_power() -> None:
    case = _case()
    trip, gaps = (
        _costs(case, _finding(cause, "700001", lost=500))[0].annual_loss_kwh
        for cause in ("voltage_trip", "intermittent")
    )
    year = Years(case.day.site).of(case.day.site.units[1])
    assert year.strong_kwh(0.4) < year.strong_kwh(0.0) == pytest.approx(year.energy_kwh().sum())
    assert trip == pytest.approx(gaps, rel=0.5)
    assert trip != gaps


def test_a_finding_without_units_on_the_roof_has_no_yearly_loss() -> None:
    case = _case()
    gone = replace(
        case.day.site,
        units=tuple(
            replace(u, active_until=datetime(2026, 5, 6, tzinfo=UTC).date()) for u in case.day.site.units
        ),
    )
    retired = replace(case, day=replace(case.day, site=gone))
    assert _costs(retired, _finding("no_output", "700001"))[0].annual_loss_kwh is None
    site_wide = Finding("clock_shift", (), 0.9, "", "")
    assert _costs(case, site_wide, _finding("not_on_record", "?")) == (
        site_wide,
        _finding("not_on_record", "?"),
    )


def test_a_horizon_found_from_the_shade_is_not_taken_off_beforehand() -> None:
    """A case whose plane has been given the obstacle as its horizon still tells what the obstacle takes and costs."""
    roof = shaded_roof(box(150, 12, 60), start=date(2026, 6, 18))
    case = build_case(roof.site, roof.readings())
    outline = outline_of(case, [SHADED], *masks(case))
    ridge = tuple((float(a), 65.0 if 130 <= a <= 170 else 0.0) for a in range(0, 360, 5))
    hidden = replace(roof.site, planes=(replace(roof.site.planes[0], horizon=ridge),))
    informed = replace(case, day=replace(case.day, site=hidden))
    assert outline_of(informed, [SHADED], *masks(case)).taken == pytest.approx(outline.taken, abs=0.001)
    finding = _finding("shaded", roof.unit.serial, outline.as_fields())
    plain, knowing = (with_yearly_loss(c, [finding], roof.site)[0].annual_loss_kwh for c in (case, informed))
    assert plain == knowing
    assert annual_shade_loss_kwh(hidden, roof.unit, outline) < 0.4 * plain  # the beam is gone already


def test_a_branch_costs_the_sum_of_its_units() -> None:
    case = _case()
    both = Finding("branch_out", ("700000", "700001"), 0.9, "", "")
    one = Finding("no_output", ("700000",), 0.9, "", "")
    costs = [f.annual_loss_kwh for f in _costs(case, both, one)]
    assert costs[0] == pytest.approx(2 * costs[1], abs=0.11)


def test_the_year_does_not_move_with_the_day_it_is_sampled_on() -> None:
    """One day in ten and twenty minutes are fine enough: all days by five minutes give the same within a per cent."""
    site = build(units=3).site
    coarse = Years(site).of(site.units[0]).energy_kwh().sum()
    assert coarse == pytest.approx(_every_five_minutes(site), rel=0.01)


def _every_five_minutes(site: Site) -> float:
    grid = Grid(datetime(2023, 1, 1, tzinfo=UTC), 5, 365 * 288)
    sun = sun_for(grid, latitude=site.latitude, longitude=site.longitude, elevation_m=site.elevation_m)
    sun = sun.take(sun.up_share > 0)
    clear = clear_sky(sun, grid, site=site)
    sunny = sunny_share(site.latitude, grid.starts().day_of_year.to_numpy()[sun.steps] - 1)
    closed = cloudy_sky(sun, clear, index=CLOUDY_INDEX + CLOUDY_INDEX_PER_SHARE * sunny, diffuse_shift=1.0)
    air = air_temperature(None, grid, site=site)[sun.steps]
    hours = grid.step_hours * sun.up_share
    total = 0.0
    for sky, share in ((clear, sunny), (closed, 1 - sunny)):
        power = group_power(unit_groups(site)[0], sun, sky, site=site, air_temp_c=air, wind_m_s=1.0)
        total += float((power.ac_w * share * hours).sum())
    return total / 1000
