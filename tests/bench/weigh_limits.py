"""`python -m tests.bench.weigh_limits`: fit the weights of `service/verify/limit_odds.py`, and show what they tell.

Prints the table as it stands there, and by origin how many of the limits, and of the sites without one, the bounds of
`causes/curtailed.py` say alone and with weights that were fitted to other sites.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from datetime import date
from typing import Annotated, NamedTuple

import numpy as np
import typer
from numpy.typing import NDArray
from rich.console import Console
from rich.progress import Progress
from rich.table import Table
from scipy.optimize import minimize

from service.expect.site import Site
from service.verify.causes import curtailed
from service.verify.inputs import Readings
from service.verify.limit_odds import LIKELIER
from service.verify.run import build_case
from tests.bench.fleet.__main__ import PROCESSES, quiet
from tests.bench.fleet.plan import DAYS, Window, plan
from tests.bench.fleet.shelf import kept
from tests.bench.fleet.truth import BenchSite
from tests.bench.roofs.__main__ import trials
from tests.bench.roofs.build import make
from tests.bench.roofs.plan import Trial, days_of
from tests.bench.roofs.series import ROOFS
from tests.bench.stranger.case import site as stranger
from tests.reference.open_data import readings as readings_of
from tests.reference.open_data import serf_east_2011, serf_east_2016
from tests.reference.open_data import site as site_of

RANGES = (*range(0, 1680, 240), 6000, *range(12000, 42001, 3000))
SITES = 240
"""First seeds of the fleet that one may tune on, and how many of each."""

STRANGERS = (*range(120), *range(1100, 1340))
TRIALS: dict[Window, int] = {"1d": 500, "7d": 200}
"""Trials of the roofs' days for tuning."""

RIDGE, FOLDS = 1 / 0.3, 10
"""Penalty on the squared weights of standardised measures; each tenth of the sites is weighed by the others' fit."""

OWN_DAYS, OWN_EVERY = ("SERF East 2011", "SERF East 2016"), {"1d": 2, "7d": 1}
"""Real roofs whose own tuning days and weeks, every second day, are weighed as they are: none was held to a limit."""

Key = tuple[str, int, Window]
Array = NDArray[np.float64]
Bools = NDArray[np.bool_]


class Own(NamedTuple):
    """A real roof's own days from a first one on."""

    roof: str
    first: date
    window: Window


class Row(NamedTuple):
    """One site's measures, whether a limit holds it, and whether the bounds alone say so."""

    origin: str
    measures: dict[str, float]
    is_true: bool
    said: bool


def keys(window: Window) -> Iterator[Key | Trial | Own]:
    """Return all sites of a window."""
    yield from (("fleet", seed, window) for first in RANGES for seed in range(first, first + SITES))
    yield from (("stranger", seed, window) for seed in STRANGERS)
    yield from trials(window, wanted=TRIALS[window], first=0, part="tuning")
    for roof in OWN_DAYS:
        firsts = days_of(ROOFS[roof][0](), window, "tuning")[:: OWN_EVERY[window]]
        yield from (Own(roof, first, window) for first in firsts)


def row(key: Key | Trial | Own) -> Row | None:
    """Return what one site shows, None without a level, and where a limit takes too little to count."""
    origin = "roofs" if isinstance(key, Trial) else key[0]
    site, readings, is_limited, counts = _given(key)
    case = build_case(site, readings)
    signs = curtailed.signs_of(case)
    if signs is None or not counts:
        return None
    return Row(
        f"{origin}, {_window(key)}", dict(signs.measures), is_limited, curtailed.bounded(case) is not None
    )


def _window(key: Key | Trial | Own) -> Window:
    return key.plan.window if isinstance(key, Trial) else key[2]


def _given(key: Key | Trial | Own) -> tuple[Site, Readings, bool, bool]:
    """Return record, readings, whether a limit holds the site, and whether it counts."""
    if isinstance(key, Trial):
        return _of_bench(make(key).site)
    if isinstance(key, Own):
        return *_halves(key), False, True
    origin, seed, window = key
    if origin == "fleet":
        return _of_bench(kept(plan(seed, window)))
    case = stranger(seed, window)
    return case.site, case.readings, "curtailed" in case.plan.causes, True


def _halves(own: Own) -> tuple[Site, Readings]:
    """Return a roof as two units that share its power evenly: units that tell the sky from their own readings."""
    roof = serf_east_2011() if own.roof == "SERF East 2011" else serf_east_2016()
    one, two = (
        replace(roof, name=f"{roof.name}, {n}", dc_w=roof.dc_w / 2, ac_w=roof.ac_w / 2, watts=roof.watts / 2)
        for n in (1, 2)
    )
    return site_of(one, two), readings_of(one, two, first=str(own.first), days=DAYS[own.window])


def _of_bench(made: BenchSite) -> tuple[Site, Readings, bool, bool]:
    truth = made.site_fault
    is_limited = truth is not None and truth.cause == "curtailed"
    return made.site, made.readings, is_limited, not is_limited or bool(truth and truth.judgeable)


def fit(measures: Array, is_true: Bools) -> Array:
    """Return the log odds where all measures are nothing, then the weight of each, by which the truth is likeliest."""
    middle, spread = measures.mean(axis=0), measures.std(axis=0)
    standard = (measures - middle) / np.where(spread > 0, spread, 1.0)
    sign = np.where(is_true, 1.0, -1.0)

    def unlikely(at: Array) -> tuple[float, Array]:
        odds = sign * (at[0] + standard @ at[1:])
        pull = -sign / (1 + np.exp(odds))
        value = float(np.logaddexp(0.0, -odds).sum() + RIDGE / 2 * (at[1:] ** 2).sum())
        return value, np.concatenate([[pull.sum()], standard.T @ pull + RIDGE * at[1:]])

    at = minimize(unlikely, np.zeros(measures.shape[1] + 1), jac=True, method="L-BFGS-B").x
    weights = at[1:] / np.where(spread > 0, spread, 1.0)
    return np.concatenate([[at[0] - middle @ weights], weights])


def of_others(measures: Array, is_true: Bools) -> Array:
    """Return each site's log odds by a fit to the other tenths of the sites, (N,)."""
    fold = np.random.default_rng(1).permutation(len(is_true)) % FOLDS
    out = np.zeros(len(is_true))
    for one in range(FOLDS):
        left = fold == one
        weights = fit(measures[~left], is_true[~left])
        out[left] = weights[0] + measures[left] @ weights[1:]
    return out


def main(
    every: Annotated[int, typer.Option(help="Weigh every so-manieth site only, to try it.", min=1)] = 1,
) -> None:
    """Fit and print the weights."""
    planned = [key for window in TRIALS for key in keys(window)][::every]
    with ProcessPoolExecutor(PROCESSES, initializer=quiet) as pool, Progress(transient=True) as progress:
        found = list(progress.track(pool.map(row, planned, chunksize=8), len(planned)))
    rows = [one for one in found if one is not None]
    names = list(rows[0].measures)
    measures = np.array([[one.measures[name] for name in names] for one in rows])
    is_true = np.array([one.is_true for one in rows])
    console = Console()
    weights = zip(("", *names), fit(measures, is_true).tolist(), strict=True)
    console.print(*(f'    "{name}": {weight:.3f},' for name, weight in weights), sep="\n", highlight=False)
    console.print(_found(rows, is_true, of_others(measures, is_true) >= LIKELIER))


def _found(rows: list[Row], is_true: Bools, is_likely: Bools) -> Table:
    said = np.array([one.said for one in rows])
    origins = np.array([one.origin for one in rows])
    out = Table("origin", "with a limit", "bounds", "with the weights", "without")
    for origin in sorted(set(origins)):
        here = origins == origin
        cells = [
            f"{(ways & here & is_true).sum()}, falsely {(ways & here & ~is_true).sum()}"
            for ways in (said, said | is_likely)
        ]
        out.add_row(origin, str((here & is_true).sum()), *cells, str((here & ~is_true).sum()))
    return out


if __name__ == "__main__":
    typer.run(main)
