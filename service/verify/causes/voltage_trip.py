"""Every unit of a branch drops out together for minutes, at high power, and comes back.

Reasoning: the branch's own current lifts the voltage at its far end; past the grid code's limit its units leave the
grid together and return after the code's waiting time (EN 50549-1 and EREC G98/G99 set limit and time; figures from
memory). Weak light lifts nothing, so the drop-outs stand at high power only. Where single units drop out the cause is
`intermittent`; where the branch stays off, `branch_out`. A whole site that drops out looks like a dark cloud unless it
gives nothing at all, or less than any cloud between sun leaves (`dark_cloud`), or planes that face differently fall to
one share (`same_share`). A branch without like units elsewhere is held against what the other units' light lets expect
at least (`elsewhere`); where that is next to nothing it, too, counts by giving nothing at all, since cloud and shade
leave the sky's light. What comes at the same time every day is a shadow. Where the waiting time is shorter than an
interval, and no interval is whole, a branch still jumps as one in light that does not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from service.verify.case import LIGHT, BoolArray, Case
from service.verify.causes import channels
from service.verify.causes.wording import duration, energy
from service.verify.consensus import robust_sd
from service.verify.dark_cloud import darker_than_clouds, within_before, would_show
from service.verify.elsewhere import Due, due
from service.verify.falls import falls
from service.verify.inputs import FloatArray
from service.verify.least_sky import STEPS_TO_COMPARE
from service.verify.result import Finding
from service.verify.same_share import BRIGHT, fallen
from service.verify.sentence import Quantity, Sentence, counted_sentence, sentence

STRONG = 0.4
"""Output over the ratings, as the best branch's light allows, from which the voltage can be high."""

SHORTEST_MINUTES = 1.0
"""The least time before a unit may feed in again (EN 50549-1, 60 s; from memory)."""

DIP, DIP_OF_LIKE = 0.8, 0.9
"""Share of what is due below which a branch dips for sure; and by like units, where a minute is less of an interval."""

TOGETHER = 0.8
"""Least share of a branch's heard units that must dip in the same interval."""

FEW_IN_WEAK = 3
"""So few dips in weak light are chance."""

LEAST_DIPS, NOTHING, SURE_OF_ONE = 2, 0.1, 0.6
"""So many dips are no chance; one alone is none where all units give nothing but what is left of the interval's begin
or end, since no cloud or shadow does that to one branch for minutes: but it may have been switched off by hand."""

LEAST_SHARE, LEAST_SHARE_OF_SITE, DEEP = 0.005, 0.0005, 0.5
"""Share of the energy due in the window that must be lost; or where units elsewhere tell of it, if LEAST_DIPS leave
less than the last of what is due: clouds over one plane left three quarters."""

LEAST_WEAK = 8
"""Intervals in weak light that tell a unit's level there (our choice)."""

OTHERS_DIP = 2
"""How many times as often as a branch dips it may make more than like units let expect, which may trip as well: beyond
that it is they who trip (our choice, no source)."""

LONGEST_MINUTES = 30
SAME_MINUTES, MINUTES_A_DAY = 30, 24 * 60
"""Minutes of the day within which what comes on several days may come with the sun (our choice, no source)."""

SHOWS_MINUTES = 5
"""Intervals up to which what leaves planes apart tells no trip of a whole site by itself: units wait for a minute at
least and commonly for some (EN 50549-1; from memory), so that most trips take all of one. A cloud's edge leaves planes
apart, too, but never takes all: of the deep minutes of healthy sites' weeks a hundredth look like trips."""

LEAST_FALLEN, MOST_IN_WEAK, WEAK, ONE_LEVEL = 4, 0.25, 0.1, 0.1
"""So many intervals in which a whole site falls to one share on all planes are no chance; how much rarer they must be
in weak light, from what share of the ratings on; and the scatter (logarithm) below which they keep to one level."""

LOW_AGAIN = 0.5
"""Share of the other days told of on which the branch is low at a dip's minute, from which the dip comes again, and
share of the dips that come again, from which the branch stands in shade then: two may well fall on one minute."""

LEAST_BEATS, ALIKE = 3, 0.1
"""Least intervals of trips without end, and how far apart units may be that are off for the same minutes: a reading's
own moment may be off by seconds, a few hundredths of a short interval (our choice, no source)."""

AS_BRIGHT, MOSTLY = 0.9, 0.5
"""Share of a dip's due power from which other light at the same place of the sun would show the same shade, and share
of the dips that must be refuted so."""

STEADY_LIGHT, JUMP = 0.15, 0.1
"""How much the light of like units changes at most (logarithm) from one interval to the next where the branch's share
of it jumps, and by how much: no shadow comes and goes while the light stays."""

AS_ONE, MOST_AS_ONE = 0.05, 0.9
"""How near each unit is to the branch's share, of that, and in what share of the strong intervals that are low: no
shadow's edge passes units side by side in one moment."""

BRIGHT_INDEX, BACK = 0.4, 0.1
BRIGHT_WITHIN_MINUTES = 30
"""Clear-sky index before a drop-out that shows by itself, share of the ratings before and after it, and within which
minutes: no cloud takes all of so much and gives it back."""


@dataclass(frozen=True)
class _Trips:
    branch: str | None
    rows: list[int]
    dips: BoolArray
    due_wh: FloatArray
    """What the rows should have made, (R, D), NaN where nothing tells."""


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return one finding for each branch that trips, or one for a site that trips as a whole."""
    rows = [i for i, s in enumerate(case.serials) if s not in named and np.nansum(case.measured_wh[i]) > 0]
    if len(rows) < 2 or case.source == "clear_sky":
        return []
    branches = _branches(case, rows)
    found = _branch_trips(case, branches) or _silent_trips(case, None, rows)
    if not found:
        found = [trips for name, members in branches.items() for trips in _silent_trips(case, name, members)]
    if not found and not branches:
        found = _fallen_trips(case, rows)
    return [_finding(case, trips) for trips in found if _is_worth_it(case, trips)]


def _lost_wh(case: Case, trips: _Trips) -> float:
    use = case.heard[trips.rows] & trips.dips & np.isfinite(trips.due_wh)
    lost = np.where(use, trips.due_wh - case.measured_wh[trips.rows], 0.0)
    return float(np.maximum(lost, 0.0).sum())


def _is_worth_it(case: Case, trips: _Trips) -> bool:
    """Return whether enough was lost: of a site without any output only the whole intervals of a trip can be seen."""
    told = case.heard[trips.rows] & (np.isfinite(trips.due_wh) | ~_are_deep(case, trips))
    due_wh = float(np.where(told, case.peers.energy_wh[trips.rows], 0.0).sum())
    return _lost_wh(case, trips) >= (LEAST_SHARE if trips.branch else LEAST_SHARE_OF_SITE) * due_wh


def _are_deep(case: Case, trips: _Trips) -> bool:
    """Return whether enough dips to be no chance leave less than half of what is due."""
    with np.errstate(divide="ignore", invalid="ignore"):
        left = _median(case.measured_wh[trips.rows][:, trips.dips] / trips.due_wh[:, trips.dips])
    return bool((left < DEEP).sum() >= LEAST_DIPS)


def _branches(case: Case, rows: list[int]) -> dict[str, list[int]]:
    """Return the rows of each branch of several units that is not the whole site; what is off told of it before."""
    units = case.day.site.units
    branches: dict[str, list[int]] = {}
    for i in rows:
        name = units[i].branch
        if name is not None:
            branches.setdefault(name, []).append(i)
    beside = {name: any(unit.branch != name for unit in units) for name in branches}
    return {name: members for name, members in branches.items() if len(members) > 1 and beside[name]}


def _branch_trips(case: Case, branches: dict[str, list[int]]) -> list[_Trips]:
    """Return the branches whose units dip together while units on other branches do not."""
    found = []
    for name, rows in branches.items():
        by_others = _as_in_weak_light(case, rows, due(case, rows))
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(case.light[rows], case.measured_wh[rows], np.nan) / by_others.energy_wh
        by_like = _dip_by_like(case, rows, share, by_others.by_like)
        dips = by_like & _trips_in(case, rows, share, _dip(case, like=bool(by_others.by_like.all())))
        enough = _count(dips) >= LEAST_DIPS or _gives_nothing(share, dips)
        low = np.asarray(_median(share) < _dip(case, like=False))
        told = np.asarray(np.isfinite(share).any(axis=0))
        if not enough or _comes_with_the_sun(case, dips, low, told):
            dips = _beats(case, rows, share, by_others, by_like)
        dips = dips | _jumps(case, rows, share, by_others)
        if dips.any() and not _others_dip(share[by_others.by_like], dips):
            found.append(_Trips(name, rows, dips, by_others.energy_wh))
    return found


def _dip_by_like(case: Case, rows: list[int], share: FloatArray, by_like: BoolArray) -> BoolArray:
    """Return where most of the rows that like units tell of dip, if any: the model errs on the others alike.

    Of what is due all `rows` make a `share` (R, D). Where the model leaves those `by_like` (R,) in the dark and they
    give, what they make of what like ones do tells it.
    """
    share = share[by_like]
    beside = _beside_like(case, [row for row, like in zip(rows, by_like, strict=True) if like], rows)
    share = np.where(np.isfinite(share).any(axis=0), share, beside)
    told = np.isfinite(share)
    low = (np.where(told, share, 1.0) < DIP_OF_LIKE).sum(axis=0)
    return np.asarray(low >= TOGETHER * told.sum(axis=0))


def _beside_like(case: Case, rows: list[int], branch: list[int]) -> FloatArray:
    """Return what the rows make of what like units on no such branch do, (R, D), NaN where these give little."""
    out = np.full((len(rows), case.measured_wh.shape[1]), np.nan)
    least_wh = np.maximum(LIGHT * case.day.rated_wh[rows], STEPS_TO_COMPARE * case.resolution_wh)
    for at, row in enumerate(rows):
        made = _median(case.measured_wh[[i for i in case.like(row) if i not in branch]])
        np.divide(case.measured_wh[row], made, out=out[at], where=made > least_wh[at])
    return out


def _as_in_weak_light(case: Case, rows: list[int], by_others: Due) -> Due:
    """Return what like units let expect with the rows' levels as they are in weak light: trips lower them in strong.

    But no more than their ratings: a weak like unit goes on growing where the rows stand at theirs.
    """
    weak = case.light[rows] & ~_strong(case, rows)
    with np.errstate(invalid="ignore"):
        share = np.where(weak, case.measured_wh[rows], np.nan) / by_others.energy_wh
    enough = by_others.by_like & (np.isfinite(share).sum(axis=1) >= LEAST_WEAK)
    level = np.ones(len(rows))
    level[enough] = np.maximum(np.nanmedian(share[enough], axis=1), 1.0)
    due_wh = np.minimum(by_others.energy_wh * level[:, None], case.day.rated_wh[rows, None])
    return replace(by_others, energy_wh=due_wh)


def _others_dip(share: FloatArray, dips: BoolArray) -> bool:
    """Return whether the rows (R, D) are far more often above what like units let expect than they dip."""
    return bool((_median(share) > 1 / DIP_OF_LIKE).sum() > OTHERS_DIP * dips.sum())


def _beats(case: Case, rows: list[int], share: FloatArray, by_others: Due, by_like: BoolArray) -> BoolArray:
    """Return where the rows trip again and again, (D,), be it for hours; nowhere where like units cannot tell.

    Where like units tell of them they dip `by_like`, (D,). Off for minutes, back, and off again is a branch at high
    voltage through the middle of the day. It takes the same minutes from each of its units, and leaves them alone in as
    much light at the same place of the sun: shade does neither, and a limit never leaves less than at other hours of
    the day.
    """
    nowhere = np.zeros(share.shape[1], dtype=bool)
    if not by_others.by_like.any():
        return nowhere
    dip = _dip(case, like=bool(by_others.by_like.all()))
    dips, level = _dips(share, dip)
    power = _power(case, rows, by_others)
    strong = _around(case, power) >= STRONG * power.max()
    made = level * power
    dips &= by_like & strong & _alike(share[by_others.by_like]) & (made < dip * _highest_of_day(case, made))
    whole = np.asarray(level >= _whole(dip))
    times = _times_back(dips, whole)
    dips &= times >= 0
    low = np.asarray((level < dip) & np.isfinite(share).any(axis=0))
    enough = len(np.unique(times[dips])) >= LEAST_DIPS and dips.sum() >= LEAST_BEATS
    enough = enough and _mostly(strong, low, dips, power > 0)
    return dips if enough and _spares_as_bright(case, dips, whole, power) else nowhere


def _jumps(case: Case, rows: list[int], share: FloatArray, by_others: Due) -> BoolArray:
    """Return where the rows jump up and down as one in steady light, (D,); nowhere where like units cannot tell.

    So they do where they are off for other minutes of each interval, be there no interval in which they are not.
    """
    like, nowhere = by_others.by_like, np.zeros(share.shape[1], dtype=bool)
    if not like.any():
        return nowhere
    level, as_one = _as_one(case, share[like], by_others.energy_wh[like])
    power, told = _power(case, rows, by_others), np.isfinite(level)
    strong = _around(case, power) >= STRONG * power.max()
    low = told & (level < DIP_OF_LIKE)
    dips = low & strong & as_one
    if dips.sum() < MOST_AS_ONE * (low & strong).sum() or not _mostly(strong, low, dips, told):
        return nowhere
    whole = level[told & ~low]
    if not len(whole) or np.median(whole) > 2 - DIP_OF_LIKE:
        return nowhere  # what like units that trip themselves leave is more than they expect
    steady = as_one[1:] & as_one[:-1] & (np.diff(case.day.positions) == 1)
    steady &= np.abs(np.diff(np.log(np.maximum(power, 1e-6)))) < STEADY_LIGHT
    jumps = np.concatenate(([False], steady & (np.abs(np.diff(level)) >= JUMP)))
    often = _most_in_a_day(case, level, steady) >= LEAST_DIPS
    return dips if often and not _comes_again(case, level, jumps, power) else nowhere


def _most_in_a_day(case: Case, level: FloatArray, steady: BoolArray) -> int:
    """Return how often a level (D,) falls and comes back while the light is `steady` (D - 1,), on the worst day."""
    starts = np.concatenate(([0], np.flatnonzero(~steady) + 1))
    day = case.day.positions[starts] * case.day.grid.interval_min // MINUTES_A_DAY
    times: dict[int, int] = {}
    for of_day, span in zip(day.tolist(), np.split(level, starts[1:]), strict=True):
        if np.isfinite(span).all():
            times[of_day] = times.get(of_day, 0) + falls(span, JUMP, before=min(span[0], 1.0))
    return max(times.values(), default=0)


def _as_one(case: Case, share: FloatArray, due_wh: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Return what the rows together make of what is due (R, D), (D,), and where each makes as much.

    NaN where fewer than two are told of, or the register's steps hide a jump.
    """
    told = np.isfinite(share)
    count, due = told.sum(axis=0), np.where(told, due_wh, 0.0).sum(axis=0)
    made = np.where(told, share * due_wh, 0.0).sum(axis=0)
    fine = (count > 1) & (case.resolution_wh * np.sqrt(np.maximum(count, 1)) < JUMP / 3 * due)
    level = np.divide(made, due, out=np.full(len(due), np.nan), where=fine)
    with np.errstate(divide="ignore", invalid="ignore"):
        near = np.abs(share - level) <= AS_ONE * level + case.resolution_wh / due_wh
    return level, np.asarray(fine & (near | ~told).all(axis=0))


def _comes_again(case: Case, level: FloatArray, jumps: BoolArray, power: FloatArray) -> bool:
    """Return whether most jumps of a level (D,) come again at the same minutes in as much light: shade with gaps."""
    day, minute = np.divmod(case.day.positions * case.day.grid.interval_min, MINUTES_A_DAY)
    by, now = np.diff(level, prepend=np.nan), power[jumps][:, None]
    same = (minute == minute[jumps][:, None]) & (day != day[jumps][:, None]) & np.isfinite(by)
    same &= np.abs(power - now) <= (1 - AS_BRIGHT) * now
    again = (same & (np.abs(by - by[jumps][:, None]) < JUMP)).sum(axis=1) > LOW_AGAIN * same.sum(axis=1)
    return bool(again.sum() > LOW_AGAIN * same.any(axis=1).sum())


def _times_back(dips: BoolArray, whole: BoolArray) -> NDArray[np.intp]:
    """Return how often the branch was whole before each dip, (D,); -1 besides and where it never is again."""
    before = np.cumsum(whole)
    return np.where(dips & (before < before[-1:]), before, -1)


def _power(case: Case, rows: list[int], by_others: Due) -> FloatArray:
    """Return what like units let expect of the rows' power, a share of their ratings, (D,), 0 where they do not."""
    like = by_others.by_like
    due_wh = np.where(np.isfinite(by_others.energy_wh[like]), by_others.energy_wh[like], 0.0)
    return np.asarray((due_wh / case.day.rated_wh[rows][like, None]).max(axis=0))


def _alike(share: FloatArray) -> BoolArray:
    """Return where nearly all units told of make the same share of what is due (R, D), (D,)."""
    near = np.abs(share - _median(share)) <= ALIKE
    return np.asarray(near.sum(axis=0) >= TOGETHER * np.isfinite(share).sum(axis=0))


def _highest_of_day(case: Case, made: FloatArray) -> FloatArray:
    """Return the highest of the day of each interval, (D,)."""
    _, day = np.unique(case.day.positions * case.day.grid.interval_min // MINUTES_A_DAY, return_inverse=True)
    highest = np.zeros(int(day.max()) + 1)
    np.maximum.at(highest, day, made)
    return np.asarray(highest[day])


def _spares_as_bright(case: Case, dips: BoolArray, whole: BoolArray, power: FloatArray) -> bool:
    """Return whether at the minutes of most dips the branch is whole on another day with as much light."""
    day, minute = np.divmod(case.day.positions * case.day.grid.interval_min, MINUTES_A_DAY)
    same = (minute == minute[dips][:, None]) & (day != day[dips][:, None])
    spared = (same & whole & (power >= AS_BRIGHT * power[dips][:, None])).any(axis=1)
    return bool(spared.sum() > MOSTLY * dips.sum())


def _trips_in(case: Case, rows: list[int], share: FloatArray, dip: float) -> BoolArray:
    """Return where the rows, which make a share of what is due (R, D), dip for minutes at high power, (D,)."""
    dips, level = _dips(share, dip)
    dips = _short_runs(np.asarray(dips & _strong(case, rows)), level >= _whole(dip), _longest(case))
    low = np.asarray((level < dip) & np.isfinite(share).any(axis=0))
    return dips & _mostly_strong(case, rows, low, dips)


def _dip(case: Case, *, like: bool) -> float:
    """Return the share of what is due below which a unit dips: a minute or more out of the interval at full power."""
    return float(
        np.clip(1 - SHORTEST_MINUTES / case.day.grid.interval_min, DIP, DIP_OF_LIKE if like else DIP)
    )


def _whole(dip: float) -> float:
    """Return the share of what is due from which a branch is back: halfway from a dip to all of it."""
    return (1 + dip) / 2


def _longest(case: Case) -> int:
    """Return how many intervals the longest drop-out touches."""
    return LONGEST_MINUTES // case.day.grid.interval_min + 1


def _dips(share: FloatArray, dip: float) -> tuple[BoolArray, FloatArray]:
    """Return where nearly all units told of dip below a share of what is due (R, D), and their median share, (D,)."""
    told = np.isfinite(share)
    low, count = (np.where(told, share, 1.0) < dip).sum(axis=0), told.sum(axis=0)
    return np.asarray((count > 1) & (low >= TOGETHER * count)), _median(share)


def _median(shares: FloatArray) -> FloatArray:
    some = np.isfinite(shares).any(axis=0)
    out = np.zeros(shares.shape[1])
    out[some] = np.nanmedian(shares[:, some], axis=0)
    return out


def _strong(case: Case, rows: list[int]) -> BoolArray:
    """Return where these units should have been at high power; within a dip, by the hour around it."""
    power = case.peers.energy_wh[rows].sum(axis=0)
    return np.asarray(_around(case, power) >= STRONG * case.day.rated_wh[rows].sum())


def _around(case: Case, power: FloatArray) -> FloatArray:
    """Return the highest power of the hour around each interval, (D,)."""
    reach = BRIGHT_WITHIN_MINUTES // case.day.grid.interval_min
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(power, reach), 2 * reach + 1)
    return np.asarray(windows.max(axis=1))


def _mostly_strong(case: Case, rows: list[int], low: BoolArray, dips: BoolArray) -> bool:
    """Return whether the branch is low at high power rather than at any."""
    return _mostly(_strong(case, rows), low, dips, np.asarray(case.light[rows].any(axis=0)))


def _mostly(strong: BoolArray, low: BoolArray, dips: BoolArray, lit: BoolArray) -> bool:
    """Return whether of the strong intervals a far larger share are dips than of the other lit ones are low."""
    weak = ~strong & lit
    in_weak = int((low & weak).sum())
    share = in_weak / max(int(weak.sum()), 1)
    return in_weak < FEW_IN_WEAK or share < 0.5 * float(dips.sum()) / max(float(strong.sum()), 1.0)


def _short_runs(dips: BoolArray, whole: BoolArray, longest: int) -> BoolArray:
    """Return the runs of dips no longer than `longest` intervals that begin and end in a branch that is whole."""
    out = np.zeros_like(dips)
    starts = np.flatnonzero(dips & ~np.concatenate(([False], dips[:-1])))
    for start in starts:
        end = start + int(np.argmin(np.concatenate((dips[start:], [False]))))
        before, after = whole[max(start - longest, 0) : start], whole[end : end + longest]
        if end - start <= max(longest, 1) and before.any() and after.any():
            out[start:end] = True
    return out


def _comes_with_the_sun(case: Case, dips: BoolArray, low: BoolArray, told: BoolArray) -> bool:
    """Return whether the dips of several days fall within the same minutes of the day: something casts a shadow.

    Or whether at the minutes of most dips the branch is `low` (D,) on most other days on which it is `told` of.
    """
    day, minute = np.divmod(case.day.positions * case.day.grid.interval_min, MINUTES_A_DAY)
    if len(np.unique(day[dips])) > 1 and int(np.ptp(minute[dips])) <= SAME_MINUTES:
        return True
    same = told & (minute == minute[dips][:, None]) & (day != day[dips][:, None])
    again = (same & low).sum(axis=1) > LOW_AGAIN * same.sum(axis=1)
    return bool(again.sum() > LOW_AGAIN * dips.sum())


def _gives_nothing(share: FloatArray, dips: BoolArray) -> bool:
    """Return whether in one of the dips no unit that is told of gives more than a trace of what is due (R, D)."""
    told = np.isfinite(share)
    none = (np.where(told, share, 0.0) < NOTHING).all(axis=0) & (told.sum(axis=0) > 1)
    return bool((none & dips).any())


def _count(dips: BoolArray) -> int:
    return int((np.diff(dips.astype(int), prepend=0) == 1).sum())


def _silent_trips(case: Case, branch: str | None, rows: list[int]) -> list[_Trips]:
    """Return the trips of a branch, or of the whole site, that show by themselves.

    They are intervals without any output after bright ones, before it is back in any light; of the whole site also ones
    with less than any cloud between sun leaves, and beside such a dip those that leave planes apart.
    """
    heard = case.heard[rows]
    made = np.where(heard, case.measured_wh[rows], 0.0).sum(axis=0)
    rated = np.where(heard, case.day.rated_wh[rows][:, None], 0.0).sum(axis=0)
    reach = max(BRIGHT_WITHIN_MINUTES // case.day.grid.interval_min, 1)
    bright = np.asarray(case.array_sky.known & (case.array_sky.index >= BRIGHT_INDEX))
    gave = np.stack([within_before(row > 0, reach) for row in np.nan_to_num(case.measured_wh[rows])])
    several = (heard & gave).sum(axis=0) > 1
    strong, back = several & within_before(bright, reach) & _strong(case, rows), made > BACK * rated
    dips = _short_runs(strong & (made <= 0), back, reach)
    if branch is None:
        dips |= _short_runs(strong & ((made <= 0) | darker_than_clouds(case, rows, made)), back, reach)
    if branch is None and dips.any():  # beside a sure dip one that leaves planes apart is no cloud's edge
        dips |= _short_runs(strong & fallen(case)[0], back, reach)
    if branch is None and _count(dips) < LEAST_DIPS and not would_show(case, rows, dips):
        return []
    least = 1 if branch and _others_give(case, rows, dips) else LEAST_DIPS
    return [_Trips(branch, rows, dips, _bridged(case, rows, dips))] if dips.sum() >= least else []


def _fallen_trips(case: Case, rows: list[int]) -> list[_Trips]:
    """Return the trips of the whole site that leave its planes as far apart as the sun puts them.

    They come at high power only, where what holds a site to a load would hold it in weak light as well, and what they
    leave is not one level, as a limit is. In short intervals a trip shows by itself.
    """
    if case.day.grid.interval_min <= SHOWS_MINUTES:
        return []
    surely, low = fallen(case)
    clear_wh, strong = case.clear_wh[rows].sum(axis=0), _strong_if_clear(case, rows)
    weak = ~strong & (clear_wh >= WEAK * case.day.rated_wh[rows].sum())
    made = np.nansum(case.measured_wh[rows], axis=0)
    left = made[surely & strong]
    if (strong & (made >= BRIGHT * clear_wh)).sum() < LEAST_FALLEN:
        return []  # all values may be too low
    if _count(surely & strong) < LEAST_DIPS or len(left) < LEAST_FALLEN or _stands_still(left):
        return []
    if (surely & weak).sum() * strong.sum() > MOST_IN_WEAK * (surely & strong).sum() * weak.sum():
        return []
    reach = max(BRIGHT_WITHIN_MINUTES // case.day.grid.interval_min, 1)
    near = within_before(surely, reach) | within_before(surely[::-1], reach)[::-1]
    dips = np.asarray(surely | (low & near & strong))
    return [_Trips(None, rows, dips, _bridged(case, rows, dips))]


def _strong_if_clear(case: Case, rows: list[int]) -> BoolArray:
    """Return where these units would be at high power under a clear sky, (D,)."""
    return np.asarray(case.clear_wh[rows].sum(axis=0) >= STRONG * case.day.rated_wh[rows].sum())


def _stands_still(energy_wh: FloatArray) -> bool:
    """Return whether a site's energies (N,) keep to one level, as under a limit."""
    return robust_sd(np.log(energy_wh / np.median(energy_wh))) < ONE_LEVEL


def _others_give(case: Case, rows: list[int], dips: BoolArray) -> bool:
    """Return whether the units besides surely give in all of the dips, be it by the sky's light alone."""
    given = np.nansum(np.delete(case.measured_wh, rows, axis=0), axis=0)
    return bool((given[dips] > STEPS_TO_COMPARE * case.resolution_wh).all())


def _bridged(case: Case, rows: list[int], dips: BoolArray) -> FloatArray:
    """Return what the rows should have made, Wh, (R, D), within dips as beside them: no sky is told by a silence."""
    at = np.arange(len(dips))
    return np.stack([np.interp(at, at[~dips], e[~dips]) for e in case.peers.energy_wh[rows]])


def _finding(case: Case, trips: _Trips) -> Finding:
    first, last = case.first_and_last(trips.dips)
    lost = _lost_wh(case, trips)
    minutes, count = float(trips.dips.sum() * case.day.grid.interval_min), _count(trips.dips)
    finding = Finding(
        cause="voltage_trip",
        serials=case.named(trips.rows),
        confidence=SURE_OF_ONE if count < LEAST_DIPS else round(min(0.95, 0.7 + 0.05 * count), 2),
        evidence=_evidence(trips, duration(minutes), energy(lost)),
        advice=sentence(
            "Measure the voltage at the branch's far end at noon, check the trunk cable's drop (1 %% is the habit) and "
            "its terminals; grid-code settings are the network operator's, mains work a licensed electrician's."
        ),
        first_seen=first,
        last_seen=last,
        lost_wh=round(lost, 1),
        branch=trips.branch,
    )
    return channels.sharpened(finding, channels.of_trips(case, trips.rows, trips.dips))


def _evidence(trips: _Trips, minutes: Quantity, lost: Quantity) -> Sentence:
    if trips.branch:
        return counted_sentence(
            "At high power all %(units)s units of branch %(branch)s dropped out together once, within %(time)s of "
            "intervals, and came back; lost: %(lost)s.",
            "At high power all %(units)s units of branch %(branch)s dropped out together %(num)s times, within "
            "%(time)s of intervals, and came back; lost: %(lost)s.",
            _count(trips.dips),
            units=len(trips.rows),
            branch=trips.branch,
            time=minutes,
            lost=lost,
        )
    return counted_sentence(
        "At high power all %(units)s units dropped out together once, within %(time)s of intervals, and came back; "
        "lost: %(lost)s.",
        "At high power all %(units)s units dropped out together %(num)s times, within %(time)s of intervals, and came "
        "back; lost: %(lost)s.",
        _count(trips.dips),
        units=len(trips.rows),
        time=minutes,
        lost=lost,
    )
