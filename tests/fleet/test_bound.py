"""The benchmark's bound: the weather that it gives is the readings' own, and its reasons are true of the energies."""

from __future__ import annotations

import numpy as np
import pytest

from service.verify.run import verify
from tests.bench.fleet.build import make
from tests.bench.fleet.half_hour import told
from tests.bench.fleet.plan import Plan
from tests.bench.fleet.reasons import (
    IN_BAND,
    LIKE_STEADY,
    SHOWS,
    UNDER_NOISE,
    of_energies,
    reason,
)
from tests.bench.fleet.score import Miss, score
from tests.bench.fleet.sensors import true_weather

DAY = Plan(7, "1d", "broken", 5, 12, 2)
LATE = Plan(12, "1d", "overcast", 5, 12, 2, site_cause="clock_shift")


def test_the_sensors_have_the_sky_of_the_readings() -> None:
    made, weather = make(DAY), true_weather(DAY)
    assert weather.ghi_w_m2 is not None
    assert weather.start == made.readings.start
    made_wh = np.diff(np.nansum(made.readings.energy_wh, axis=0))
    light = np.diff(weather.ghi_w_m2)
    lags = range(-6, 7)
    alike = [float(np.corrcoef(made_wh, np.roll(light, lag))[0, 1]) for lag in lags]
    assert lags[int(np.argmax(alike))] == 0
    assert max(alike) > 0.8


def test_given_the_sky_the_service_tells_a_clock_that_it_cannot_tell_alone() -> None:
    made = make(LATE)
    assert made.site_fault is not None
    told_sky = verify(made.site, made.readings, true_weather(LATE))
    (found,) = (f for f in told_sky.findings if f.cause == "clock_shift")
    assert found.details["minutes"] == pytest.approx(made.site_fault.minutes, abs=5)
    alone = verify(made.site, made.readings)
    assert "clock_shift" not in {f.cause for f in alone.findings}
    assert score(made, alone.findings, alone.not_yet).site_left_open["clock_shift"] == 1


@pytest.mark.parametrize(
    ("share", "cause", "why"),
    [(0.9999, "low_output", UNDER_NOISE), (0.8, "shaded", LIKE_STEADY), (0.8, "low_output", SHOWS)],
)
def test_reasons_of_a_steady_loss(share: float, cause: str, why: str) -> None:
    known = told(DAY).by_record
    made, sent = known.energies(0, share), np.zeros(known.roof.heard.shape[1])
    assert of_energies(known, 0, made, sent, Miss(7, "any", cause, "nothing")) == why


def test_a_site_within_the_band_of_the_model_is_undecidable() -> None:
    plan = Plan(3, "7d", "clear", 15, 6, 1, site_cause="site_low")
    made = make(plan)
    assert made.site_fault is not None
    assert made.site_fault.factor is not None
    expected = IN_BAND if made.site_fault.factor >= 0.88 else SHOWS
    assert reason(plan, made, Miss(3, None, "site_low", "nothing")) == expected
    assert reason(plan, made, Miss(3, None, "curtailed", "nothing")) == SHOWS
