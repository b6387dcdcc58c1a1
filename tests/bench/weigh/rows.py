"""What is weighed: the signs of sites whose truth is known, from the seeds and days that one may tune on."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from service.expect.site import Site
from service.verify import alignment
from service.verify.inputs import Readings
from service.verify.run import build_case
from tests.bench.fleet.plan import Window, plan
from tests.bench.fleet.shelf import kept
from tests.bench.fleet.truth import BenchSite
from tests.bench.roofs.__main__ import trials
from tests.bench.roofs.build import make
from tests.bench.roofs.plan import Trial
from tests.bench.stranger.case import site as stranger
from tests.bench.stranger.plan import SITE_CAUSES

RANGES = (*range(0, 1680, 240), *(1000 * k for k in range(6, 43, 3) if k != 9))
SITES: dict[Window, int] = {"1d": 240, "7d": 60}
"""First seeds of the fleet, and how many of each."""

STRANGERS = (*range(120), *range(1100, 1340))
TRIALS: dict[Window, int] = {"1d": 1200, "7d": 250}

Key = tuple[str, int, Window]
Given = tuple[Site, Readings, str | None, bool]
"""Record, readings, the cause of the whole site, and whether it counts."""


class Row(NamedTuple):
    """One site's measures, whether its plane is described wrongly, and whether bounds alone say so."""

    origin: str
    measures: dict[str, float]
    is_true: bool
    said: bool


def keys(window: Window) -> Iterator[Key | Trial]:
    """Return all sites of a window."""
    yield from (("fleet", s, window) for first in RANGES for s in range(first, first + SITES[window]))
    yield from (("stranger", s, window) for s in STRANGERS)
    yield from trials(window, wanted=TRIALS[window], first=0, part="tuning")


def row(key: Key | Trial) -> Row | None:
    """Return what one site shows of its only plane, None where nothing or where its own fault does not count."""
    site, readings, cause, counts = _given(key)
    if cause is not None and not counts:
        return None
    case = build_case(site, readings)
    signs, plane = alignment.signs(site, readings, scale=case.scale), case.alignment.plane
    if signs is None:
        return None
    said = plane is not None and plane.log_odds is None
    origin = "roofs" if isinstance(key, Trial) else key[0]
    return Row(origin, dict(signs.measures), cause == "plane_misdescribed", said)


def _given(key: Key | Trial) -> Given:
    if isinstance(key, Trial):
        return _of_bench(make(key).site)
    origin, seed, window = key
    if origin == "fleet":
        return _of_bench(kept(plan(seed, window)))
    case = stranger(seed, window)
    causes = [c for c in case.plan.causes if c in SITE_CAUSES]
    return case.site, case.readings, causes[0] if causes else None, True


def _of_bench(made: BenchSite) -> Given:
    truth = made.site_fault
    return made.site, made.readings, truth.cause if truth else None, truth is None or truth.judgeable
