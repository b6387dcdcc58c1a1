"""What a finding costs in a typical year, and in which season most. No cause is found here.

The year is that of `service.expect.year`: two skies, how often each is there known from the latitude alone. What it
says of a steady loss is known to about 15 %, of a shade within SHADE_BAND: the sun has not shown all of an obstacle.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import timedelta
from functools import cached_property
from zoneinfo import ZoneInfo

import numpy as np

from service.expect.energy import UnitGroup
from service.expect.inverter import ac_power
from service.expect.plane import diffuse_modifiers, hidden_sky_share, sunward_share
from service.expect.site import Site, Unit
from service.expect.year import Year, typical_year
from service.verify.case import Case
from service.verify.causes.voltage_trip import STRONG
from service.verify.causes.wording import percent
from service.verify.inputs import FloatArray
from service.verify.outline import AROUND_DEG, Outline
from service.verify.result import Finding
from service.verify.sentence import Quantity, Sentence, joined, sentence

SHADE_BAND = (0.5, 2.0)
"""Between which multiples of the estimate the loss to a shade really lies for nine of ten random chimneys, trees and
houses before a unit, and four of five before a whole plane (of `tests/fleet/shade.py`, each seen for a week), the
year's weather aside."""

DEAD = frozenset({"no_output", "branch_out"})

LEAST_WINDOW = timedelta(days=2)
"""Shorter windows say nothing of how often something that comes and goes will come; our choice, no source."""

SEASON_MONTHS = 3
SOME = 0.001
CLEARLY_WORSE = 1.5
"""Ratio of shares lost from which another season is called worse than that of the window."""


@dataclass(frozen=True)
class UnitYear:
    """The typical year of one unit: DC power under either sky and moment, W, (2, N)."""

    year: Year
    group: UnitGroup
    dc_w: FloatArray

    def energy_kwh(self) -> FloatArray:
        """Return the energy expected by month, kWh, (12,)."""
        return self._monthly_kwh(self._ac_w)

    def loss_kwh(self, dc_loss: FloatArray | float) -> FloatArray:
        """Return the energy lost by month, kWh, (12,), with a share (0-1, broadcast to (2, N)) of DC power lost.

        What the inverter's limit would have taken anyway is not lost.
        """
        left = ac_power(self.dc_w * (1 - dc_loss), inverter=self.group.inverter)
        return self._monthly_kwh(self._ac_w - left)

    def strong_kwh(self, least_share: float) -> float:
        """Return the energy expected in the year from a share of the rating on, kWh."""
        strong = self._ac_w >= least_share * self.group.inverter.ac_rated_w
        return float(self._monthly_kwh(self._ac_w * strong).sum())

    def shaded(self, outline: Outline) -> FloatArray:
        """Return the share of DC power that an obstacle takes, (2, N), 0-1.

        Before the sun it takes the beam and the light around it, always its part of the sky's light, below the best
        guess of its top.
        """
        sun = self.year.sun
        behind = outline.top_at(sun.azimuth_deg) > 90 - sun.apparent_zenith_deg
        hidden = hidden_sky_share(self.group.plane, AROUND_DEG, outline.top_at(AROUND_DEG))
        sunward, skyward = self._shares
        return np.asarray(outline.taken * (behind * sunward + hidden * skyward))

    @cached_property
    def _shares(self) -> tuple[FloatArray, FloatArray]:
        """Return the shares of the light that come from the sun's direction and from the sky's dome, (2, N) each.

        A closed sky has no sun to hide.
        """
        plane, sun = self.group.plane, self.year.sun
        light = self.year.light(plane)
        sky = light.sky * diffuse_modifiers(plane.tilt_deg)[0]
        skyward = np.divide(sky, light.effective, out=np.zeros_like(sky), where=light.effective > 0)
        return sunward_share(plane, sun, light) * (self.year.sky.dni > 0), skyward

    @cached_property
    def _ac_w(self) -> FloatArray:
        return ac_power(self.dc_w, inverter=self.group.inverter)

    def _monthly_kwh(self, power_w: FloatArray) -> FloatArray:
        return self.year.monthly(power_w) / 1000


@dataclass(frozen=True)
class Years:
    """The typical years of a site's units, each kind worked out once and only when it is asked for."""

    site: Site
    _known: dict[tuple[str, str, str, int], UnitYear] = field(default_factory=dict)

    def of(self, unit: Unit) -> UnitYear:
        """Return the unit's typical year."""
        kind = (unit.plane, unit.module_type, unit.inverter_type, unit.module_count)
        if kind not in self._known:
            group = UnitGroup(
                self.site.plane(unit.plane),
                self.site.module_type(unit.module_type),
                self.site.inverter_type(unit.inverter_type),
                unit.module_count,
                members=(),
            )
            self._known[kind] = UnitYear(self._year, group, self._year.power(group).dc_w)
        return self._known[kind]

    @property
    def noon_deg(self) -> FloatArray:
        """Return how high the sun stands at noon by month, degrees, (12,); 0 where it does not rise."""
        highest = np.zeros(12)
        np.maximum.at(highest, self._year.month, 90 - self._year.sun.apparent_zenith_deg)
        return highest

    @cached_property
    def _year(self) -> Year:
        return typical_year(self.site)


def annual_energy_kwh(site: Site) -> float:
    """Return what the units that are on the roof make in a typical year, kWh."""
    years = Years(site)
    return float(sum(years.of(unit).energy_kwh().sum() for unit in site.units if unit.active_until is None))


def annual_loss_kwh(site: Site, unit: Unit, loss_share: float) -> float:
    """Return what a steady loss of a share (0-1) of the unit's DC power costs in a typical year, kWh."""
    return float(Years(site).of(unit).loss_kwh(loss_share).sum())


def annual_shade_loss_kwh(site: Site, unit: Unit, outline: Outline) -> float:
    """Return what the obstacle of `outline` takes of the unit's energy in a typical year, kWh."""
    year = Years(site).of(unit)
    return float(year.loss_kwh(year.shaded(outline)).sum())


def with_yearly_loss(case: Case, findings: Iterable[Finding], site: Site) -> tuple[Finding, ...]:
    """Return the findings with what each costs in a year, where that can be said.

    `site` is the record. Its horizons count, not those that the case may have found: what they hide is what a shade
    costs. Otherwise the planes are as the case has them, put right where the record had them wrong.
    """
    open_planes = [replace(p, horizon=site.plane(p.name).horizon) for p in case.day.site.planes]
    years = Years(replace(case.day.site, planes=tuple(open_planes)))
    return tuple(_with_loss(case, years, finding) for finding in findings)


def _with_loss(case: Case, years: Years, finding: Finding) -> Finding:
    units = [u for u in years.site.units if u.serial in finding.serials and u.active_until is None]
    if not units:
        return finding
    if finding.details.get("outline"):
        return _with_shade(case, years, finding, units)
    if finding.cause in DEAD:
        return _costing(finding, sum(years.of(u).energy_kwh().sum() for u in units))
    if "level" in finding.details:
        share = min(max(1 - float(finding.details["level"]), 0.0), 1.0)
        return _costing(finding, sum(years.of(u).loss_kwh(share).sum() for u in units))
    if case.day.grid.end - case.day.grid.start >= LEAST_WINDOW:
        return _with_recurring(case, years, finding, units)
    return finding


def _costing(finding: Finding, kwh: float) -> Finding:
    return replace(finding, annual_loss_kwh=round(float(kwh), 1))


def _with_recurring(case: Case, years: Years, finding: Finding, units: list[Unit]) -> Finding:
    """Return the finding with its loss in the window, as a share of the energy there, carried over to the year.

    Trips come at high power: their share is that of the energy at high power, in the window as in the year.
    """
    least = {"intermittent": 0.0, "voltage_trip": STRONG}.get(finding.cause)
    rows = [case.serials.index(u.serial) for u in units]
    if least is None or finding.lost_wh is None:
        return finding
    counts = case.heard[rows] & (case.peers.energy_wh[rows] >= least * case.day.rated_wh[rows, None])
    due_wh = float(case.peers.energy_wh[rows][counts].sum())
    if due_wh <= 0:
        return finding
    share = min(finding.lost_wh / due_wh, 1.0)
    return _costing(finding, share * sum(years.of(u).strong_kwh(least) for u in units))


def _with_shade(case: Case, years: Years, finding: Finding, units: list[Unit]) -> Finding:
    """Return the finding with what its obstacle takes in a year, by month, and when that is worst."""
    outline = Outline.from_details(finding.details["outline"], float(finding.details["beam_taken"]))
    kinds = {(u.plane, u.module_type, u.inverter_type, u.module_count): u for u in units}
    shares = {kind: years.of(u).shaded(outline) for kind, u in kinds.items()}
    loss, energy = np.zeros(12), np.zeros(12)
    for unit in units:
        kind = (unit.plane, unit.module_type, unit.inverter_type, unit.module_count)
        loss += years.of(unit).loss_kwh(shares[kind])
        energy += years.of(unit).energy_kwh()
    details = {
        **finding.details,
        "loss_by_month_kwh": loss.round(1).tolist(),
        "season": season_sentence(loss, energy, years.noon_deg, observed_months(case)),
    }
    return replace(_costing(finding, loss.sum()), details=details)


def observed_months(case: Case) -> list[int]:
    """Return the months of the window on the site's clock, from 0."""
    zone = ZoneInfo(case.day.site.timezone)
    first, last = case.day.grid.start.astimezone(zone), case.day.grid.end.astimezone(zone)
    months = (last.year - first.year) * 12 + last.month - first.month
    return sorted({(first.month - 1 + k) % 12 for k in range(min(months, 11) + 1)})


def season_sentence(
    loss_kwh: FloatArray, energy_kwh: FloatArray, noon_deg: FloatArray, observed: list[int]
) -> Sentence:
    """Return which season loses most of its energy, against the months of the window.

    Losses, energies and the height of the noon sun by month, (12,); `observed` are the window's months, from 0.
    """
    season = (np.arange(12)[:, None] + np.arange(-1, SEASON_MONTHS - 1)) % 12
    shares = _share(loss_kwh[season].sum(axis=1), energy_kwh[season].sum(axis=1))
    worst = int(shares.argmax())
    now = float(_share(loss_kwh[observed].sum(), energy_kwh[observed].sum()))
    if worst in observed or shares[worst] < CLEARLY_WORSE * now:
        return _not_worse(percent(now), observed)
    lower = noon_deg[season[worst]].mean() < noon_deg[observed].mean()
    first, last = (Quantity("month", float(season[worst, k] + 1)) for k in (0, -1))
    text = _worse_low_sun if lower else _worse_high_sun
    return joined(text(first, last, percent(shares[worst])), " ", _meanwhile(now, observed))


def _not_worse(share: Quantity, observed: list[int]) -> Sentence:
    if len(observed) > 1:
        return sentence(
            "No season is clearly worse than the one seen: in usual weather it takes %(share)s of the energy in the "
            "months seen.",
            share=share,
        )
    return sentence(
        "No season is clearly worse than the one seen: in usual weather it takes %(share)s of the energy in %(month)s.",
        share=share,
        month=_month(observed),
    )


def _worse_low_sun(first: Quantity, last: Quantity, share: Quantity) -> Sentence:
    return sentence(
        "Worse from %(first)s to %(last)s, when the sun stands lower: in usual weather it takes %(share)s of the "
        "energy then,",
        first=first,
        last=last,
        share=share,
    )


def _worse_high_sun(first: Quantity, last: Quantity, share: Quantity) -> Sentence:
    return sentence(
        "Worse from %(first)s to %(last)s, when the sun stands higher: in usual weather it takes %(share)s of the "
        "energy then,",
        first=first,
        last=last,
        share=share,
    )


def _meanwhile(share: float, observed: list[int]) -> Sentence:
    """Return what the obstacle takes in the months of the window."""
    part = percent(share)
    if len(observed) > 1:
        if share > SOME:
            return sentence("%(share)s in the months seen.", share=part)
        return sentence("nothing in the months seen.")
    if share > SOME:
        return sentence("%(share)s in %(month)s.", share=part, month=_month(observed))
    return sentence("nothing in %(month)s.", month=_month(observed))


def _month(observed: list[int]) -> Quantity:
    return Quantity("month", float(observed[0] + 1))


def _share(part: FloatArray, whole: FloatArray) -> FloatArray:
    return np.divide(part, whole, out=np.zeros(np.shape(part)), where=np.asarray(whole) > 0)
