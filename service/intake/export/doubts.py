"""What in a settled recipe cannot be by the record: output at night, a noon that is off, days beyond the rating.

A doubt is a warning and no question: the person may know better, but is never left without it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from service.intake.export.model import QUANTITIES
from service.intake.export.noon import half_day_s
from service.intake.export.survey import Trace
from service.intake.export.times import DAY_S
from service.intake.export.zones import Light
from service.intake.problems import Told, told

DEEP_DEG = -4.0
"""Below it no inverter makes anything; the time before is for clocks off by minutes and for wide intervals."""

MOST_AT_NIGHT = 0.004
HIGHEST_SHARE = 1.1


def doubts(light: Light, zone: str, quantity: str, interval_min: int | None) -> Iterator[Told]:
    """Give what a person should look at; without an interval, days cannot be summed."""
    share = light.at_night(zone, DEEP_DEG)
    if share > MOST_AT_NIGHT:
        yield told(
            "{share} % of the output would lie in the night at the site; zone, date or place may be wrong",
            share=f"{100 * share:.1f}",
        )
    if interval_min is None:
        return
    day, most = _best_day_wh(light.head, quantity, interval_min), _most_of_day_wh(light)
    if day > most:
        yield told(
            "the best day has {day} Wh per unit, more than such a unit can give in a day ({most} Wh); "
            "what the values are may be wrong",
            day=f"{day:.0f}",
            most=f"{most:.0f}",
        )


def _best_day_wh(powers: Mapping[str, Trace], quantity: str, interval_min: int) -> float:
    """Return the energy of the best day of a usual unit; what runs on has been made a power."""
    hours = 1.0 if quantity.startswith("energy") else interval_min / 60
    best = [_best_day(trace) * QUANTITIES[quantity] * hours for trace in powers.values() if trace.naive.size]
    return float(np.median(best)) if best else 0.0


def _best_day(trace: Trace) -> float:
    _, place = np.unique(trace.naive // DAY_S, return_inverse=True)
    return float(np.bincount(place, np.maximum(trace.values, 0)).max())


def _most_of_day_wh(light: Light) -> float:
    """Return what a unit at its rating would give from sunrise to sunset on the longest of the days."""
    days = {
        int(n) // DAY_S for t in light.head.values() if t.naive.size for n in (t.naive.min(), t.naive.max())
    }
    longest = max((half_day_s(day, light.known.latitude) for day in days), default=DAY_S / 2)
    return HIGHEST_SHARE * light.known.rated_w * 2 * longest / 3600
