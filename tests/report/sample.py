"""An invented site of 14 units over seven days with four faults, made with numpy alone, for tests of what is shown.

Not for tests of judgement: findings are written here, not worked out.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache

import numpy as np

from service.expect.site import InverterType, ModuleType, Plane, Site, Unit
from service.verify.result import Curves, Finding, Sky, UnitResult, Verification

ZONE = "Europe/London"
START = datetime(2026, 5, 3, 23, 0, tzinfo=UTC)  # local midnight, summer time
DAYS = 7
INTERVAL_MIN = 5
PER_DAY = 24 * 60 // INTERVAL_MIN

OUTLINE = [
    {"azimuth_deg": 222.5, "elevation_deg": 50.0, "at_least_deg": 0.0, "at_most_deg": 52.1, "known": False},
    {"azimuth_deg": 227.5, "elevation_deg": 50.0, "at_least_deg": 49.0, "at_most_deg": 51.0, "known": True},
    {"azimuth_deg": 232.5, "elevation_deg": 50.0, "at_least_deg": 46.2, "at_most_deg": 90.0, "known": False},
    {"azimuth_deg": 237.5, "elevation_deg": 50.0, "at_least_deg": 42.8, "at_most_deg": 90.0, "known": False},
]
SEASON = (
    "Worse from November to January, when the sun stands lower: in usual weather it takes 31 % of the energy "
    "then, 10 % in May."
)

SILENT, DEAD, SHADED, PART = "60418820013", "60418820004", "60418820008", "60418820011"


@cache
def site() -> Site:
    """Return the record: ten units on the south roof in two rows, four on the east dormer in one."""
    south = [_unit(i, "south roof", 1 + i // 5, 1 + i % 5, "A") for i in range(10)]
    east = [_unit(10 + i, "east dormer", 1, 1 + i, "B") for i in range(4)]
    return Site(
        name="Kiln Cottage",
        latitude=53.8,
        longitude=-1.55,
        timezone=ZONE,
        planes=(Plane("south roof", 35, 175), Plane("east dormer", 30, 95)),
        module_types=(ModuleType("module", 400),),
        inverter_types=(InverterType("inverter", 350),),
        units=(*south, *east),
    )


def record() -> dict[str, object]:
    """Return the same record in the contract's form."""
    made = site()
    return {
        "name": made.name,
        "latitude": made.latitude,
        "longitude": made.longitude,
        "timezone": made.timezone,
        "commissioned_on": "2026-05-04",
        "planes": [
            {"name": p.name, "tilt_deg": p.tilt_deg, "azimuth_deg": p.azimuth_deg} for p in made.planes
        ],
        "module_types": [{"name": "module", "pmax_w": 400, "gamma_pmax_per_c": -0.0035, "substrings": 3}],
        "inverter_types": [{"name": "inverter", "ac_rated_w": 350, "efficiency": 0.96}],
        "branches": [{"name": "A"}, {"name": "B"}],
        "units": [
            {
                "serial": u.serial,
                "plane": u.plane,
                "row": u.row,
                "column": u.column,
                "branch": u.branch,
                "module_type": u.module_type,
                "inverter_type": u.inverter_type,
            }
            for u in made.units
        ],
    }


@cache
def verification() -> Verification:
    """Return the week's result: one unit silent, one dead, one shaded, one with a substring out."""
    made = site()
    expected = {u.serial: _expected(u) for u in made.units}
    measured = {u.serial: _measured(u.serial, expected[u.serial]) for u in made.units}
    curves = Curves(
        INTERVAL_MIN,
        START,
        {s: [None if np.isnan(x) else float(x) for x in v] for s, v in measured.items()},
        {s: [float(x) for x in v] for s, v in expected.items()},
    )
    end = START + timedelta(days=DAYS)
    units = _ranked([_result(u, measured[u.serial], expected[u.serial]) for u in made.units])
    return Verification(
        START, end, Sky("array", 0.43, "enough"), "attention", units, _findings(expected), curves
    )


@cache
def healthy() -> Verification:
    """Return a week in which every unit makes what it should."""
    made = site()
    expected = {u.serial: _expected(u) for u in made.units}
    good = {u.serial: _noisy(expected[u.serial], int(u.serial)) for u in made.units}
    curves = Curves(
        INTERVAL_MIN,
        START,
        {s: list(map(float, v)) for s, v in good.items()},
        {s: list(map(float, v)) for s, v in expected.items()},
    )
    units = _ranked([replace(_result(u, good[u.serial], expected[u.serial]), causes=()) for u in made.units])
    return Verification(
        START, START + timedelta(days=DAYS), Sky("array", 0.43, "enough"), "verified", units, (), curves
    )


def _unit(index: int, plane: str, row: int, column: int, branch: str) -> Unit:
    return Unit(f"6041882{index + 1:04d}", plane, "module", "inverter", row=row, column=column, branch=branch)


def _expected(unit: Unit) -> np.ndarray:
    hour = (np.arange(DAYS * PER_DAY) + 0.5) % PER_DAY * INTERVAL_MIN / 60
    noon = 13.1 if unit.plane == "south roof" else 10.6
    height = np.clip(np.sin(np.pi * (hour - 5.3) / 15.4), 0, None)
    power = 330 * height * np.exp(-(((hour - noon) / 4.4) ** 2))
    return power * _cloud() * INTERVAL_MIN / 60


def _cloud() -> np.ndarray:
    noise = np.random.default_rng(4).normal(size=DAYS * PER_DAY)
    slow = np.convolve(noise, np.ones(9) / 3, mode="same")
    dull = np.repeat([0.02, 0.25, 0.9, 0.0, 0.4, 0.12, 0.6], PER_DAY)
    return np.clip(1 - dull * np.abs(slow) * 0.8 - dull * 0.3, 0.08, 1)


def _noisy(expected: np.ndarray, seed: int) -> np.ndarray:
    source = np.random.default_rng(seed)
    return expected * source.normal(0.99, 0.008) * source.normal(1, 0.01, size=len(expected))


def _measured(serial: str, expected: np.ndarray) -> np.ndarray:
    made = _noisy(expected, int(serial))
    hour = (np.arange(len(made)) % PER_DAY) * INTERVAL_MIN / 60
    if serial == SILENT:
        return np.full(len(made), np.nan)
    if serial == DEAD:
        return np.where(np.arange(len(made)) < 2.45 * PER_DAY, made, 0.0)
    if serial == SHADED:
        return np.where((hour > 14.5) & (hour < 18), made * (1 - 0.7 * _cloud()), made)
    return made * 0.66 if serial == PART else made


def _result(unit: Unit, measured: np.ndarray, expected: np.ndarray) -> UnitResult:
    base = UnitResult(
        unit.serial,
        unit.plane,
        unit.row,
        unit.column,
        unit.branch,
        0,
        None,
        None,
        None,
        None,
        None,
        None,
        None,
        None,
        0.0,
        None,
        _causes(unit.serial),
    )
    if np.isnan(measured).all():
        return base
    made, due = float(measured.sum()), float(expected.sum())
    index = made / due
    ratio = 0.83 * index
    return replace(
        base,
        measured_wh=made,
        expected_wh=due,
        reference_yield_h=due / 400 / 0.83,
        performance_ratio=ratio,
        performance_ratio_25c=ratio + 0.03,
        performance_index=index,
        performance_index_low=index - 0.018,
        performance_index_high=index + 0.018,
        heard_share=0.996,
        smallest_visible_loss_pct=2.4,
    )


def _causes(serial: str) -> tuple[str, ...]:
    named = {SILENT: "not_reporting", DEAD: "no_output", SHADED: "shaded", PART: "substring_out"}
    return (named[serial],) if serial in named else ()


def _ranked(units: list[UnitResult]) -> tuple[UnitResult, ...]:
    lowest_first = sorted(units, key=lambda u: -1.0 if u.performance_ratio is None else u.performance_ratio)
    return tuple(replace(u, rank=i + 1) for i, u in enumerate(lowest_first))


def _findings(expected: dict[str, np.ndarray]) -> tuple[Finding, ...]:
    week = {s: float(v.sum()) for s, v in expected.items()}
    died = START + timedelta(days=2.45)
    end = START + timedelta(days=DAYS)
    return (
        Finding(
            "no_output",
            (DEAD,),
            0.99,
            "It gave 0 Wh in 31 hours of light in which its neighbours gave 5.1 kWh each.",
            "Isolate the branch, then look at the unit\u2019s AC connector and the module\u2019s plugs.",
            died,
            end,
            week[DEAD] * 0.65,
            190.0,
        ),
        Finding(
            "substring_out",
            (PART,),
            0.93,
            "It gave 0.66 of its neighbours at every light, which is two of three substrings.",
            "Look at the module for a burnt junction box or a broken cell string.",
            START,
            end,
            week[PART] * 0.33,
            96.0,
        ),
        Finding(
            "shaded",
            (SHADED,),
            0.88,
            "From 14:30 to 18:00 it fell to 0.35 of its neighbours when the sun was out, and not under cloud.",
            "Look from the module towards the south-west for a chimney or a tree.",
            START,
            end,
            week[SHADED] * 0.1,
            41.0,
            details={"outline": OUTLINE, "beam_taken": 0.9, "season": SEASON},
        ),
        Finding(
            "not_reporting",
            (SILENT,),
            1.0,
            "It was not heard in any of 2016 intervals while 13 others were.",
            "Compare its serial with the roof plan, then look at the path to the gateway.",
            None,
            None,
            None,
            None,
        ),
    )
