"""Branches of the benchmark that trip where like units tell nothing and other planes have the sky's light alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from service.verify.inputs import Readings
from service.verify.result import Finding
from service.verify.run import verify
from tests.bench.fleet import site
from tests.bench.fleet.truth import BenchSite


def _trips(made: BenchSite, readings: Readings) -> list[Finding]:
    return [f for f in verify(made.site, readings).findings if f.cause == "voltage_trip"]


def _tripping(made: BenchSite) -> set[str]:
    return {s for s, faults in made.faults.items() if any(f.cause == "voltage_trip" for f in faults)}


@pytest.mark.parametrize("seed", [474, 720], ids=["a single silence", "several"])
def test_what_gives_nothing_amid_the_sun_while_others_give_has_tripped(seed: int) -> None:
    made = site(seed, "1d")
    (found,) = _trips(made, made.readings)
    assert set(found.serials) == _tripping(made)
    assert found.lost_wh


def test_a_single_silence_of_the_whole_site_is_no_trip() -> None:
    made = site(513, "1d")
    energy = made.readings.energy_wh.copy()
    rows = [i for i, u in enumerate(made.site.units) if u.serial in _tripping(made)]
    lit = np.flatnonzero(np.nansum(energy, axis=0) > 0)
    silent = (np.nansum(energy[rows], axis=0) <= 0) & (
        np.nanmedian(np.delete(energy, rows, axis=0), axis=0) > 2
    )
    silent[[*range(lit[0]), *range(lit[-1], len(silent))]] = False
    assert silent.sum() == 1
    energy[:, silent] = 0.0
    assert _trips(made, replace(made.readings, energy_wh=energy)) == []


def test_short_trips_in_full_sun_show_behind_a_coarse_register_too() -> None:
    made = site(15095, "1d")
    (found,) = _trips(made, made.readings)
    assert set(found.serials) == _tripping(made)
