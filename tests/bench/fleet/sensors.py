"""The weather of a planned site as perfect sensors on the roof would have sent it, on the true clock."""

from __future__ import annotations

from datetime import UTC

import numpy as np
import pandas as pd

from service.expect.weather import Weather
from tests.bench.fleet.plan import WINDOWS, Plan
from tests.bench.fleet.sitewide import draw_clock
from tests.bench.fleet.weather import air, draw_day, draw_place, window_part
from tests.fleet.sun import Array

STEP_MIN = 5
"""How often the sensors send their mean: the shortest interval of the fleet's readings."""


def true_weather(plan: Plan) -> Weather:
    """Return global, direct and diffuse irradiance, air temperature and wind in the plan's window.

    The chances are `build.make`'s, so that it is the weather that the site's readings were made in.
    """
    chance = np.random.default_rng([plan.seed, WINDOWS.index(plan.window), 2])
    of_place, of_clock, of_sky, _, of_part, *_ = chance.spawn(8)
    place = draw_place(of_place)
    start, clock = draw_day(of_place, place), draw_clock(of_clock, plan)
    whole = air(of_sky, plan, place, start, clock.late_min)
    part = whole.cut(window_part(of_part, plan, whole))
    level = part.dni * np.sin(np.radians(np.maximum(part.elevation_deg, 0.0))) + part.dhi
    minutes = pd.DataFrame(
        {"ghi": level, "dni": part.dni, "dhi": part.dhi, "temp": part.temp_c, "wind": part.wind_m_s},
        index=part.minutes,
    )
    means = minutes.groupby(level=0).first().resample(f"{STEP_MIN}min").mean()
    columns: dict[str, Array] = {name: means[name].to_numpy() for name in means}
    return Weather(
        start=means.index[0].to_pydatetime().astimezone(UTC),
        interval_min=STEP_MIN,
        ghi_w_m2=columns["ghi"],
        dni_w_m2=columns["dni"],
        dhi_w_m2=columns["dhi"],
        air_temp_c=columns["temp"],
        wind_m_s=columns["wind"],
    )
