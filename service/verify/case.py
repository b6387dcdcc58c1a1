"""All that the causes look at: one window of one site, its sky inferred, its units compared. No cause is named here."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from functools import cached_property, wraps
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from service.expect.sky import Irradiance
from service.expect.weather import Weather
from service.verify.alignment import Alignment
from service.verify.common_shade import PlaneShade
from service.verify.day import Daylight
from service.verify.inputs import FloatArray, Readings
from service.verify.labels import Labels
from service.verify.levels import AT_LIMIT, PEERS_FOR_COMPARISON, Levels
from service.verify.register import counts_on
from service.verify.result import SkySource
from service.verify.scale import DARK_LIMIT
from service.verify.sentence import Quantity
from service.verify.silence import SILENT, silences
from service.verify.sky import ArraySky, sky_at, sunward_shares, without_sun

DAY_MINUTES = 24 * 60
DARK_CLOUD_MINUTES = 60
"""A cloud so dark that no inverter starts passes within the hour (from memory); longer is an outage."""

AT_ONCE, AT_ONCE_MINUTES = 0.2, 10
"""Share of the rating that the units gave, in the middle, and the longest interval, where nothing in the next ones is
no cloud's doing: of 32,000 real quarter hours with so much (SERF East, tests/reference/open_data.py) one was followed
by less than 0.02, and that was an outage. From a tenth, evenings behind the hills took all in a quarter hour there."""

AT_ONCE_BY_DAY, DAY_LEFT_MINUTES, DAY_LEFT = 0.08, 60, 0.1
"""The same where the clear sky's light stays above the last share of the rating for so long: of the same days' quarter
hours with more than 0.06, or right after one with so much, one was followed by an hour of nothing in such light, and
that was the outage; five with less were, in storms and under snow."""

BoolArray = NDArray[np.bool_]

WORTH_HEARING = 0.03
"""Clear-sky output over rating from which a unit that is awake is expected to report."""

LIGHT = 0.03
"""Expected output over rating from which a unit surely produces."""

STARTS = 0.006
"""Power over rating at which an inverter has started (the efficiency of PVWatts version 5, NREL/TP-6A20-62641, falls to
zero there); the first of them do at less (`scale.LEAST_START`)."""

LIGHT_AT_CLEAR_SKY = STARTS / DARK_LIMIT
"""The same where the sky is unknown: even under the darkest an inverter starts."""

STANDBY = 0.003
"""Output over rating that a meter may read of an inverter at rest (a real one reads 0.001): half of STARTS."""

GIVES_NOTHING = 0.03
"""Share of what is due below which a unit counts as giving nothing rather than little."""

FADED_STEPS, LITTLE_STEPS, NO_BRIGHTER = 1, 2, 1.5
"""Steps of a register that a unit and its like ones made last, steps due up to which they may go on with less than one,
and how much brighter a clear sky may be than it was then. A value that is cut to whole steps shows nothing of what is
below one, and walls that the sun has left make down to half of what the model lets expect: of 180 simulated days
with a wall and cut values (on the engine of `tests/bench/stranger`) 36 had units called dead in the evening."""

WEAKEST = 0.3
"""Level down to which a unit's own is taken for its usual one: two of three substrings out."""


@dataclass(frozen=True)
class Expectation:
    """What every unit should have made in D intervals, (U, D): AC and DC energy [Wh], reference yields [h]."""

    energy_wh: FloatArray
    dc_wh: FloatArray
    reference_yield_h: FloatArray
    corrected_yield_h: FloatArray


def expectation(day: Daylight, sky: Irradiance, weather: Weather | None = None) -> Expectation:
    """Return what every unit should make under `sky`; a sensor in a plane, if `weather` has one, overrules it there."""
    powers = [day.power(group, sky, weather) for group in day.groups]
    yields = [day.gather(p.poa_w_m2) / 1000 for p in powers]
    corrected = [
        day.gather(p.poa_w_m2 * (1 + g.module.gamma_pmax_per_c * (p.cell_temp_c - 25))) / 1000
        for p, g in zip(powers, day.groups, strict=True)
    ]
    return Expectation(
        energy_wh=day.for_units([day.gather(p.ac_w) for p in powers]),
        dc_wh=day.for_units([day.gather(p.dc_w) for p in powers]),
        reference_yield_h=day.for_units(yields),
        corrected_yield_h=day.for_units(corrected),
    )


@dataclass(frozen=True, eq=False)
class Case:
    """One window as the causes see it; arrays are (U, D) over units and daylight intervals unless said otherwise.

    `measured_wh` has the site's scale undone, and units at rest at 0; `agreed_wh` (G, D) is what most units of each
    group made, NaN where none was heard; `outage` (D,) is when the whole site was, and was back at once; `peers` is the
    expectation under the sky that the units themselves show, shade on whole planes included, by which they are judged;
    `stated` that under the sky that the result reports (measured where weather was given), without such shade, of which
    `shades` tells (of the planes `doubted` either shade or a wrong description); `skies_wh` (G, S, K, D) are the
    groups' energies under a family of skies (`sky.family`), shade included; `alignment` what of the record and the
    clock was put right first, so that day and readings are on true time; `scale` is the factor sent over true; `fitted`
    (U, T) where a unit was on the roof, night included; `resolution_wh` the step of the register, 0 where none shows;
    `worked_out` is for `once`.
    """

    day: Daylight
    readings: Readings
    alignment: Alignment
    measured_wh: FloatArray
    agreed_wh: FloatArray
    outage: BoolArray
    fitted: BoolArray
    peers: Expectation
    stated: Expectation
    shades: tuple[PlaneShade, ...]
    skies_wh: FloatArray
    array_sky: ArraySky
    source: SkySource
    levels: Levels
    scale: float
    clear_wh: FloatArray
    resolution_wh: float
    doubted: tuple[str, ...] = ()
    of_all: Case | None = None
    """The same window with a say for units that lie elsewhere, where those have none here: it tells where they lie."""
    worked_out: dict[Callable[..., Any], Any] = field(default_factory=dict, init=False, repr=False)

    @cached_property
    def given(self) -> FloatArray:
        """Return what each unit gave of what the sky that all show lets expect, (U,), NaN where nothing was due."""
        heard = np.asarray(self.heard & np.isfinite(self.peers.energy_wh))
        made, due = (np.where(heard, x, 0.0).sum(axis=1) for x in (self.measured_wh, self.peers.energy_wh))
        return np.asarray(np.divide(made, due, out=np.full(len(made), np.nan), where=due > 0))

    @cached_property
    def given_together(self) -> FloatArray:
        """Return what the units like each one gave in the middle, (U,), NaN where fewer than three gave anything."""
        out = np.full(len(self.given), np.nan)
        for rows in (list(group.members) for group in self.day.groups):
            some = self.given[rows][self.given[rows] > GIVES_NOTHING]
            if len(some) >= PEERS_FOR_COMPARISON:
                out[rows] = np.median(some)
        return out

    @property
    def labels(self) -> Labels:
        """Return the labels that the readings came with; the day's grid is on true time."""
        return self.alignment.labels

    @cached_property
    def serials(self) -> list[str]:
        """Return the units' serials in the order of the rows."""
        return [u.serial for u in self.day.site.units]

    @cached_property
    def at_limit(self) -> BoolArray:
        """Return where a unit is so near its inverter's rating that it says nothing of the light."""
        return np.asarray(self.measured_wh >= AT_LIMIT * self.day.rated_wh[:, None])

    @property
    def active(self) -> BoolArray:
        """Return where a unit was on the roof, in daylight."""
        return np.asarray(self.fitted[:, self.day.positions])

    @cached_property
    def heard(self) -> BoolArray:
        """Return where a reading came."""
        return np.asarray(np.isfinite(self.measured_wh))

    @property
    def worth_hearing(self) -> BoolArray:
        """Return where a unit on the roof was expected to report: high enough sun, and it was fitted."""
        return np.asarray((self.clear_wh >= WORTH_HEARING * self.day.rated_wh[:, None]) & self.active)

    @cached_property
    def light(self) -> BoolArray:
        """Return where a unit that works surely produces: one that is always weak starts later and stops earlier."""
        surely = self.array_sky.known | self._long_unknown
        own = np.clip(np.where(np.isfinite(self.levels.level), self.levels.level, 1.0), WEAKEST, 1.0)[:, None]
        rated = self.day.rated_wh[:, None]
        least = (LIGHT_AT_CLEAR_SKY if self.source == "clear_sky" else LIGHT) * rated
        even_if_dark = (
            self._long_unknown & self._silent_for_a_day & (own * self.clear_wh >= LIGHT_AT_CLEAR_SKY * rated)
        )
        lit = even_if_dark | (own * self.peers.energy_wh >= least)
        return np.asarray(lit & surely & ~self._dim(least) & ~self._faded)

    def _dim(self, least_wh: FloatArray) -> BoolArray:
        """Return where like units give, but even the brightest of them less than `least_wh` (U, 1), (U, D)."""
        brightest = np.zeros(self.measured_wh.shape)
        for rows in (list(g.members) for g in self.day.groups if len(g.members) > 1):
            brightest[rows] = np.nan_to_num(self.measured_wh[rows]).max(axis=0)
        return np.asarray((brightest > SILENT * self.peers.energy_wh) & (brightest < least_wh))

    @cached_property
    def _faded(self) -> BoolArray:
        """Return where a unit and its like ones have come down to their register's last step, (U, D).

        Hardly more is due then by the darkest reading of the sky: no more than the site's brightest unit makes. While
        the unit gave nothing none of its like ones made more than that step, which is twice what it would hide. A
        register that surely counts on hides nothing for long.
        """
        out, made_wh = np.zeros(self.measured_wh.shape, dtype=bool), np.nan_to_num(self.measured_wh)
        if not self.resolution_wh or counts_on(self.measured_wh, self.day, self.resolution_wh):
            return out
        site_wh = made_wh.max(axis=0, initial=0.0)
        most_wh = np.where(site_wh > 0, site_wh, np.inf)
        for rows in (list(g.members) for g in self.day.groups):
            of_all, clear_wh = made_wh[rows].max(axis=0), self.clear_wh[rows]
            last, own_last = _last_given(of_all), _last_given(made_wh[rows])
            own = np.take_along_axis(made_wh[rows], own_last, axis=1)
            meanwhile = np.maximum(own, _brightest_since(own_last, of_all))
            down = (of_all[last] > 0) & (meanwhile <= FADED_STEPS * self.resolution_wh)
            least_wh = np.minimum(np.minimum(self.peers.energy_wh[rows], clear_wh), most_wh)
            little = least_wh <= LITTLE_STEPS * self.resolution_wh
            out[rows] = down & little & (clear_wh <= NO_BRIGHTER * clear_wh[:, last])
        return out

    @cached_property
    def _long_unknown(self) -> BoolArray:
        """Return the stretches too long for a dark cloud in which the units told nothing of the sky, (D,)."""
        unknown = ~self.array_sky.known
        run = np.cumsum(~unknown)
        lengths = np.bincount(run[unknown], minlength=int(run[-1]) + 1 if len(run) else 0)
        long = lengths[run] * self.day.grid.interval_min >= DARK_CLOUD_MINUTES
        return np.asarray((unknown & long) | self.gone_at_once)

    @cached_property
    def gone_at_once(self) -> BoolArray:
        """Return where no unit gives anything any more from one short interval to the next, to the end, (D,)."""
        last = gone_after(self.measured_wh, self.day, range(len(self.serials)), self.clear_wh)
        return np.arange(len(self.day.positions)) > (len(self.day.positions) if last is None else last)

    @cached_property
    def _silent_for_a_day(self) -> BoolArray:
        """Return where no unit has given anything for a day, (D,): no evening is so long, nor is a clock so wrong."""
        at = self.day.positions
        given = np.nan_to_num(self.measured_wh).any(axis=0)
        last = np.maximum.accumulate(np.where(given, at, at[:1]))
        return np.asarray((at - last) * self.day.grid.interval_min >= DAY_MINUTES)

    @cached_property
    def giving_nothing(self) -> BoolArray:
        """Return where a unit was heard in light and gave nothing, for longer than its register's step can hide."""
        seen = np.asarray(self.heard & self.light)
        if self.source != "clear_sky":
            own = np.where(self.levels.level >= WEAKEST, np.minimum(self.levels.level, 1.0), 1.0)[:, None]
            due_wh = own * self.peers.energy_wh
            darkest_wh = without_sun(self.day, self.array_sky, due_wh) if self.resolution_wh else None
            return silences(self.measured_wh, due_wh, seen, self.resolution_wh, darkest_wh=darkest_wh)
        at_rest = self.measured_wh <= STANDBY * self.day.rated_wh[:, None]
        given = np.where(at_rest, 0.0, self.measured_wh)
        return silences(given, self.peers.energy_wh * DARK_LIMIT, seen, self.resolution_wh)

    @cached_property
    def sunward_shares(self) -> dict[str, FloatArray]:
        """Return by plane which share of its light comes from the sun's direction, 0-1, (D,).

        With an open horizon: one may have been found from the very shade that is asked about.
        """
        planes = [replace(plane, horizon=()) for plane in self.day.site.planes]
        return sunward_shares(self.day, sky_at(self.day, self.array_sky), planes)

    @cached_property
    def ever_heard(self) -> BoolArray:
        """Return which units were heard at all, night included, (U,)."""
        return np.asarray(np.isfinite(self.readings.energy_wh).any(axis=1))

    @cached_property
    def expected_to_report(self) -> BoolArray:
        """Return which units were on the roof in the window, (U,)."""
        return np.asarray(self.fitted.any(axis=1))

    def heard_share(self) -> FloatArray:
        """Return the share of the intervals worth hearing that were heard, (U,); 1 where there were none but some."""
        worth = self.worth_hearing
        count = worth.sum(axis=1)
        share = (worth & self.heard).sum(axis=1) / np.maximum(count, 1)
        return np.where(count > 0, share, self.ever_heard.astype(float))

    def moment(self, interval: int) -> datetime:
        """Return the start of daylight interval number `interval`, UTC, by the readings' own labels."""
        return self.labels.moment(int(self.day.positions[interval]))

    def first_and_last(self, where: BoolArray) -> tuple[datetime | None, datetime | None]:
        """Return the starts of the first and the last interval that are true in `where` (D,)."""
        hits = np.flatnonzero(where)
        return (self.moment(int(hits[0])), self.moment(int(hits[-1]))) if len(hits) else (None, None)

    def local(self, moment: datetime) -> Quantity:
        """Return a moment for a sentence, to be said in the site's zone."""
        return Quantity("moment", moment.isoformat(), self.day.site.timezone)

    def lost_wh(self, unit: int, where: BoolArray) -> float:
        """Return what the unit gave less than its peers let expect, over the heard intervals in `where` (D,), Wh."""
        use = self.heard[unit] & where
        lost = self.peers.energy_wh[unit, use].sum() - self.measured_wh[unit, use].sum()
        return max(float(lost), 0.0)

    def like(self, unit: int) -> tuple[int, ...]:
        """Return the rows of the units like `unit`, itself among them: of one plane, module and inverter."""
        return next(g.members for g in self.day.groups if unit in g.members)

    def named(self, units: Iterable[int]) -> tuple[str, ...]:
        """Return the serials of rows."""
        return tuple(self.serials[i] for i in units)


Told = TypeVar("Told")


def once(work: Callable[[Case], Told]) -> Callable[[Case], Told]:
    """Return `work` done once for each case: several causes ask, and what it told goes when the case goes."""

    @wraps(work)
    def kept(case: Case) -> Told:
        if work not in case.worked_out:
            case.worked_out[work] = work(case)
        told: Told = case.worked_out[work]
        return told

    return kept


def _last_given(made_wh: FloatArray) -> NDArray[np.intp]:
    """Return the last interval so far in which anything was made, (..., D); the first before."""
    at = np.where(made_wh > 0, np.arange(made_wh.shape[-1]), 0)
    return np.asarray(np.maximum.accumulate(at, axis=-1))


def _brightest_since(last: NDArray[np.intp], wh: FloatArray) -> FloatArray:
    """Return the most of energies (D,) in all intervals that follow the same `last` one of each unit, (n, D) both."""
    most = np.zeros(last.shape)
    for row, since in zip(most, last, strict=True):
        np.maximum.at(row, since, np.where(np.arange(len(wh)) > since, wh, 0.0))
    return np.take_along_axis(most, last, axis=1)


def gone_after(
    energy_wh: FloatArray, day: Daylight, rows: Sequence[int], clear_wh: FloatArray | None = None
) -> int | None:
    """Return the last interval in which any of the units `rows` of energies (U, D) gave something before all stopped.

    None unless they stopped from one short interval to the next, at much output, to the end: less does where the clear
    sky gives `clear_wh` (U, D) for long after.
    """
    made, rated_wh = energy_wh[list(rows)], day.rated_wh[list(rows), None]
    giving = np.flatnonzero((np.nan_to_num(made) > STANDBY * rated_wh).any(axis=0))
    if day.grid.interval_min > AT_ONCE_MINUTES or not len(giving):
        return None
    last = int(giving[-1])  # in which they may have stopped
    share = (made / rated_wh)[:, max(last - 1, 0) : last + 1]
    share = share[:, np.isfinite(share).any(axis=0)]
    goes_on = (np.diff(day.positions[last:]) == 1).all()
    by_day = clear_wh is not None and day_left(clear_wh[list(rows)] / rated_wh, day, last)
    least = AT_ONCE_BY_DAY if by_day else AT_ONCE
    return last if goes_on and np.nanmedian(share, axis=0).max() >= least else None


def day_left(clear_share: FloatArray, day: Daylight, last: int) -> bool:
    """Return whether the clear sky's share of units' ratings (U, D) stays above the last one for long after `last`."""
    bright = np.median(clear_share[:, last + 1 :], axis=0) >= DAY_LEFT
    return bool(bright.sum() * day.grid.interval_min >= DAY_LEFT_MINUTES)


def active_mask(day: Daylight, energy_wh: FloatArray) -> BoolArray:
    """Return where each unit was on the roof by its record, on the whole grid, (U, T).

    The record knows days, a unit comes within one: on its first day it is there from its first reading in
    `energy_wh` (U, T) on, or from midnight where the window ends that day without any.
    """
    units = day.site.units
    mask = np.ones((len(units), day.grid.count), dtype=bool)
    if all(u.active_from is None and u.active_until is None for u in units):
        return mask
    days = day.grid.local_days(day.site.timezone)
    for i, unit in enumerate(units):
        begin, end = np.datetime64(unit.active_from or date.min), np.datetime64(unit.active_until or date.max)
        mask[i] = (days >= begin) & (days < end)
        first_day = np.flatnonzero(days == begin)
        if len(first_day):
            mask[i, first_day[: _until_heard(energy_wh[i], first_day)]] = False
    return mask


def _until_heard(row: FloatArray, first_day: NDArray[np.intp]) -> int:
    """Return how many of the first day's intervals passed before a unit was there."""
    heard = np.flatnonzero(np.isfinite(row[first_day]))
    if len(heard):
        return int(heard[0])
    goes_on = first_day[-1] + 1 < len(row)
    return len(first_day) if goes_on else 0
