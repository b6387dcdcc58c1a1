"""A factor of 4 between W and Wh of a quarter hour: taken only where the sun shows itself, at sites of `tests/fleet`.

Its sun, sky and modules are not the reader's. Whatever sky, snow, shade, dead units or a wrong record do, what is taken
is true; what cannot be told is asked.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from service.intake.export.beam import clear_level
from service.intake.export.intervals import steps_of
from service.intake.export.model import Known
from service.intake.export.quantity import NO_CLEAR_LEVEL, quantity_of
from service.intake.export.survey import Trace
from service.intake.record import as_stored, read_record
from service.jobs.recorded_roof import RecordedRoof
from service.store.grids import FloatArray
from tests.fleet import simulate
from tests.fleet.simulate import FleetSite, make_site

SEEDS = range(500, 508)
QUARTER_S = 900
Change = Callable[[str, int, FloatArray], FloatArray]
"""What becomes of a unit's power by its plane, its number and the hours since the first midnight."""


def _known(record: dict[str, Any]) -> Known:
    stored = as_stored(read_record(record))
    return Known.of_record(stored, roof=RecordedRoof(stored))


def _traces(made: FleetSite, change: Change) -> dict[str, Trace]:
    """Return the power of each unit in W on the site's clock."""
    readings, found = made.readings, {}
    ahead = readings.start.astimezone(ZoneInfo(made.site.timezone)).utcoffset()
    assert ahead is not None
    hours = np.arange(readings.energy_wh.shape[1]) / 4
    naive = int(readings.start.timestamp() + ahead.total_seconds()) + (hours * 3600).astype(np.int64)
    for i, (unit, row) in enumerate(zip(made.site.units, readings.energy_wh, strict=True)):
        heard = ~np.isnan(row)
        found[unit.serial] = Trace(naive[heard], (4 * row * change(unit.plane, i, hours))[heard])
    return found


def _as_made(_plane: str, _unit: int, hours: FloatArray) -> FloatArray:
    return np.ones_like(hours)


@cache
def _made(seed: int, sky: str) -> FleetSite:
    return make_site(seed, sky=sky, days=4, units=6, planes=2, faults=(), interval_min=15)


def _taken(
    seed: int,
    sky: str,
    true: str,
    *,
    change: Change = _as_made,
    record: Callable[..., Any] = lambda _: None,
    heading: str = "Energy (W)",
) -> str | None:
    """Return what values are taken for, None if it is asked; the heading may say energy and W."""
    made = _made(seed, sky)
    said = {k: v for k, v in made.record().items() if v is not None}
    record(said)
    known = _known(said)
    hours = {"power_w": 1.0, "energy_wh": 0.25}[true]
    shown = {s: Trace(t.naive, t.values * hours) for s, t in _traces(made, change).items()}
    steps = steps_of(shown)
    assert steps is not None
    guess, question = quantity_of(heading, "w", shown, steps, known, level=lambda: clear_level(shown, known))
    return None if question else str(guess.value)


@pytest.mark.parametrize("true", ["power_w", "energy_wh"])
def test_clear_days_show_the_quantity(true: str) -> None:
    taken = [_taken(seed, "clear", true) for seed in SEEDS]
    assert set(taken) <= {true, None}
    assert taken.count(true) >= (len(SEEDS) if true == "power_w" else 2)  # W beyond the rating are no Wh


def test_heading_that_clear_days_contradict_is_asked() -> None:
    """Where the beam shows, energies under W never come in; and powers under W are never asked."""
    assert [_taken(seed, "clear", "energy_wh", heading="W") for seed in SEEDS].count(None) >= 2
    for sky in ("clear", "overcast", "broken"):
        assert {_taken(seed, sky, "power_w", heading="W") for seed in SEEDS[:4]} == {"power_w"}


def _snow(_plane: str, _unit: int, hours: FloatArray) -> FloatArray:
    return np.clip(0.15 + hours / 120, 0, 1)


def _shade(plane: str, _unit: int, hours: FloatArray) -> FloatArray:
    return np.where((hours % 24 < 12) == (plane == "front"), 0.25, 1.0)


def _dead(_plane: str, unit: int, hours: FloatArray) -> FloatArray:
    return np.full_like(hours, float(unit % 3 > 0))


def _turned(record: dict[str, Any]) -> None:
    for plane in record["planes"]:
        plane["azimuth_deg"] = (plane["azimuth_deg"] + 40) % 360


def _larger(record: dict[str, Any]) -> None:
    for module in record["module_types"]:
        module["pmax_w"] *= 2
    for inverter in record["inverter_types"]:
        inverter["ac_rated_w"] *= 2


@pytest.mark.parametrize("true", ["power_w", "energy_wh"])
@pytest.mark.parametrize("sky", ["clear", "overcast", "broken"])
@pytest.mark.parametrize("change", [_snow, _shade, _dead])
def test_snow_shade_and_dead_units_never_show_another(change: Change, sky: str, true: str) -> None:
    assert {_taken(seed, sky, true, change=change) for seed in SEEDS[:3]} <= {true, None}


@pytest.mark.parametrize("true", ["power_w", "energy_wh"])
@pytest.mark.parametrize("record", [_turned, _larger])
def test_wrong_record_never_shows_another(record: Callable[..., Any], true: str) -> None:
    assert {_taken(seed, "clear", true, record=record) for seed in SEEDS} <= {true, None}


@pytest.mark.parametrize("beam", [0.0, 0.1, 0.25])
@pytest.mark.parametrize("by_sun", [0.0, 1.5])
def test_even_clouds_show_no_level_that_would_tell(
    beam: float, by_sun: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A cloud scatters what it takes from the beam: the thinner it is, the more diffuse light (here less than real)."""
    height = np.clip(np.cos((np.arange(1440) - 720) / 720 * np.pi), 0, 1)
    shares = (np.full(1440, beam), 0.8 + 8 * beam + by_sun * height)
    monkeypatch.setattr(simulate, "day_shares", lambda _rng, _sky: shares)
    for seed in SEEDS:
        made = make_site(seed, sky="overcast", days=4, units=6, faults=(), interval_min=15)
        said = {k: v for k, v in made.record().items() if v is not None}
        level = clear_level(_traces(made, _as_made), _known(said))
        assert level is None or level > NO_CLEAR_LEVEL[0]
