"""What weeks show of shade on whole planes: the signs of `service/verify/shade_odds.py`, plane by plane.

Days are not weighed: on a single one nothing but bounds tells a hill from a cloud. A plane that is described wrongly
counts as one without shade: what tells that it faces elsewhere comes after.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from service.expect.site import Site
from service.verify.case import Case
from service.verify.causes.site_low import low_level
from service.verify.common_shade import Judged, first_spans
from service.verify.inputs import Readings
from service.verify.parted import UnitEnergies
from service.verify.run import build_case
from service.verify.shade_odds import LEAST_DAYS, LEAST_ODDS
from service.verify.sky import family
from tests.bench.fleet.plan import plan
from tests.bench.fleet.shelf import kept
from tests.bench.fleet.truth import BenchSite
from tests.bench.roofs.build import make
from tests.bench.roofs.plan import Trial
from tests.bench.stranger.case import Case as StrangerCase
from tests.bench.stranger.case import site as stranger
from tests.bench.weigh.sites import Key, Row, sites

TRIALS = 200

MOST_OF_PLANE = 0.5
"""Share of a plane's units that stand in shade from which the plane does."""


class Shaded(NamedTuple):
    """A week as it is judged, and by plane whether it stands in shade; left out where that counts neither way."""

    origin: str
    site: Site
    readings: Readings
    is_true: dict[str, bool]


def keys() -> Iterator[Key]:
    """Return all weeks."""
    yield from sites("7d", TRIALS)


def rows(key: Key) -> list[Row]:
    """Return what each plane of a week shows where so much speaks for a span that it is weighed."""
    week = _known(key)
    case = build_case(week.site, week.readings)
    told = {name: one for name, one in spans(case).items() if name in week.is_true and _is_weighed(one)}
    return [
        Row(week.origin, dict(one.signs.measures), week.is_true[name], one.by_bounds)
        for name, one in told.items()
    ]


def spans(case: Case) -> dict[str, Judged]:
    """Return what the likeliest span of each plane of a case says, by the units' own sky."""
    level = low_level(case)
    agreed, units = (
        np.where(case.outage, np.nan, energy_wh) / level for energy_wh in (case.agreed_wh, case.measured_wh)
    )
    by_unit = UnitEnergies(units, case.resolution_wh / level)
    return first_spans(case.day, family(case.day), agreed, units=by_unit)


def _is_weighed(one: Judged) -> bool:
    return one.signs.log_odds >= LEAST_ODDS and one.signs.days >= LEAST_DAYS


def _known(key: Key) -> Shaded:
    """Return the week of a key."""
    if isinstance(key, Trial):
        return _of_bench("roofs", make(key).site)
    origin, seed, window = key
    if origin == "fleet":
        return _of_bench("fleet", kept(plan(seed, window)))
    return _of_stranger(stranger(seed, window))


def _of_bench(origin: str, made: BenchSite) -> Shaded:
    """Return a week of the fleet or of a real roof: of its planes behind a planned object, or of all without one.

    Planes of which most units stand in shades of their own are left out.
    """
    planned = made.plan.group == "shaded_plane"
    shaded = {s for s in made.faults if any(f.cause == "shaded" for f in made.faults[s])}
    counted = {s for s in shaded if any(f.cause == "shaded" for f in made.counted(s))}
    by_plane = {p.name: [u.serial for u in made.site.units if u.plane == p.name] for p in made.site.planes}
    if planned:
        true = {name: True for name, units in by_plane.items() if _most(units, counted)}
    else:
        true = {name: False for name, units in by_plane.items() if not _most(units, shaded)}
    return Shaded(origin, made.site, made.readings, true)


def _of_stranger(made: StrangerCase) -> Shaded:
    """Return a week of the second fleet, which has objects before units only, be they most of a plane's."""
    shares = [fault.share for fault in made.faults if fault.cause == "shaded"]
    shaded = {made.site.units[i].serial for share in shares for i in share}
    by_plane = {p.name: [u.serial for u in made.site.units if u.plane == p.name] for p in made.site.planes}
    sound = {name: False for name, units in by_plane.items() if not _most(units, shaded)}
    return Shaded("stranger", made.site, made.readings, sound)


def _most(units: Sequence[str], of: set[str]) -> bool:
    return sum(serial in of for serial in units) >= MOST_OF_PLANE * len(units)
