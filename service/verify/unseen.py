"""What cannot be seen: the causes that a window's light, interval and neighbours do not allow to judge, and what is
missing for each.

A verification without a finding is worth as much as what it could have found: half an hour shows dead units and not
a tree's shadow. Nothing is found here. The bounds are the causes' own where they have some.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from service.verify.case import GIVES_NOTHING, Case, Expectation
from service.verify.causes import curtailed, low_output, no_output, site_low, steady, unit_scale, voltage_trip
from service.verify.explained import LEAST_SUN_H
from service.verify.levels import BETWEEN_PLANES, PEERS_FOR_COMPARISON, SIGMAS
from service.verify.plane_level import low_planes
from service.verify.plane_light import SUN_DAY_H, PlaneLight, plane_lights
from service.verify.result import Finding, Unseen
from service.verify.scale import is_too_bright
from service.verify.sentence import Quantity, Sentence, sentence
from service.verify.unit_curves import LEAST_LIT

STEADY_H = 2.0
"""Hours of light from which a low level is no longer taken for one obstacle's shadow (our choice, no source)."""

DROP_OUT_H = 3.0
"""Hours of light in which a plug that lets go a few times a day does so (our choice, no source)."""

HIDING_INTERVAL_MIN, TELLING_INTERVAL_MIN = 30, 5.0
"""Interval in which drop-outs of minutes drown, and the one that shows them (rdtools pull request 131: means over 15
minutes cannot show fast cycling)."""

TELLING_LOSS = 0.08
"""A loss that should show before low output counts as judged."""

LIMIT_SHARE = 0.5
"""Share of the ratings that the light must reach before a limit on the site's power would show."""

STRONG_MINUTES = 60
"""Minutes at high power in which a branch that trips does so twice (our choice, no source)."""


SHADE_DAYS = 5
"""Days with sun on a plane before a shadow on all of it is told from cloud. It must come back; of 68 simulated ones
(`tests/bench/fleet`, a week) none was found with one such day or none, three of eight with three or four, 37 of 53 with
five or more."""

PATH_SEEN = 0.8
"""Share of the sun's path before a plane that must have been seen with sun."""

INTERVALS_FOR_SCALE = 3
MOST_LIGHT_H = 24.0
"""Where more light than this would be needed, it is like units that are missing."""

Needs = dict[str, float]


@dataclass(frozen=True)
class _Lack:
    """A cause that cannot be judged for `rows` (None: the site as a whole), why, and the numbers of what is missing."""

    cause: str
    why: str
    rows: tuple[int, ...] | None = None
    needs: Needs = field(default_factory=dict)


Judge = Callable[[Case, list[PlaneLight]], Iterator[_Lack]]


def unseen(case: Case, findings: Sequence[Finding]) -> tuple[Unseen, ...]:
    """Return what the window does not allow to judge, by cause; planes that lack the same stand together.

    A cause that was found for the whole site or plane is judged there. Units that were never heard have their finding
    and nothing else to be judged by; a site without any heard unit lacks nothing that more light could give.
    """
    planes = plane_lights(case)
    if not planes:
        return ()
    lacks = [lack for judge in _judges(case, planes) for lack in judge(case, planes)]
    return tuple(_grouped(case, planes, [lack for lack in lacks if not _is_found(case, lack, findings)]))


def _judges(case: Case, planes: list[PlaneLight]) -> tuple[Judge, ...]:
    told = case.array_sky.known.any() or case.source == "measured"
    lit = any(p.lit.any() for p in planes)
    by_sky = (_levels, _plane_levels, _drop_outs, _trips, _shade, _shapes, _limits, _site_level)
    return (_scale, _dead, *(by_sky if told or not lit else (_untold,)))


def _is_found(case: Case, lack: _Lack, findings: Sequence[Finding]) -> bool:
    same = [f for f in findings if f.cause == lack.cause]
    if lack.rows is None:
        return bool(same)
    return {case.day.site.units[i].plane for i in lack.rows} <= {f.plane for f in same}


# What needs no sky


def _scale(case: Case, planes: list[PlaneLight]) -> Iterator[_Lack]:
    lit = int(np.any([p.lit for p in planes], axis=0).sum())
    too_bright = is_too_bright(case.measured_wh, case.clear_wh, case.day.rated_wh)
    if too_bright or unit_scale.may_be_too_low(case):
        yield _Lack("unit_scale", "odd")
    elif lit < INTERVALS_FOR_SCALE:
        yield _Lack("unit_scale", "light", needs=_minutes(case, INTERVALS_FOR_SCALE - lit))


def _dead(case: Case, planes: list[PlaneLight]) -> Iterator[_Lack]:
    """Give where the light is short of what makes a dead unit sure."""
    has_branches = any(u.branch for u in case.day.site.units)
    if not has_branches:
        yield _Lack("branch_out", "branches")
    for p in planes:
        short_min = max(no_output.LEAST_MINUTES_SHORT - 60 * p.lit_h, _short_of_energy_min(case, p))
        if short_min > 0:
            needs = {"minutes": _up(short_min, 5)}
            yield _Lack("no_output", "light", p.rows, needs)
            if has_branches:
                yield _Lack("branch_out", "light", p.rows, needs)


def _short_of_energy_min(case: Case, p: PlaneLight) -> float:
    """Return how many more minutes of the light so far bring the energy that a dead unit must have left unused."""
    rows = list(p.rows)
    at_rating = np.where(p.lit, case.peers.energy_wh[rows], 0.0).sum(axis=1) / case.day.rated_wh[rows]
    unused_h = float(np.median(at_rating)) * case.day.interval_hours
    return 60 * p.lit_h * (no_output.LEAST_ENERGY_H / unused_h - 1) if unused_h > 0 else 0.0


# What needs the sky


def _untold(_: Case, __: list[PlaneLight]) -> Iterator[_Lack]:
    """Give what one unit alone under unknown clouds cannot show."""
    steadily = ("substring_out", "low_output", "intermittent", "voltage_trip", "shaded")
    in_shape = ("clock_shift", "plane_misdescribed", "wrong_plane", "swapped")
    return (_Lack(cause, "reference") for cause in (*steadily, *in_shape, "curtailed", "site_low"))


def _levels(case: Case, planes: list[PlaneLight]) -> Iterator[_Lack]:
    """Give where levels are not read, or not well enough for a small loss."""
    for p in planes:
        for i in p.rows:
            read = int(np.isfinite(case.levels.series[i]).sum())
            if read == 0 and case.giving_nothing[i].any():
                continue  # a unit at a standstill has no level; that it stands still is judged elsewhere
            if read < steady.LEAST_INTERVALS:
                needs = _minutes(case, steady.LEAST_INTERVALS - read)
                yield _Lack("substring_out", "light", (i,), needs)
                least = {"minutes": max(needs["minutes"], _up(60 * (STEADY_H - p.lit_h), 30))}
                yield _Lack("low_output", "light", (i,), least)
            else:
                yield from _coarse(case, p, i)


def _coarse(case: Case, p: PlaneLight, i: int) -> Iterator[_Lack]:
    """Give what low output lacks for a unit whose level is read."""
    visible, scatter = float(case.levels.visible[i]), float(case.levels.statistical[i])
    lasting = float(case.levels.sd[i] ** 2) - scatter**2  # what more light does not take away
    allowed = (TELLING_LOSS / SIGMAS) ** 2 - lasting
    more_h = p.lit_h * (scatter**2 / allowed - 1) if allowed > 0 else math.inf
    if visible > TELLING_LOSS and more_h > MOST_LIGHT_H:
        needs = {"like_units": float(PEERS_FOR_COMPARISON), "visible_loss_pct": _up(100 * visible, 1)}
        yield _Lack("low_output", "neighbours", (i,), needs)
    elif visible > TELLING_LOSS and more_h > STEADY_H:
        yield _Lack("low_output", "light", (i,), {"minutes": _up(60 * more_h, 30)})
    elif p.lit_h < STEADY_H:
        yield _Lack("low_output", "steady", (i,), _hours(STEADY_H - p.lit_h))


def _plane_levels(case: Case, _: list[PlaneLight]) -> Iterator[_Lack]:
    """Give where a plane is low beside the others, and may as well face elsewhere."""
    for low in low_planes(case):
        if not low.told:
            yield from (_Lack(cause, "level", low.rows) for cause in ("low_output", "plane_misdescribed"))


def _drop_outs(case: Case, planes: list[PlaneLight]) -> Iterator[_Lack]:
    if case.day.grid.interval_min >= HIDING_INTERVAL_MIN:
        yield _Lack("intermittent", "interval", needs={"interval_min": TELLING_INTERVAL_MIN})
        return
    for p in planes:
        if p.lit_h < DROP_OUT_H:
            yield _Lack("intermittent", "hours", p.rows, _hours(DROP_OUT_H - p.lit_h))


def _trips(case: Case, planes: list[PlaneLight]) -> Iterator[_Lack]:
    if case.day.grid.interval_min >= voltage_trip.LONGEST_MINUTES:
        yield _Lack("voltage_trip", "interval", needs={"interval_min": TELLING_INTERVAL_MIN})
    elif not any(u.branch for u in case.day.site.units):
        yield _Lack("voltage_trip", "branches")
    else:
        yield from _power(case, planes, "voltage_trip", voltage_trip.STRONG, STRONG_MINUTES, case.peers)


def _limits(case: Case, planes: list[PlaneLight]) -> Iterator[_Lack]:
    least_minutes = max(curtailed.LEAST_MINUTES, curtailed.LEAST_READINGS * case.day.grid.interval_min)
    due = case.stated if case.source == "measured" else case.peers  # what a limit holds back is no less light
    return _power(case, planes, "curtailed", LIMIT_SHARE, least_minutes, due)


def _power(  # one argument a property of the cause
    case: Case, planes: list[PlaneLight], cause: str, share: float, least_minutes: float, due: Expectation
) -> Iterator[_Lack]:
    """Give the cause if too little light was `due` to bring the heard units together above a share of their ratings."""
    rows = [i for p in planes for i in p.rows]
    lit = np.any([p.lit for p in planes], axis=0)
    power = due.energy_wh[rows].sum(axis=0) / case.day.rated_wh[rows].sum()
    minutes = float((lit & (power >= share)).sum()) * case.day.grid.interval_min
    if minutes < least_minutes:
        needs = {"minutes": _up(least_minutes - minutes, 5), "ratings_pct": 100 * share}
        yield _Lack(cause, "power", needs=needs)


def _shade(case: Case, planes: list[PlaneLight]) -> Iterator[_Lack]:
    for p in planes:
        if p.plane.name in case.doubted or _lacks_together(case, p):
            yield from (_Lack(cause, "either", p.rows) for cause in ("shaded", "plane_misdescribed"))
            continue
        path_h, unseen_h = p.path_h
        hours, days = _hours(unseen_h), {"days": float(SHADE_DAYS - p.sun_days)}
        short_of_path = unseen_h > (1 - PATH_SEEN) * path_h
        if path_h < SUN_DAY_H / 2:
            yield _Lack("shaded", "season", p.rows)
        elif short_of_path and p.sun_days < SHADE_DAYS:
            yield _Lack("shaded", "path_and_days", p.rows, {**hours, **days})
        elif short_of_path:
            yield _Lack("shaded", "path", p.rows, hours)
        elif p.sun_days < SHADE_DAYS:
            yield _Lack("shaded", "days", p.rows, days)


def _lacks_together(case: Case, p: PlaneLight) -> bool:
    """Return whether a plane's units surely lack more together than one plane's light is known from another's."""
    given = case.given[list(p.rows)]
    some = given[given > GIVES_NOTHING]
    lacks = bool(len(some) > 1 and np.median(some) * (1 + 2 * BETWEEN_PLANES) < low_output.USUAL)
    return case.source == "array" and lacks


def _shapes(case: Case, planes: list[PlaneLight]) -> Iterator[_Lack]:
    """Give what the causes that read a curve's shape lack: sun, and for a sure answer another orientation."""
    turned = len({(p.plane.tilt_deg, p.plane.azimuth_deg) for p in planes}) > 1
    most_h = max(p.sun_h for p in planes)
    if most_h < LEAST_SUN_H:
        yield _Lack("clock_shift", "sun", needs=_hours(LEAST_SUN_H - most_h))
    elif not turned:
        yield _Lack("clock_shift", "orientation")
    for p in planes:
        if p.sun_h < LEAST_SUN_H:
            yield _Lack("plane_misdescribed", "sun", p.rows, _hours(LEAST_SUN_H - p.sun_h))
        elif not turned:
            yield _Lack("plane_misdescribed", "orientation", p.rows)
    for cause in ("wrong_plane", "swapped"):
        yield from _exchanges(case, planes, cause)


def _exchanges(case: Case, planes: list[PlaneLight], cause: str) -> Iterator[_Lack]:
    if len({u.plane for u in case.day.site.units}) < 2:
        yield _Lack(cause, "second_plane")
        return
    for p in planes:
        short_of_intervals_h = LEAST_LIT * case.day.interval_hours - p.lit_h
        short_h = max(LEAST_SUN_H - p.sun_h, short_of_intervals_h)
        if short_h > 0:
            yield _Lack(cause, "sun", p.rows, _hours(short_h))


def _site_level(case: Case, _planes: list[PlaneLight]) -> Iterator[_Lack]:
    measured = case.source == "measured"
    seen = site_low.level_as_measured(case) if measured else site_low.clear_level(case)
    short_h = site_low.HOURS_ON_A_DAY - (seen.hours if seen else 0.0)
    if measured:
        if short_h > 0:
            yield _Lack("site_low", "light", needs={"minutes": _up(60 * short_h, 5)})
        return
    clouded = site_low.between_clouds(case)
    if short_h > 0 and (clouded is None or clouded.days < site_low.DAYS):
        yield _Lack("site_low", "clear", needs=_hours(short_h))
    elif seen and seen.days < site_low.DAYS and seen.level < site_low.LOW:
        yield _Lack("site_low", "haze", needs={"days": float(site_low.DAYS - seen.days)})


def _minutes(case: Case, intervals: int) -> Needs:
    return {"minutes": _up(intervals * case.day.grid.interval_min, 5)}


def _hours(count: float) -> Needs:
    return {"hours": _up(count, 0.5)}


def _up(value: float, step: float) -> float:
    """Return the value rounded up to whole steps, at least one."""
    return float(max(math.ceil(value / step - 1e-9), 1) * step)


# One entry for each cause and reason


def _grouped(case: Case, planes: list[PlaneLight], lacks: list[_Lack]) -> Iterator[Unseen]:
    """Give one entry for each cause and reason, with the largest needs."""
    groups: dict[tuple[str, str], list[_Lack]] = {}
    for lack in lacks:
        groups.setdefault((lack.cause, lack.why), []).append(lack)
    for (cause, why), members in groups.items():
        needs: Needs = {}
        for lack in members:
            needs |= {name: max(value, needs.get(name, value)) for name, value in lack.needs.items()}
        names, serials = _where(case, planes, members)
        yield Unseen(cause, SENTENCES[why](needs), names, serials, needs)


def _where(
    case: Case, planes: list[PlaneLight], members: list[_Lack]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the planes and serials concerned: no planes for all of the site, no serials for whole planes."""
    rows = {i for lack in members for i in (lack.rows or ())}
    touched = [p for p in planes if rows & set(p.rows)]
    whole = rows == {i for p in touched for i in p.rows}
    everywhere = whole and len(touched) in (0, len(planes))
    names = () if everywhere else tuple(p.plane.name for p in touched)
    return names, () if whole else case.named(sorted(rows))


def _more(minutes: float) -> Quantity:
    """Return time to come: 'about 25 more minutes', 'about 1.5 more hours'."""
    return Quantity("more_time", float(minutes))


def _days(needs: Needs) -> Quantity:
    return Quantity("more_days", float(needs["days"]))


SENTENCES: dict[str, Callable[[Needs], Sentence]] = {
    "light": lambda n: sentence("Needs %(time)s of light.", time=_more(n["minutes"])),
    "hours": lambda n: sentence("Needs %(time)s of light.", time=_more(60 * n["hours"])),
    "steady": lambda n: sentence(
        "Needs %(time)s of light: what is low now may be in a shadow.", time=_more(60 * n["hours"])
    ),
    "sun": lambda n: sentence("Needs %(time)s of direct sun.", time=_more(60 * n["hours"])),
    "clear": lambda n: sentence("Needs %(time)s under a clear sky.", time=_more(60 * n["hours"])),
    "power": lambda n: sentence(
        "Needs %(time)s of light that would bring the site above %(share)s %% of its ratings.",
        time=_more(n["minutes"]),
        share=n["ratings_pct"],
    ),
    "interval": lambda n: sentence(
        "Needs readings every %(minutes)s minutes: in longer intervals what lasts minutes is lost.",
        minutes=n["interval_min"],
    ),
    "reference": lambda _: sentence(
        "Needs two units that give energy, or measured irradiance, to tell a fault from cloud."
    ),
    "neighbours": lambda n: sentence(
        "Needs %(num)s like units on the plane: as it is, a loss shows from %(visible)s %% on.",
        num=n["like_units"],
        visible=n["visible_loss_pct"],
    ),
    "branches": lambda _: sentence("Needs the branch circuits on the record."),
    "orientation": lambda _: sentence(
        "Needs a second plane that faces another way: on one, a wrong clock and a wrong azimuth look alike."
    ),
    "second_plane": lambda _: sentence(
        "Needs a second plane: on one, energy does not tell the places apart."
    ),
    "either": lambda _: sentence(
        "Needs a look at the roof: the plane lacks sun that the other planes have, as in a shadow or where it faces "
        "otherwise than recorded; the readings do not tell which."
    ),
    "level": lambda _: sentence(
        "Needs a look at the roof: the plane makes less than the others let expect, as under film or with weaker "
        "modules, or where it faces otherwise than recorded; the readings do not tell which."
    ),
    "odd": lambda _: sentence(
        "Needs hours under a clear sky or a look at the site: the values are far from what a clear sky gives, as under "
        "snow or dark cloud, of a plane that faces otherwise than recorded, or in another unit of measure; the "
        "readings do not tell which."
    ),
    "haze": lambda _: sentence(
        "Needs another clear day: the site made less than a clear sky lets expect, as in hazy air; the readings of one "
        "day do not tell which."
    ),
    "season": lambda _: sentence("Needs direct sun, which does not reach the plane on these days."),
    "path": lambda n: sentence(
        "Needs the sun from the rest of its path, %(time)s.", time=_more(60 * n["hours"])
    ),
    "days": lambda n: sentence("Needs %(days)s to show a shadow that covers the whole plane.", days=_days(n)),
    "path_and_days": lambda n: sentence(
        "Needs the sun from the rest of its path, %(time)s; a shadow that covers the whole plane needs %(days)s.",
        time=_more(60 * n["hours"]),
        days=_days(n),
    ),
}
