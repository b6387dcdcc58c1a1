"""Whether something that is said to be mended is mended: a unit's performance index before and after, with bands.

`judge` takes what an entry of the punch list is about, the units' levels before, and the verification of the time
since. It answers `mended`, `not_mended` or `not_yet`; it never answers by the calendar and never in the dark.

Mended is a unit of which, over the time since,

- no fault is found, under light in which the verification would have found the one it had (`Unseen` says so),
- the band covers the usual level of the faultless units on its plane, and is no wider than WIDEST either way,
- and the whole band lies above the band before, if that was below the usual level.

How often a unit is called mended that is not. Bands are two standard uncertainties wide, sd. A unit as low as before
passes if two measurements of one level differ by 2 sd + 2 sd', which is at least 2 of their joint uncertainty: in 2.3 %
of cases at the most, 0.2 % where both are as well known, and in none where the verification finds the fault as such. A
unit that was mended in part and still lacks four sd passes in 2.3 % (the band must reach the usual level); since the
band is at most WIDEST, one that still lacks twice that, 20 %, passes so seldom on any roof with three like units, and
where a healthy band is 3 % wide, one that lacks 6 %. A proof is asked for anew whenever readings come, so these hold
for each time and not for all together: that is why one that was closed is watched on by the whole time since, and
opened again if it does not hold. The other error: of sound units 2.3 % are made so far below their neighbours that the
band never reaches them; they wait, and people may leave them with that reason.

On simulated roofs of twelve units (`tests/fleet/visit.py`, seeds 100 to 159, windows of 1, 3, 15 and 39 hours) none of
1,920 judgements of a unit that was left as it was, or mended to between 66 and 93 %, said mended. Of mended ones 93 to
95 % were proven after 15 hours; the others waited, and 2 of 60 were found in shade after 39.

What drops out now and then must stay up three times as long as it did on average (`RARELY`), in which one that drops
out as before would do so 95 times of 100. Where index and neighbours say nothing (a wrong record, a clock, a limit on
the whole site), it counts that the finding is gone in a window that could have shown it.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Literal

import numpy as np

from service.verify.inputs import FloatArray
from service.verify.ranking import ENOUGH_LIGHT_H, SENSOR
from service.verify.result import INFORMATION_CAUSES, Finding, UnitResult, Unseen, Verification

Outcome = Literal["mended", "not_mended", "not_yet"]

OF_THE_RECORD = frozenset(
    {"not_on_record", "wrong_plane", "swapped", "plane_misdescribed", "clock_shift", "unit_scale"}
)
"""Causes that another record takes away, and all of a window's readings can then show it."""

COMES_AND_GOES = frozenset({"intermittent", "voltage_trip"})
OF_A_PLANES_LEVEL = frozenset({"low_output"})
"""Causes that most of a plane may have alike: its other units prove nothing then."""

LASTS_UNTIL = frozenset({"no_output", "not_reporting", "branch_out", "data_gap"})
"""Causes that may have ended within the window: somebody marks a unit mended a few minutes early."""

WIDEST = 0.10
"""Widest half of a band that shows a mend, relative to the usual level (our choice: a substring is a third)."""

WIDEST_ALONE = 0.25
"""The same where there are no three like units, whose bands more light does not narrow: it shows a dead unit alive."""

LIKE_UNITS = 3
RARELY = 3.0
"""Means between two drop-outs that must pass without one: of a rate that stayed, exp(-3), 5 %, shows none."""

STILL_H = 1.0
"""A fault after which there was no more light than this is still there."""

LIT_SHARE, STRONG_SHARE, NOTHING_SHARE = 0.05, 0.3, 0.05
"""Of the window's highest expected energy: light, and light in which nothing is a drop-out; of what is due: nothing."""


@dataclass(frozen=True)
class Level:
    """A unit's performance index over a window, with its band; None where it has none."""

    serial: str
    index: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Subject:
    """What is to be proven: which cause it had, and whom it concerns; `serials` empty for a plane or the site."""

    cause: str
    serials: tuple[str, ...] = ()
    branch: str | None = None
    plane: str | None = None
    is_unit: bool = True
    """Whether it is one unit's, whose other faults count too."""


@dataclass(frozen=True)
class Proof:
    """The answer, the levels that it rests on, and for `not_yet` what is missing: hours of light, or days with sun.

    `fault` is what was found since; `since` is from when on it is worth looking, where a fault ended after the mark.
    """

    outcome: Outcome
    after: tuple[Level, ...] = ()
    usual: float | None = None
    why: str = ""
    needs: Mapping[str, float] = field(default_factory=dict)
    fault: Finding | None = None
    since: datetime | None = None


def level_of(unit: UnitResult) -> Level:
    """Return a unit's level as the verification gives it."""
    return Level(unit.serial, unit.performance_index, unit.performance_index_low, unit.performance_index_high)


def judge(
    subject: Subject, before: Mapping[str, Level], after: Verification, *, rest_h: float = 0.0
) -> Proof:
    """Return whether the subject is mended; `rest_h` is how long it must not have dropped out, `rest_needed_h`'s."""
    units = [u for u in after.units if u.serial in subject.serials]
    levels = tuple(level_of(u) for u in units)
    fault = fault_of(subject, after)
    missing = _missing(subject, after, units, rest_h)
    if fault is not None:
        return _still_faulty(fault, levels, after, missing)
    if missing is not None:
        return Proof("not_yet", levels, why=missing[0], needs=missing[1])
    if subject.cause in OF_THE_RECORD or not subject.serials:
        return Proof("mended", levels)
    return _by_levels(subject, before, units, after)


def fault_of(subject: Subject, found: Verification) -> Finding | None:
    """Return the fault that a verification holds against the subject: a unit's main one, else that of its own cause."""
    return next((f for f in found.findings if f.is_fault and _concerns(f, subject)), None)


def rest_needed_h(before: Verification, subject: Subject) -> float:
    """Return how many hours of light without a drop-out are enough, 0 for causes that do not come and go."""
    if subject.cause not in COMES_AND_GOES or before.curves is None:
        return 0.0
    curves = before.curves
    counted = [_drop_outs(*_series(before, s)) for s in subject.serials if s in curves.measured_wh]
    times, lit = max(counted, default=(0, 0))
    return RARELY * lit * curves.interval_min / 60 / max(times, 1)


def _concerns(finding: Finding, subject: Subject) -> bool:
    if subject.is_unit:
        own = set(finding.serials) & set(subject.serials)
        return bool(own) and not (finding.branch and len(finding.serials) > 1)
    if subject.branch is not None:
        return finding.branch == subject.branch and len(finding.serials) != 1
    if subject.plane is not None:
        return finding.plane == subject.plane and len(finding.serials) != 1
    return finding.cause == subject.cause and set(subject.serials) <= set(finding.serials)


def _still_faulty(
    fault: Finding,
    levels: tuple[Level, ...],
    after: Verification,
    missing: tuple[str, Mapping[str, float]] | None,
) -> Proof:
    if fault.cause in LASTS_UNTIL and _light_h_after(fault.last_seen, after) > STILL_H:
        return Proof("not_yet", levels, why="ended", fault=fault, since=fault.last_seen)
    if after.sky.light == "none" or (missing is not None and missing[0] == "light"):
        return Proof("not_yet", levels, why="light", needs=missing[1] if missing else {}, fault=fault)
    return Proof("not_mended", levels, fault=fault)


def _missing(
    subject: Subject, after: Verification, units: list[UnitResult], rest_h: float
) -> tuple[str, Mapping[str, float]] | None:
    """Return why it is too early to say, and what is missing; None if it is not."""
    light_h = [u.reference_yield_h or 0.0 for u in units if u.measured_wh is not None]
    short_h = ENOUGH_LIGHT_H - min(light_h, default=ENOUGH_LIGHT_H)
    if after.sky.light != "enough" or short_h > 0:
        return "light", {"hours": _hours(after, max(short_h, 0.0))}
    unseen = next((u for u in after.not_yet if _hides(u, subject, units)), None)
    if unseen is not None:
        return ("unseen", _needs(unseen)) if unseen.waiting_helps else ("unseen", {})
    rested = _lit_hours(after, subject.serials)
    return ("rest", {"hours": rest_h - rested}) if rested < rest_h else None


def _hours(after: Verification, short_h: float) -> float:
    """Return hours of light that bring so much reference yield: the missing sun hours, under a sky like this one."""
    lit = _lit_hours(after, tuple(u.serial for u in after.units))
    had = max((u.reference_yield_h or 0.0 for u in after.units), default=0.0)
    if had <= 0 or lit <= 0:
        return 2 * ENOUGH_LIGHT_H
    return max(max(short_h, ENOUGH_LIGHT_H - had) * lit / had, 0.25)


def _hides(unseen: Unseen, subject: Subject, units: list[UnitResult]) -> bool:
    """Return whether what the window cannot show is what the subject had."""
    if unseen.cause != subject.cause:
        return False
    if unseen.serials:
        return not set(unseen.serials).isdisjoint(subject.serials)
    planes = {u.plane for u in units} | ({subject.plane} if subject.plane else set())
    return not unseen.planes or not planes.isdisjoint(unseen.planes)


def _needs(unseen: Unseen) -> dict[str, float]:
    if "days" in unseen.needs:
        return {"days": unseen.needs["days"]}
    return {"hours": unseen.needs.get("hours", 0.0) + unseen.needs.get("minutes", 0.0) / 60}


# Levels


def _by_levels(
    subject: Subject, before: Mapping[str, Level], units: list[UnitResult], after: Verification
) -> Proof:
    """Judge each unit that has no fault of its own beside the subject's: all must be right, and be half or more."""
    levels = tuple(level_of(u) for u in units)
    sound = [u for u in units if subject.is_unit or not _faults(u)]
    if not sound or 2 * len(sound) < len(subject.serials):
        return Proof("not_yet", levels, why="unheard")
    apart = subject.serials if subject.cause in OF_A_PLANES_LEVEL and subject.plane else ()
    answers = [_of_unit(u, before.get(u.serial), after, apart) for u in sound]
    worst = next((a for a in answers if a.outcome != "mended"), answers[0])
    return Proof(worst.outcome, levels, worst.usual, worst.why, worst.needs)


def _of_unit(
    unit: UnitResult, before: Level | None, after: Verification, apart: Collection[str] = ()
) -> Proof:
    now, usual = level_of(unit), _usual(unit, after, apart)
    if now.index is None or now.high is None or now.low is None:
        return Proof("not_yet", usual=usual, why="unheard")
    half = _half_width(now, after)
    widest = WIDEST if _like_units(unit, after) >= LIKE_UNITS else WIDEST_ALONE
    if half > widest * usual:
        lit = _lit_hours(after, (unit.serial,))
        return Proof("not_yet", usual=usual, why="band", needs={"hours": lit * ((half / widest) ** 2 - 1)})
    if now.index + half < usual:
        low = (
            unit.smallest_visible_loss_pct is not None
            and 1 - now.index / usual > unit.smallest_visible_loss_pct / 100
        )
        return Proof("not_mended" if low else "not_yet", usual=usual, why="low")
    was_low = before is not None and before.high is not None and before.high < usual
    if was_low and before is not None and before.high is not None and now.index - half <= before.high:
        return Proof("not_yet", usual=usual, why="no_change")
    return Proof("mended", usual=usual)


def _usual(unit: UnitResult, after: Verification, apart: Collection[str]) -> float:
    """Return the median index of faultless units on the plane, else on the site, those `apart` left out; 1 of none."""
    others = [
        u
        for u in after.units
        if u.serial not in {unit.serial, *apart} and not _faults(u) and u.performance_index
    ]
    near = [u for u in others if u.plane == unit.plane] or others
    return float(np.median([u.performance_index for u in near if u.performance_index])) if near else 1.0


def _faults(unit: UnitResult) -> set[str]:
    return set(unit.causes) - INFORMATION_CAUSES


def _like_units(unit: UnitResult, after: Verification) -> int:
    return sum(u.plane == unit.plane and u.performance_index is not None for u in after.units)


def _half_width(level: Level, after: Verification) -> float:
    """Return half the band, without what a sensor's own uncertainty and the air's add: the neighbours have the same."""
    if level.index is None or level.high is None:
        return math.inf
    half = level.high - level.index
    if after.sky.source != "measured":
        return half
    common = 2 * math.hypot(SENSOR, after.sky.temperature_sd or 0.0) * max(level.index, 0.05)
    return math.sqrt(max(half**2 - common**2, (0.01 * level.index) ** 2))


# Light and drop-outs, from the curves


def _series(found: Verification, serial: str) -> tuple[FloatArray, FloatArray]:
    if found.curves is None:
        return np.zeros(0), np.zeros(0)
    measured = np.array(found.curves.measured_wh.get(serial, []), dtype=float)
    return measured, np.array(found.curves.expected_wh.get(serial, []), dtype=float)


def _lit_hours(found: Verification, serials: tuple[str, ...]) -> float:
    """Return the hours of light in which the best heard of the units was heard."""
    lit = 0
    for measured, due in (_series(found, serial) for serial in serials):
        if due.size and due.max() > 0:
            lit = max(lit, int((np.isfinite(measured) & (due > LIT_SHARE * due.max())).sum()))
    return lit * found.curves.interval_min / 60 if found.curves else 0.0


def _light_h_after(moment: datetime | None, found: Verification) -> float:
    """Return the hours of light on the best lit unit since a moment, heard or not; 0 without one."""
    if moment is None or found.curves is None:
        return 0.0
    step = timedelta(minutes=found.curves.interval_min)
    first = max(0, -((found.curves.start - moment) // step))
    series = (np.array(due) for due in found.curves.expected_wh.values())
    lit = [int((due[first:] > LIT_SHARE * due.max()).sum()) for due in series if due.size and due.max() > 0]
    return max(lit, default=0) * found.curves.interval_min / 60


def _drop_outs(measured: FloatArray, due: FloatArray) -> tuple[int, int]:
    """Return how often nothing came in strong light, and the number of lit intervals that were heard."""
    if not due.size or due.max() <= 0:
        return 0, 0
    heard = np.isfinite(measured)
    out = heard & (due > STRONG_SHARE * due.max()) & (np.nan_to_num(measured) < NOTHING_SHARE * due)
    times = int((np.diff(out.astype(int), prepend=0) == 1).sum())
    return times, int((heard & (due > LIT_SHARE * due.max())).sum())
