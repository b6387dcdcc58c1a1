"""Values of any quantity as what rises and falls with the light."""

from __future__ import annotations

from collections.abc import Mapping

from service.intake.export.intervals import Steps, evened, steps_of
from service.intake.export.model import QUANTITIES, Known
from service.intake.export.noon import outlasts_days
from service.intake.export.quantity import runs_on
from service.intake.export.survey import Trace
from service.intake.export.zones import Clockwork, zone_of


def power_of(found: Mapping[str, Trace], quantity: str, steps: Steps) -> dict[str, Trace]:
    """Return traces that rise and fall with the light, whatever the quantity."""
    if quantity.startswith("energy"):
        found = evened(found, steps)
    order = -1 if steps.newest_first else 1
    is_counter = quantity.startswith("counter")
    return {s: _rates(t, order) if is_counter else Trace(t.naive[::order], t.values[::order])
            for s, t in found.items() if t.naive.size > 1}  # fmt: skip


def watts_of(found: Mapping[str, Trace], quantity: str, steps: Steps) -> dict[str, Trace]:
    """Return powers in W if the values are of that quantity; those of a counter in the middle of their steps."""
    hours = steps.usual_s / 3600 if quantity.startswith("energy") else 1.0
    factor = QUANTITIES[quantity] / hours
    return {s: Trace(t.naive, t.values * factor) for s, t in power_of(found, quantity, steps).items()}


def _rates(trace: Trace, order: int) -> Trace:
    times, values = trace.naive[::order], trace.values[::order]
    hours = (times[1:] - times[:-1]) / 3600
    sound = (hours > 0) & (hours < 3)
    rates = (values[1:] - values[:-1])[sound] / hours[sound]
    return Trace(((times[1:] + times[:-1]) // 2)[sound], rates.clip(min=0))


def outlasts(found: Mapping[str, Trace], known: Known) -> bool | None:
    """Return whether the light of the rows is longer than the days are, None where they do not show it."""
    steps = steps_of(found)
    counter = runs_on(found, newest_first=steps.newest_first) if steps else None
    if steps is None or counter is None:
        return None
    power = power_of(found, "counter_wh" if counter else "power_w", steps)
    clock = Clockwork(zone_of(known.zone))
    return outlasts_days(power.values(), clock.utc, known.longitude, known.latitude, steps.usual_s)
