"""The sites that weights are fitted to: the fleets' seeds and the roofs' days that one may tune on, and their truth."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from service.expect.site import Site
from service.verify.inputs import Readings
from tests.bench.fleet.plan import Window, plan
from tests.bench.fleet.shelf import kept
from tests.bench.fleet.truth import BenchSite
from tests.bench.roofs.__main__ import trials
from tests.bench.roofs.build import make
from tests.bench.roofs.plan import Trial
from tests.bench.stranger.case import site as stranger
from tests.bench.stranger.plan import SITE_CAUSES

RANGES = (*range(0, 1680, 240), 6000, *range(12000, 42001, 3000))
SITES = 240
"""First seeds of the fleet, and how many of each."""

STRANGERS = (*range(120), *range(1100, 1340))

Key = tuple[str, int, Window] | Trial


class Known(NamedTuple):
    """A site as it is judged, what is true of the whole of it, and whether that counts."""

    origin: str
    site: Site
    readings: Readings
    cause: str | None
    counts: bool


class Row(NamedTuple):
    """One site's measures, whether it has the fault, and whether bounds alone say so."""

    origin: str
    measures: dict[str, float]
    is_true: bool
    said: bool


def sites(window: Window, number_of_trials: int) -> Iterator[Key]:
    """Return the sites of a window."""
    yield from (("fleet", seed, window) for first in RANGES for seed in range(first, first + SITES))
    yield from (("stranger", seed, window) for seed in STRANGERS)
    yield from trials(window, wanted=number_of_trials, first=0, part="tuning")


def known(key: Key) -> Known:
    """Return the site of a key."""
    if isinstance(key, Trial):
        return _of_bench(f"roofs, {key.plan.window}", make(key).site)
    origin, seed, window = key
    if origin == "fleet":
        return _of_bench(f"fleet, {window}", kept(plan(seed, window)))
    case = stranger(seed, window)
    cause = next((c for c in case.plan.causes if c in SITE_CAUSES), None)
    return Known(f"stranger, {window}", case.site, case.readings, cause, counts=True)


def _of_bench(origin: str, made: BenchSite) -> Known:
    truth = made.site_fault
    cause, counts = (truth.cause, truth.judgeable) if truth else (None, True)
    return Known(origin, made.site, made.readings, cause, counts)
