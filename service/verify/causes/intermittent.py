"""A unit that drops out at irregular times while its neighbours produce, and comes back.

Reasoning: a plug not pushed home, a loose AC connector or a unit that trips on its own gives nothing for minutes and
then its full share again; cloud and shade leave at least the diffuse light. Fast cycling hides inside a long
interval, so short drop-outs show as intervals far below the unit's own level: one that falls and comes back several
times a day beside like units that do not has no obstacle before it, which takes one span of the day or two, and where
shorter intervals show that it does so for minutes while their light stays, no passing shadow; over several days that
must not come again where the sun stands again, and within half an hour once is enough. A unit that stays off to the
end is `no_output`, but for a last silence like those that it came back from before. A whole site has no neighbours:
that it was off shows by hours without output that no sky and no snow makes (`verify/rest.py`).
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from service.verify.case import BoolArray, Case
from service.verify.causes import channels
from service.verify.causes.no_output import dead_units
from service.verify.causes.steady import has_peers
from service.verify.causes.wording import duration, energy, percent
from service.verify.consensus import median, robust_sd
from service.verify.falls import comes_again, falls
from service.verify.levels import STRONG_LIGHT
from service.verify.result import Finding
from service.verify.sentence import Quantity, Sentence, sentence

LEAST_SHARE = 0.01
"""Least share of the window's expected energy that must be lost to drop-outs."""

LEAST_INTERVALS = 2
LEAST_LIKE = 2
PRODUCING = 0.3
"""Share of its expected output from which a neighbour surely produces."""

LEAST_STEPS = 3
"""Steps of the register that its neighbours make on the mean at least while it is silent: of one, each of them often
makes none."""

DEEP = 0.5
"""Share of its peers' output below which an interval beside a drop-out belongs to it."""

BESIDE_SILENCE, LEAST_BACK = 2, 0.85
"""So many readings on either side of a single silence, and the level of its peers that a unit is back at after it, or
was at before: behind an obstacle near by a low sun leaves next to nothing, and more on both sides as it moves on."""

LONG_MINUTES, TIMES_A_DAY, FALL = 30, 3, 0.15
LEAST_SHARE_HIDDEN, MOST_SURE_HIDDEN = 0.03, 0.7
"""In intervals so long a unit drops out that falls so often on a day, so far below its like units and back again, and
loses so much. Of 22 units in shade of days of real roofs (`tests/bench/roofs`) none fell more than twice, of 22 that
dropped out 17 did."""

SELDOM = 0.3
"""The same where it falls IN_ALL times on several days, and is low again in so small a share of the chances that other
days' sun gives. Of the units of weeks in hours of another engine's sites, read once, those in shade had 0.54 and more,
those of a branch that trips 0.42, two that dropped out 0.13 and 0.22; a third, off for 59 % of its energy, had 0.94
and is not told so."""

AT_ONCE_MINUTES, STEADY_LIGHT = 60, 0.15
"""In a window of so much light at most a unit drops out that falls so far once and comes back, while the light changes
by less (logarithm) from one interval to the next: shadows of what stands within 10 m of a unit move by 4 cm a minute
at most and are longer over it. Of 3100 units without the cause in half hours (`tests/bench/stranger`, 240 sites) three
fell at all."""

DIP_MINUTES, IN_ALL, MOSTLY, SCATTER = 30, 6, 0.5, 4.0
BEAM_INDEX, MOST_AGAIN = 0.45, 0.5
"""For how long at most a unit falls so in a longer window, how often on several days, as against TIMES_A_DAY on a
single one, the share of all that it loses far below its like units that these falls must take, and how many times as
deep as it scatters otherwise they are; the clear-sky index from which another day tells whether something stands before
the sun there, and the share of such chances from which it does. Of the units without the cause of 298 days and weeks
(`tests/bench/stranger`) two in shade fell six times, which took a thirtieth of what they lost, and two others that
faced elsewhere four and five times on a day."""

SITE_WAS_OFF = 0.8
"""Confidence that a whole site was off, which nothing beside it proves (as `darkness.BROKE_OFF`)."""


def find(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return one finding for each unit that drops out and comes back."""
    found = _of_the_site(case, named)
    dead = dead_units(case)
    for i, serial in enumerate(case.serials):
        if serial in named:
            continue
        out = _drop_outs(case, i, dead)
        enough = out.sum() >= LEAST_INTERVALS and _share_lost(case, i, out) >= LEAST_SHARE
        if enough and not _fades(case, i, out):
            found.append(_finding(case, i, out))
        elif (hidden := _hidden(case, i)) is not None:
            found.append(_finding_of_hidden(case, i, *hidden))
        elif (low := _dips_while_light_stays(case, i)).any():
            found.append(_finding_of_dips(case, i, low))
    return found


def _hidden(case: Case, i: int) -> tuple[int, BoolArray] | None:
    """Return how often a unit fell below its like units for less than a long interval and where, (D,); None if never.

    It must fall several times on most of the days on which it falls at all, which two obstacles do not make it, or
    often in all and hardly where the sun stands again.
    """
    if case.day.grid.interval_min < LONG_MINUTES or not has_peers(case, i):
        return None
    level, day = case.levels.relative_series(i), case.day.positions * case.day.grid.interval_min // (24 * 60)
    read = np.isfinite(level) & (case.levels.grain[i] < FALL / 4)
    times = np.array([falls(level[(day == d) & read], FALL) for d in np.unique(day)])
    often = times >= TIMES_A_DAY
    low = np.asarray(read & (level < 1 - FALL))
    most = often.any() and often.sum() >= 0.5 * (times > 0).sum()
    if not (most or (times.sum() >= IN_ALL and _again(case, low, low, read) <= SELDOM)):
        return None
    return (int(times.sum()), low) if _share_lost(case, i, low) >= LEAST_SHARE_HIDDEN else None


def _dips_while_light_stays(case: Case, i: int) -> BoolArray:
    """Return where a unit fell below its like units for minutes and came back, (D,), if so often as no shadow does.

    Within an hour once is enough; else several times a day, or on several days and not where the sun stands again.
    """
    out, read, low = _dips(case, i)
    if not out.any():
        return out
    times, lit_min = _runs(out), read.sum() * case.day.grid.interval_min
    days = len(np.unique(case.day.local_days[read]))
    needed = 1 if lit_min <= AT_ONCE_MINUTES else TIMES_A_DAY if days == 1 else IN_ALL
    least = LEAST_SHARE_HIDDEN if lit_min <= AT_ONCE_MINUTES else LEAST_SHARE
    least = max(least, MOSTLY * _share_lost(case, i, low))
    no_shadow = times >= needed and _share_lost(case, i, out) >= least
    no_shadow = no_shadow and _again(case, out, low, read) <= MOST_AGAIN
    return out if no_shadow else np.zeros_like(out)


def _again(case: Case, dips: BoolArray, low: BoolArray, read: BoolArray) -> float:
    """Return in what share of the chances that other days' sun gives a unit is `low` at the minutes of its `dips`."""
    told = read & (case.array_sky.index >= BEAM_INDEX)
    return comes_again(case.day.positions, case.day.grid.interval_min, dips, low, told)


def _runs(of: BoolArray) -> int:
    return int((np.diff(of.astype(int), prepend=0) == 1).sum())


def _dips(case: Case, i: int) -> tuple[BoolArray, BoolArray, BoolArray]:
    """Return where a unit fell for minutes while its light stayed, where it was read, and was low at all, (D,) each."""
    level, grain = case.levels.relative_series(i), case.levels.grain[i]
    read = np.asarray(case.light[i] & case.heard[i] & np.isfinite(level) & (grain < FALL / 2))
    out = np.zeros_like(read)
    if not (read & (level < 1 - FALL - grain)).any() or not has_peers(case, i):
        return out, read, out
    usual = min(median(level[read]), 1.0)
    fall = max(FALL, SCATTER * robust_sd(level[read] - usual))
    low, whole = read & (level < usual - fall - grain), read & (level > usual - fall / 2 - grain)
    steady = read[1:] & read[:-1] & (np.diff(case.day.positions) == 1)
    steady &= np.abs(np.diff(np.log(np.maximum(case.peers.energy_wh[i], 1e-6)))) < STEADY_LIGHT
    for span in np.split(np.arange(len(read)), np.flatnonzero(~steady) + 1):
        for before, after in pairwise(span[whole[span]]):
            short = (after - before - 1) * case.day.grid.interval_min <= DIP_MINUTES
            out[before + 1 : after] = short and low[before + 1 : after].any()
    return out, read, np.asarray(low)


def _drop_outs(case: Case, i: int, dead: BoolArray) -> BoolArray:
    """Return the lit intervals in which the unit gave nothing but did or may come back, with their flanks.

    `dead` (U, D) is where units gave nothing and stayed off.
    """
    nothing = np.asarray(case.giving_nothing[i] & ~dead[i])
    if not nothing.any():
        return nothing
    seen = _neighbours(case, i, case.heard & ~dead)
    nothing &= _counted_by_others(case, seen, nothing) & _neighbours_produce(case, i, seen)
    with np.errstate(invalid="ignore"):
        low = case.light[i] & case.heard[i] & (case.measured_wh[i] < DEEP * case.peers.energy_wh[i])
    beside = np.zeros_like(nothing)
    beside[1:] |= nothing[:-1]
    beside[:-1] |= nothing[1:]
    return np.asarray(nothing | (beside & low))


def _fades(case: Case, i: int, out: BoolArray) -> bool:
    """Return whether a single silence lies in a loss that comes or goes by degrees, as a shadow's does."""
    at = np.flatnonzero(out)
    if not has_peers(case, i) or _runs(out) > 1:
        return False
    level = case.levels.relative_series(i)
    read = np.flatnonzero(np.isfinite(level))
    sides = level[read[read < at[0]]][::-1][:BESIDE_SILENCE], level[read[read > at[-1]]][:BESIDE_SILENCE]
    return any(
        len(away) == BESIDE_SILENCE and bool((away < LEAST_BACK).all() and away[-1] > away[0] - FALL)
        for away in sides
    )


def _neighbours_produce(case: Case, i: int, seen: BoolArray) -> BoolArray:
    """Return where the light is surely enough and at least half of the neighbours `seen` (U, D) give, (D,)."""
    with np.errstate(invalid="ignore"):
        giving = seen & (case.measured_wh > PRODUCING * case.peers.energy_wh)
    enough = case.peers.energy_wh[i] >= STRONG_LIGHT * case.day.rated_wh[i]
    return np.asarray(
        enough & case.array_sky.known & (giving.sum(axis=0) >= np.maximum(0.5 * seen.sum(axis=0), 1))
    )


def _counted_by_others(case: Case, seen: BoolArray, silent: BoolArray) -> BoolArray:
    """Return which of a unit's `silent` spells (D,) are so long that the registers `seen` (U, D) counted on, (D,)."""
    made = np.where(seen, np.nan_to_num(case.measured_wh), 0.0).sum(axis=0) / np.maximum(seen.sum(axis=0), 1)
    spell = np.cumsum(~silent)
    in_all = np.bincount(spell, weights=made * silent, minlength=1)
    return np.asarray(in_all[spell] >= LEAST_STEPS * case.resolution_wh)


def _neighbours(case: Case, i: int, alive: BoolArray) -> BoolArray:
    """Return where like units are `alive` (U, D), or all others where there are fewer than two, (U, D)."""
    like = case.like(i)
    asked = like if len(like) > LEAST_LIKE else range(len(case.serials))
    others = np.isin(np.arange(len(case.serials)), [k for k in asked if k != i])
    return np.asarray(alive & others[:, None])


def _of_the_site(case: Case, named: frozenset[str]) -> list[Finding]:
    """Return the finding of a whole site that was off and came back."""
    out = case.outage & case.heard.any(axis=0) & case.light.any(axis=0)
    gave = np.nansum(case.measured_wh, axis=1) > 0
    rows = [int(i) for i in np.flatnonzero(gave) if case.serials[i] not in named]
    if not out.any() or not rows:
        return []
    first, last = case.first_and_last(out)
    lost = sum(case.lost_wh(i, out) for i in rows)
    return [
        Finding(
            cause="intermittent",
            serials=case.named(rows),
            confidence=SITE_WAS_OFF,
            evidence=sentence(
                "The whole site gave nothing from %(first)s to %(last)s, in %(time)s of light in which even dark cloud "
                "leaves some output, and was back at once, not faintly as from under snow; lost: %(lost)s.",
                first=case.local(case.moment(int(np.flatnonzero(out)[0]))),
                last=case.local(case.moment(int(np.flatnonzero(out)[-1]))),
                time=duration(float(out.sum() * case.day.grid.interval_min)),
                lost=energy(lost),
            ),
            advice=sentence(
                "Ask who switched the site off, or whether the mains were away; else look at the main switch and its "
                "protection, where work is for a licensed electrician."
            ),
            first_seen=first,
            last_seen=last,
            lost_wh=round(lost, 1),
        )
    ]


def _share_lost(case: Case, i: int, out: BoolArray) -> float:
    expected = case.peers.energy_wh[i, case.heard[i]].sum()
    return case.lost_wh(i, out) / expected if expected > 0 else 0.0


def _finding(case: Case, i: int, out: BoolArray) -> Finding:
    times = _runs(out)
    minutes = float(out.sum() * case.day.grid.interval_min)
    still_out = case.giving_nothing[i, np.flatnonzero(case.heard[i] & case.light[i])[-1]]
    evidence = _evidence(times, duration(minutes), energy(case.lost_wh(i, out)), still_out=bool(still_out))
    finding = _of_unit(case, i, out, round(min(0.97, 0.75 + 0.06 * times), 2), evidence)
    return channels.sharpened(finding, channels.of_silence(case, i, out & case.giving_nothing[i]))


def _finding_of_hidden(case: Case, i: int, times: int, low: BoolArray) -> Finding:
    evidence = sentence(
        "Fell far below its like units %(num)s times and came back in between, more often than an obstacle before "
        "the sun would make it; lost: %(lost)s, %(share)s of its energy. Intervals of %(time)s hide for how long "
        "it was off each time: shorter ones would show it.",
        num=times,
        lost=energy(case.lost_wh(i, low)),
        share=percent(_share_lost(case, i, low)),
        time=duration(float(case.day.grid.interval_min)),
    )
    return _of_unit(case, i, low, MOST_SURE_HIDDEN, evidence)


def _finding_of_dips(case: Case, i: int, low: BoolArray) -> Finding:
    if (times := _runs(low)) > 1:
        return _finding_of_hidden(case, i, times, low)
    evidence = sentence(
        "Fell far below its like units and came back while their light stayed, sooner than a shadow passes; lost: "
        "%(lost)s, %(share)s of its energy. Intervals of %(time)s hide for how long it was off.",
        lost=energy(case.lost_wh(i, low)),
        share=percent(_share_lost(case, i, low)),
        time=duration(float(case.day.grid.interval_min)),
    )
    return _of_unit(case, i, low, MOST_SURE_HIDDEN, evidence)


def _of_unit(case: Case, i: int, out: BoolArray, confidence: float, evidence: Sentence) -> Finding:
    """Return the finding of a unit that was out or low where `out` (D,) is."""
    first, last = case.first_and_last(out)
    return Finding(
        cause="intermittent",
        serials=case.named([i]),
        confidence=confidence,
        evidence=evidence,
        advice=_reseat(),
        first_seen=first,
        last_seen=last,
        lost_wh=round(case.lost_wh(i, out), 1),
    )


def _reseat() -> Sentence:
    return sentence(
        "Isolate first, secured against falling: reseat the DC plugs until they lock, then the AC connector; "
        "if it goes on, change the unit."
    )


def _evidence(times: int, minutes: Quantity, lost: Quantity, *, still_out: bool) -> Sentence:
    if still_out:
        return sentence(
            "Gave nothing %(num)s time(s), %(time)s in all, while its neighbours produced, and came back each time but "
            "the last; lost: %(lost)s.",
            num=times,
            time=minutes,
            lost=lost,
        )
    return sentence(
        "Gave nothing %(num)s time(s), %(time)s in all, while its neighbours produced, and came back each time; "
        "lost: %(lost)s.",
        num=times,
        time=minutes,
        lost=lost,
    )
