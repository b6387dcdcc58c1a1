"""What the values are: W, kW, Wh or kWh, of one interval or a counter that runs on."""

from __future__ import annotations

from collections.abc import Callable, Container, Mapping, Sequence
from dataclasses import replace

import numpy as np

from service.intake.export import words
from service.intake.export.asking import asked, in_words
from service.intake.export.due import Shares
from service.intake.export.intervals import Steps
from service.intake.export.layout import Layout, Value
from service.intake.export.model import QUANTITIES, Guess, Known, Question
from service.intake.export.naming import stem
from service.intake.export.survey import Trace
from service.intake.problems import Told, mark, told
from service.store.grids import FloatArray

HIGHEST_SHARE = 1.5
"""As `limits.LARGEST_SHARE`: no inverter gives more than this times its rating."""

LOWEST_SHARE = 0.03
"""No day passes whose best interval stays under this share of the rating, but for snow and deep winter."""

USUAL_PEAK = 0.98
"""Of the intervals with output; stray values stay above."""

NEAR_RATING = (0.5, 1.1)
LOW, LEAST_LOW = 0.3, 0.1
"""Mornings and evenings stay below this share of the peak; a voltage does not, and no current is near the rating."""

BEYOND = 20
"""So many times its rating no unit gives, whatever the record says of it wrongly."""

NEXT_TO_NOTHING = 0.01
DUE = (0.3, 1.4)
"""Of a clear sky's energy: what no unit has on any day but under snow, and what the best of days has."""

CLEAR_LEVEL, NO_CLEAR_LEVEL = (0.6, 1.25), (0.35, 2.5)
"""Of a clear sky's light: what units of the record have in it, and below or above which no record errs (judgement)."""

LONG_ENOUGH_S = 20 * 3600
HOUR_S = 3600

_NAMED = {
    True: mark("the heading says {unit}, and the values run on"),
    False: mark("the heading says {unit}, and the values rise and fall"),
    None: mark("the heading says {unit}, and whether the values run on does not show"),
}
_UNNAMED = {
    True: mark("no heading says W, kW, Wh or kWh, and the values run on"),
    False: mark("no heading says W, kW, Wh or kWh, and the values rise and fall"),
    None: mark("no heading says W, kW, Wh or kWh, and whether the values run on does not show"),
}


def runs_on(traces: Mapping[str, Trace], *, newest_first: bool) -> bool | None:
    """Return whether the values are a running counter, None if the rows do not tell."""
    verdicts = [_runs_on(t, newest_first=newest_first) for t in traces.values()]
    told = [v for v in verdicts if v is not None]
    if not told:
        return None
    share = sum(told) / len(told)
    return True if share >= 0.8 else False if share <= 0.2 else None


def _runs_on(trace: Trace, *, newest_first: bool) -> bool | None:
    order = -1 if newest_first else 1
    times, values = trace.naive[::order], trace.values[::order]
    changes = np.diff(values)
    up, down = np.count_nonzero(changes > 0), np.count_nonzero(changes < 0)
    if up + down < 8:
        return None
    if down > 0.15 * up:
        return False
    days = (times[-1] - times[0]) / 86_400
    if times[-1] - times[0] < LONG_ENOUGH_S or down > days + 2:
        return None
    return True


def best_columns(layout: Layout, coarse: Container[int] = ()) -> tuple[tuple[Value, ...], tuple[Value, ...]]:
    """Return one column for each unit (or for all, where rows name theirs), energy rather than power; and the rest.

    Energies that are too coarse for their interval come after everything else.
    """
    chosen: dict[str, Value] = {}
    for value in layout.values:
        name = (
            ""
            if layout.serial_column is not None
            else value.serial or stem(value.heading) or str(value.index)
        )
        held = chosen.get(name)
        if held is None or rank(value, coarse) < rank(held, coarse):
            chosen[name] = value
    best = tuple(chosen.values())
    units = {words.unit_of(v.heading) for v in best}
    if len(units) > 1:  # a unit's lesser column may be what all of them have
        best = _alike(layout, best, coarse)
    return best, tuple(v for v in layout.values if v not in best)


def _alike(layout: Layout, best: tuple[Value, ...], coarse: Container[int]) -> tuple[Value, ...]:
    names = {v.serial or stem(v.heading) for v in best}
    for unit in sorted({words.unit_of(v.heading) or "" for v in layout.values}):
        like = [v for v in layout.values if (words.unit_of(v.heading) or "") == unit]
        found = {v.serial or stem(v.heading): v for v in sorted(like, key=lambda v: -rank(v, coarse))}
        if found.keys() == names:
            return tuple(found.values())
    return best


def rank(value: Value, coarse: Container[int] = ()) -> int:
    """Return which of a unit's columns comes first: what was made before bounds, what left it before what came in."""
    text = value.heading.replace(value.serial, " ") if value.serial else value.heading
    is_aside = words.NOT_MADE.search(text) or (words.CONSUMED.search(text) and not words.FED.search(text))
    aside = 20 * bool(is_aside) + 4 * bool(words.FROM_DC.search(text))
    return _rank_of_kind(value, coarse) + aside


def _rank_of_kind(value: Value, coarse: Container[int]) -> int:
    unit = words.unit_of(value.heading)
    energy = unit in ("wh", "kwh") or (unit is None and words.ENERGY.search(value.heading))
    power = unit in ("w", "kw") or (unit is None and words.POWER.search(value.heading))
    if energy:
        return (1 if words.COUNTER.search(value.heading) else 0) + (10 if value.index in coarse else 0)
    return 2 if power else 3


def peak_w(
    traces: Mapping[str, Trace], quantity: str, interval_s: int, *, newest_first: bool
) -> float | None:
    """Return the power in the best interval of a good unit if the values are of that quantity."""
    peaks = [
        p
        for t in traces.values()
        if (p := _peak(t, quantity, interval_s, newest_first=newest_first)) is not None
    ]
    return float(np.quantile(peaks, 0.75)) if peaks else None


def _peak(trace: Trace, quantity: str, interval_s: int, *, newest_first: bool) -> float | None:
    made = _made_w(trace, quantity, interval_s, newest_first=newest_first)
    if made is None:
        return None
    return float(np.quantile(made, USUAL_PEAK, method="lower")) if made.size else 0.0


def _made_w(trace: Trace, quantity: str, interval_s: int, *, newest_first: bool) -> FloatArray | None:
    values: FloatArray = trace.values
    hours: FloatArray | float = interval_s / 3600
    if quantity.startswith("counter"):
        order = -1 if newest_first else 1
        values, hours = np.diff(values[::order]), np.diff(trace.naive[::order]) / 3600
        sound = (hours > 0) & (values >= 0)
        values, hours = values[sound], hours[sound]
    if not values.size:
        return None
    power: FloatArray = values * QUANTITIES[quantity] / (1 if quantity.startswith("power") else hours)
    return power[power > 0]


def quantity_of(
    headings: str,
    unit: str | None,
    traces: Mapping[str, Trace],
    steps: Steps,
    known: Known,
    beside: Callable[[str], Shares | None] = lambda _: None,
    level: Callable[[], float | None] = lambda: None,
) -> tuple[Guess, Question | None]:
    """Return what the values are, and the question where headings and values do not settle it.

    `beside` says how much of a clear sky's energy they would be as a quantity, `level` how much of its light as W on
    days that show the sun; None where nothing tells.
    """
    counter = runs_on(traces, newest_first=steps.newest_first)
    fitting = fitting_quantities(traces, steps, known)
    if counter is False:
        fitting = [q for q in fitting if not q.startswith("counter")]
    possible = [q for q in QUANTITIES if _agrees(q, unit, counter, headings)]
    if unit in ("w", "kw"):
        possible = [f"power_{unit}"]
        counter = False
    other = _meant_by_words(headings, unit, counter)
    if other in fitting and possible != [other]:
        why = told(
            "the words of the heading speak of another quantity than its unit {unit}", unit=_shown(unit)
        )
        shown = _by_beam((*possible, other), steps, level)
        question = None if shown else asked("quantity", (*possible, other), why)
        return shown or Guess(possible[0], 0.5, why), question
    if len(possible) == 1 and possible[0] in fitting:
        return _unless_the_sun_denies(Guess(possible[0], 0.97, _why(unit, counter)), steps, level)
    likely = [q for q in possible if q in fitting] or fitting or possible
    is_one = unit is None and len(likely) == 1 and likely[0] in fitting
    if is_one and (
        _is_said(likely[0], headings, counter) or _is_alone(likely[0], fitting, traces, steps, known)
    ):
        why = told("{why}; {by_size}", why=_why(unit, counter), by_size=by_size(likely))
        return Guess(likely[0], 0.9, why), None
    if steps.usual_s == HOUR_S and len(likely) == 2 and {q[0] for q in likely} == {"e", "p"}:
        hourly = next(q for q in likely if q.startswith("energy"))
        return Guess(hourly, 0.9, told("over an hour, Wh and W are the same number")), None

    def peak(quantity: str) -> float:
        return peak_w(traces, quantity, steps.usual_s, newest_first=steps.newest_first) or 0.0

    taken = _by_due(unit, possible, peak, beside, known, is_hourly=steps.usual_s == HOUR_S)
    taken = taken or _by_beam(possible if unit is None else (), steps, level)
    if taken is not None:
        return taken, None
    why = told("{why}; {by_size}", why=_why(unit, counter), by_size=by_size(fitting))
    choices = tuple(possible if unit is None and len(possible) > 1 else QUANTITIES)
    return Guess(likely[0], 0.5, why), asked("quantity", choices, why, likely[0])


def _by_due(
    unit: str | None,
    possible: Sequence[str],
    peak: Callable[[str], float],
    beside: Callable[[str], Shares | None],
    known: Known,
    *,
    is_hourly: bool,
) -> Guess | None:
    """Return the only quantity that physics leaves: all others are beyond any inverter or next to nothing."""
    tried = {q: beside(q) for q in ([*possible, _scaled(possible[0])] if unit is not None else possible)}
    if (unit is not None and len(possible) > 1) or None in tried.values():
        return None
    out = {q: why for q, share in tried.items() if share and (why := _why_not(q, peak(q), share, known))}
    left = [q for q in tried if q not in out and not (is_hourly and q.startswith("power"))]
    if len(left) != 1 or not out or (unit is not None and left == list(possible)):
        return None
    share = tried[left[0]]
    if (
        share is None
        or not DUE[0] <= share.best_day <= DUE[1]
        or peak(left[0]) > HIGHEST_SHARE * known.rated_w
    ):
        return None
    kept = out.get(possible[0]) or next(iter(out.values()))
    why = told(
        "so the best day of a usual unit has {share} % of what a clear sky gives it; {why_not}",
        share=f"{100 * share.best_day:.0f}",
        why_not=kept,
    )
    return Guess(left[0], 0.85, why)


def _by_beam(candidates: Sequence[str], steps: Steps, level: Callable[[], float | None]) -> Guess | None:
    """Return the only quantity as which values have a clear sky's level where their curves are those of one."""
    if len(candidates) < 2 or any(q.startswith("counter") for q in candidates) or (shown := level()) is None:
        return None
    hours = {"energy": steps.usual_s / HOUR_S, "power": 1.0}
    levels = {q: shown * QUANTITIES[q] / hours[q.partition("_")[0]] for q in candidates}
    left = [q for q, share in levels.items() if NO_CLEAR_LEVEL[0] < share < NO_CLEAR_LEVEL[1]]
    if len(left) != 1 or not CLEAR_LEVEL[0] <= levels[left[0]] <= CLEAR_LEVEL[1]:
        return None
    nearest = min((q for q in candidates if q != left[0]), key=lambda q: abs(np.log(levels[q])))
    why = told(
        "on days whose curves show the sun a unit has {share} % of a clear sky's light so, {other} % as {quantity}",
        share=f"{100 * levels[left[0]]:.0f}",
        other=f"{100 * levels[nearest]:.0f}",
        quantity=in_words("quantity", [nearest]),
    )
    return Guess(left[0], 0.85, why)


def _unless_the_sun_denies(
    said: Guess, steps: Steps, level: Callable[[], float | None]
) -> tuple[Guess, Question | None]:
    """Return what a heading says, with a question where clear days show the other of power and energy."""
    quantity = str(said.value)
    kind, _, unit = quantity.partition("_")
    others = {"power": f"energy_{unit}h", "energy": f"power_{unit.removesuffix('h')}"}
    if kind not in others or steps.usual_s == HOUR_S:
        return said, None
    shown = _by_beam((quantity, others[kind]), steps, level)
    if shown is None or shown.value == quantity:
        return said, None
    return replace(said, confidence=0.5), asked("quantity", (quantity, others[kind]), shown.why, shown.value)


def level_of(quantity: str, steps: Steps, level: Callable[[], float | None]) -> float | None:
    """Return the level of a clear sky's light that values have as a quantity, None for counters and other days."""
    shown = None if quantity.startswith("counter") else level()
    hours = steps.usual_s / HOUR_S if quantity.startswith("energy") else 1.0
    return None if shown is None else shown * QUANTITIES[quantity] / hours


def _scaled(quantity: str) -> str:
    """Return the same kind of quantity in a unit a thousand times larger or smaller."""
    kind, _, unit = quantity.partition("_")
    return f"{kind}_{unit.removeprefix('k') if unit.startswith('k') else f'k{unit}'}"


def _why_not(quantity: str, peak: float, share: Shares, known: Known) -> Told | None:
    """Return why the values cannot be of a quantity, None if they can."""
    shown = in_words("quantity", [quantity])
    if peak >= BEYOND * known.rated_w:
        return told(
            "as {quantity} it would give {watts} W at its best, with a rating of {rated} W",
            quantity=shown,
            watts=f"{peak:.0f}",
            rated=f"{known.rated_w:.0f}",
        )
    if share.highest <= NEXT_TO_NOTHING:
        return told(
            "as {quantity} no unit would have more than {share} % of a clear sky's energy on any day",
            quantity=shown,
            share=f"{100 * share.highest:.2g}",
        )
    return None


def what_is_said(headings: str, unit: str | None) -> tuple[str, ...]:
    """Return the unit and the kinds of words by which headings say what the values are."""
    kinds = {"counter": words.COUNTER, "power": words.POWER, "energy": words.ENERGY}
    return (unit or "", *(kind for kind, pattern in kinds.items() if pattern.search(headings)))


def _is_said(likely: str, headings: str, counter: bool | None) -> bool:
    """Return whether words say the kind of the values, so that their size only has to tell 1 from 1000."""
    kind = likely.partition("_")[0]
    if kind == "power":
        return counter is False and bool(words.POWER.search(headings))
    if kind == "energy":
        return counter is False and bool(words.ENERGY.search(headings))
    return counter is True and bool(words.COUNTER.search(headings) or words.ENERGY.search(headings))


def _is_alone(
    likely: str, fitting: Sequence[str], traces: Mapping[str, Trace], steps: Steps, known: Known
) -> bool:
    """Return whether values go up to the rating with the light, as nothing but W or Wh of a unit does."""
    if [likely] != list(fitting) or likely not in ("power_w", "counter_wh"):
        return False
    found = [_made_w(t, likely, steps.usual_s, newest_first=steps.newest_first) for t in traces.values()]
    every = np.concatenate([made for made in found if made is not None])
    peak = float(np.quantile(every, USUAL_PEAK))
    low = float((every < LOW * peak).mean())
    return NEAR_RATING[0] * known.rated_w <= peak <= NEAR_RATING[1] * known.rated_w and low >= LEAST_LOW


def _meant_by_words(headings: str, unit: str | None, counter: bool | None) -> str:
    """Return what a heading such as `Energy [W]` means if its word is right and its unit is not."""
    energy, power = bool(words.ENERGY_ALONE.search(headings)), bool(words.POWER.search(headings))
    if unit in ("w", "kw") and energy and not power:
        return f"{'counter' if counter else 'energy'}_{unit}h"
    if unit in ("wh", "kwh") and power and not energy and not counter and not words.COUNTER.search(headings):
        return f"power_{unit.removesuffix('h')}"
    return ""


def _agrees(quantity: str, unit: str | None, counter: bool | None, headings: str) -> bool:
    kind, _, of = quantity.partition("_")
    if unit is not None and of != unit:
        return False
    if (
        unit is None
        and kind != "power"
        and words.POWER.search(headings)
        and not words.ENERGY.search(headings)
    ):
        return False
    if unit is None and kind == "power" and words.ENERGY.search(headings):
        return False
    said = bool(words.COUNTER.search(headings))
    if counter is None:
        return True if not said else kind == "counter"
    return (kind == "counter") == counter


def fitting_quantities(traces: Mapping[str, Trace], steps: Steps, known: Known) -> list[str]:
    """Return the quantities under which the best interval is one of such inverters."""
    found = []
    for quantity in QUANTITIES:
        peak = peak_w(traces, quantity, steps.usual_s, newest_first=steps.newest_first)
        if peak is not None and LOWEST_SHARE * known.rated_w <= peak <= HIGHEST_SHARE * known.rated_w:
            found.append(quantity)
    return found


def factors_that_fit(
    factors: Sequence[float], traces: Mapping[str, Trace], unit: str | None, steps: Steps, known: Known
) -> list[float]:
    """Return the factors with which the best interval is one of such inverters."""
    counter = runs_on(traces, newest_first=steps.newest_first)
    fitting = []
    for factor in factors:
        scaled = {name: Trace(t.naive, t.values * factor) for name, t in traces.items()}
        kinds = fitting_quantities(scaled, steps, known)
        if any(q for q in kinds if _is_of(q, unit) and counter in (None, q.startswith("counter"))):
            fitting.append(factor)
    return fitting


def _is_of(quantity: str, unit: str | None) -> bool:
    return unit is None or (quantity.endswith(f"_{unit}"))


def by_size(fitting: Sequence[str]) -> str:
    """Return in words which quantities the values can be by their size."""
    if not fitting:
        return told("by their size they are none that is known here")
    return told("by their size they can be {fitting}", fitting=in_words("quantity", fitting))


def _why(unit: str | None, counter: bool | None) -> str:
    if unit is None:
        return told(_UNNAMED[counter])
    return told(_NAMED[counter], unit=_shown(unit))


def _shown(unit: str | None) -> str:
    return words.shown(unit or "")
