"""Whatever a roof may send, a verification answers: no error, no warning, and valid JSON."""

from __future__ import annotations

import json
import warnings
from datetime import UTC, datetime

import numpy as np
import pytest

from service.expect.site import InverterType, ModuleType, Plane, Site, Unit
from service.expect.weather import Weather
from service.verify.inputs import Readings
from service.verify.run import verify

SPOILT = ("nothing", "unheard", "constant", "huge", "tiny", "whole", "gappy", "late", "noise")


def any_site(rng: np.random.Generator) -> Site:
    names = [f"plane {k}" for k in range(rng.integers(1, 4))]
    tilts, latitudes = [0.0, 5.0, 30.0, 60.0, 90.0], [0.0, -89.9, 89.9, 60.0, -35.0, 12.5]
    planes = tuple(Plane(n, float(rng.choice(tilts)), float(rng.uniform(0, 360))) for n in names)
    units = tuple(
        Unit(
            f"unit {k}",
            str(rng.choice(names)),
            "module",
            "inverter",
            module_count=int(rng.choice([1, 1, 1, 2, 60])),
            branch=str(rng.choice(["A", "B"])) if rng.random() < 0.7 else None,
        )
        for k in range(rng.integers(1, 9))
    )
    module = ModuleType("module", float(rng.choice([50.0, 400.0, 700.0])), substrings=int(rng.integers(1, 7)))
    inverter = InverterType("inverter", float(rng.choice([100.0, 350.0, 40_000.0])))
    latitude, longitude = float(rng.choice(latitudes)), float(rng.uniform(-180, 180))
    return Site("any", latitude, longitude, "UTC", planes, (module,), (inverter,), units)


def any_energy(rng: np.random.Generator, spoilt: str, shape: tuple[int, int]) -> np.ndarray:
    energy = np.abs(rng.normal(10, 8, shape))
    half = shape[1] // 2
    return {
        "nothing": lambda: energy * 0,
        "unheard": lambda: energy * np.nan,
        "constant": lambda: np.full(shape, 7.0),
        "huge": lambda: energy * 1e6,
        "tiny": lambda: energy * 1e-6,
        "whole": lambda: np.floor(energy),
        "gappy": lambda: np.where(rng.random(shape) < 0.7, np.nan, energy),
        "late": lambda: np.where(np.arange(shape[1]) < half, np.nan, energy),
        "noise": lambda: energy,
    }[spoilt]()


@pytest.mark.parametrize("spoilt", SPOILT)
@pytest.mark.parametrize("seed", range(12))
def test_any_roof_with_any_readings_gets_an_answer(spoilt, seed):
    rng = np.random.default_rng([seed, SPOILT.index(spoilt)])
    site = any_site(rng)
    interval_min = int(rng.choice([5, 10, 15, 30, 60]))
    count = int(rng.choice([1, 2, 7, 24 * 60 // interval_min, 3 * 24 * 60 // interval_min]))
    start = datetime(2026, int(rng.choice([1, 6])), 1, int(rng.integers(0, 24)), tzinfo=UTC)
    energy = any_energy(rng, spoilt, (len(site.units), count))
    ghi = np.where(rng.random(count) < 0.3, np.nan, np.abs(rng.normal(300, 300, count)))
    weather = Weather(start, interval_min, ghi_w_m2=ghi) if rng.random() < 0.4 else None
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        result = verify(site, Readings(start, interval_min, energy, strangers={"other": energy[0]}), weather)
    form = json.dumps(result.as_contract("any"), allow_nan=False)
    assert len(json.loads(form)["units"]) == len(site.units)
    for unit in result.units:
        low, index, high = unit.performance_index_low, unit.performance_index, unit.performance_index_high
        assert (low is None and index is None) or low <= index <= high
