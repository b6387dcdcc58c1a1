"""What a verification said of a site against what is true of it, counted.

A unit counts as struck if anything decidable that befell it changes 2.5 % of the window's energy or more, as healthy
if nothing befell it at all; what lies between is left out. Half an hour is held to four causes only.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from typing import NamedTuple

from service.expect.weather import Weather
from service.verify.result import Finding, Unseen, Verification
from service.verify.run import verify
from tests.bench.fleet.plan import PLAIN, Window
from tests.bench.fleet.truth import BenchSite, SiteFault
from tests.fleet.faults import Fault

SITE_CAUSES = ("clock_shift", "plane_misdescribed", "curtailed", "site_low", "unit_scale", "data_gap")
NEVER_OF_UNITS = frozenset(SITE_CAUSES) - {"data_gap"}
HALF_HOUR_CAUSES = frozenset({*PLAIN, "branch_out"})
CLIPPED = 0.05
"""Share of energy made at the inverter's rating from which the information is due."""

GAP_BY_CHANCE = 0.05
"""Share of the daylight from which a gap is one, though nobody planted it."""

SAME_FACTOR = 0.02


class Miss(NamedTuple):
    """A cause that was not the first one named: of which site and unit (None: the site), and what was said instead."""

    seed: int
    serial: str | None
    cause: str
    said: str


@dataclass
class Score:
    """Counts over sites. `planted`, `first` and `named` are by unit cause, `site_…` by site cause."""

    sites: int = 0
    hit: int = 0
    missed: int = 0
    healthy: int = 0
    accused: int = 0
    accused_beside_site_cause: int = 0
    left_out: int = 0
    planted: Counter[str] = field(default_factory=Counter)
    first: Counter[str] = field(default_factory=Counter)
    named: Counter[str] = field(default_factory=Counter)
    accused_of: Counter[str] = field(default_factory=Counter)
    site_planted: Counter[str] = field(default_factory=Counter)
    site_found: Counter[str] = field(default_factory=Counter)
    site_undecidable: Counter[str] = field(default_factory=Counter)
    site_left_open: Counter[str] = field(default_factory=Counter)
    """Of the undecidable, those of which the service says itself that the window does not tell."""
    falsely_said: Counter[str] = field(default_factory=Counter)
    sites_falsely_said: int = 0
    clipping_due: int = 0
    clipping_said: int = 0
    clock_off_min: list[float] = field(default_factory=list)
    azimuth_off_deg: list[float] = field(default_factory=list)
    tilt_off_deg: list[float] = field(default_factory=list)
    misses: list[Miss] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    crashes: list[str] = field(default_factory=list)

    def add(self, other: Score) -> None:
        """Take the other's counts in."""
        for one in fields(self):
            mine, theirs = getattr(self, one.name), getattr(other, one.name)
            setattr(self, one.name, mine + theirs)

    @property
    def f1(self) -> float | None:
        """Return the F1 of "a fault is there", by unit; None where there was none to find."""
        return _ratio(2 * self.hit, 2 * self.hit + self.missed + self.accused) if self.planted else None

    @property
    def first_share(self) -> float | None:
        """Return the share of faults whose unit is first named with a right cause."""
        return _ratio(self.first.total(), self.planted.total())

    @property
    def named_share(self) -> float | None:
        """Return the share of faults whose cause is held against their unit at all."""
        return _ratio(self.named.total(), self.planted.total())

    @property
    def accused_share(self) -> float | None:
        """Return the share of healthy units that a fault is held against."""
        return _ratio(self.accused, self.healthy)

    @property
    def site_share(self) -> float | None:
        """Return the share of the decidable site causes that are found."""
        return _ratio(self.site_found.total(), self.site_planted.total())

    @property
    def falsely_share(self) -> float | None:
        """Return the share of sites that a site cause is falsely said of."""
        return _ratio(self.sites_falsely_said, self.sites)


def _ratio(part: float, whole: float) -> float | None:
    return part / whole if whole else None


def judge(site: BenchSite, weather: Weather | None = None) -> Verification:
    """Return what the service makes of the site, without any weather if none is given."""
    return verify(site.site, site.readings, weather)


def score(site: BenchSite, findings: Sequence[Finding], not_yet: Sequence[Unseen] = ()) -> Score:
    """Return one site's counts."""
    out, said = Score(sites=1), _said_of_units(site, findings)
    for serial in _all_serials(site):
        _count_unit(out, site, serial, said.get(serial, []))
    _count_site(out, site, findings)
    if site.site_fault and not site.site_fault.judgeable:
        out.site_left_open[site.site_fault.cause] += site.site_fault.cause in {u.cause for u in not_yet}
    _count_clipping(out, site, findings)
    return out


def _all_serials(site: BenchSite) -> list[str]:
    return [*(u.serial for u in site.site.units), *site.readings.strangers]


def _said_of_units(site: BenchSite, findings: Sequence[Finding]) -> dict[str, list[str]]:
    """Return by serial the faults held against it, the main one first."""
    said: dict[str, list[str]] = {}
    for finding in (f for f in findings if f.is_fault):
        for serial in _meant(site, finding):
            said.setdefault(serial, []).append(finding.cause)
    return said


def _meant(site: BenchSite, finding: Finding) -> list[str]:
    """Return the serials a finding speaks of: those named, else all of its plane, its branch or the site."""
    resembled = str(finding.details.get("resembles", "")) if finding.cause == "not_on_record" else ""
    if finding.serials:
        return [*finding.serials, *(s for s in site.resembles.values() if s in resembled)]
    if finding.cause in NEVER_OF_UNITS or (
        finding.cause == "data_gap" and not (finding.plane or finding.branch)
    ):
        return []
    return [
        u.serial
        for u in site.site.units
        if finding.plane in (None, u.plane) and finding.branch in (None, u.branch)
    ]


# --- units


def _count_unit(out: Score, site: BenchSite, serial: str, said: list[str]) -> None:
    faults = site.faults.get(serial, ())
    true_of_site = {site.site_fault.cause} if site.site_fault else set()
    if site.unheard.get(serial, 0) >= GAP_BY_CHANCE:
        true_of_site |= {"data_gap"}
    said = [c for c in said if c not in true_of_site - {f.cause for f in faults}]
    counted = [f for f in site.counted(serial) if _asked(f.cause, site.plan.window)]
    if not faults:
        _count_healthy(out, site, serial, said)
    elif not counted:
        out.left_out += 1
    else:
        _count_struck(out, site, serial, counted, said)


def _asked(cause: str, window: Window) -> bool:
    return window != "30min" or cause in HALF_HOUR_CAUSES


def _count_healthy(out: Score, site: BenchSite, serial: str, said: list[str]) -> None:
    out.healthy += 1
    if not said:
        return
    out.accused += 1
    out.accused_beside_site_cause += site.site_fault is not None
    out.accused_of[said[0]] += 1
    beside = f", on a site with {site.site_fault.cause}" if site.site_fault else ""
    out.notes.append(f"{label(site)}: {serial} is healthy{beside}, said to be {', '.join(said)}")


def _count_struck(out: Score, site: BenchSite, serial: str, faults: list[Fault], said: list[str]) -> None:
    out.hit += bool(said)
    out.missed += not said
    right = {f.cause for f in site.faults[serial]} | _also_right(serial, site)
    for fault in {f.cause: f for f in faults}.values():
        named = fault.cause in said or (serial in site.resembles.values() and "not_on_record" in said)
        out.planted[fault.cause] += 1
        out.named[fault.cause] += named
        out.first[fault.cause] += bool(said) and said[0] in right
        if not said or said[0] not in right:
            out.misses.append(Miss(site.plan.seed, serial, fault.cause, said[0] if said else "nothing"))
        if not named:
            found = ", ".join(said) or "nothing"
            out.notes.append(
                f"{label(site)}: {serial} is {fault.cause} ({fault.visible:.0%} of energy), named {found}"
            )


def _also_right(serial: str, site: BenchSite) -> set[str]:
    """Return the stranger's cause for the unit that it was mistaken for: one slip, one finding."""
    return {"not_on_record"} if serial in site.resembles.values() else set()


def _count_clipping(out: Score, site: BenchSite, findings: Sequence[Finding]) -> None:
    due = {serial for serial, share in site.clipped.items() if share >= CLIPPED and serial not in site.faults}
    told = {s for f in findings if f.cause == "clipping" for s in f.serials}
    out.clipping_due += len(due)
    out.clipping_said += len(due & told)


# --- the site


def _count_site(out: Score, site: BenchSite, findings: Sequence[Finding]) -> None:
    said = [f for f in findings if f.cause in SITE_CAUSES and (f.cause in NEVER_OF_UNITS or not f.serials)]
    truth = site.site_fault
    if truth and not truth.judgeable:
        out.site_undecidable[truth.cause] += 1
    elif truth:
        _count_site_fault(out, site, truth, said)
    wrong = {f.cause for f in said if truth is None or f.cause != truth.cause}
    if truth and truth.cause == "clock_shift" and not truth.judgeable:
        wrong -= {"data_gap"}  # units that sleep at night are silent in what the clock calls day
    out.falsely_said.update(wrong)
    out.sites_falsely_said += bool(wrong)
    if wrong:
        out.notes.append(f"{label(site)}: the site is falsely said to have {', '.join(sorted(wrong))}")


def _count_site_fault(out: Score, site: BenchSite, truth: SiteFault, said: list[Finding]) -> None:
    right = [f for f in said if f.cause == truth.cause and _agrees(f, truth)]
    out.site_planted[truth.cause] += 1
    out.site_found[truth.cause] += bool(right)
    if right:
        _measure(out, site, truth, right[0])
        return
    out.misses.append(Miss(site.plan.seed, None, truth.cause, said[0].cause if said else "nothing"))
    other = ", ".join(f"{f.cause} {f.details}" for f in said) or "nothing"
    out.notes.append(f"{label(site)}: the site has {_told(truth)}, said {other}")


def _agrees(finding: Finding, truth: SiteFault) -> bool:
    if truth.cause == "plane_misdescribed":
        return finding.plane in (None, truth.plane)
    if truth.cause == "unit_scale" and truth.factor:
        return abs(float(finding.details.get("factor", 0)) / truth.factor - 1) < SAME_FACTOR
    return True


def _measure(out: Score, site: BenchSite, truth: SiteFault, finding: Finding) -> None:
    details = finding.details
    if truth.minutes is not None and details.get("minutes") is not None:
        off = float(details["minutes"]) - truth.minutes
        out.clock_off_min.append(abs(off))
        if abs(off) > 5:
            out.notes.append(f"{label(site)}: the clock is {truth.minutes:+d} min, said {details['minutes']}")
    if truth.azimuth_deg is not None and details.get("azimuth_deg") is not None:
        turn = (float(details["azimuth_deg"]) - truth.azimuth_deg + 180) % 360 - 180
        out.azimuth_off_deg.append(abs(turn))
    if truth.tilt_deg is not None and details.get("tilt_deg") is not None:
        out.tilt_off_deg.append(abs(float(details["tilt_deg"]) - truth.tilt_deg))


def _told(truth: SiteFault) -> str:
    values = {
        "minutes": truth.minutes,
        "plane": truth.plane,
        "azimuth_deg": truth.azimuth_deg,
        "tilt_deg": truth.tilt_deg,
        "factor": truth.factor,
        "changes_at_min": truth.changes_at_min,
    }
    given = ", ".join(f"{name} {value}" for name, value in values.items() if value is not None)
    return f"{truth.cause} ({given}; {truth.visible:.0%} of energy)"


def label(site: BenchSite) -> str:
    """Return how to find the site again, and what to know of it at a glance."""
    made = f"{site.plan.units} units on {site.plan.planes} planes, {site.plan.interval_min} min"
    return (
        f'site({site.plan.seed}, "{site.plan.window}") {site.plan.sky}, {site.direct_sun_h:.1f} h sun, {made}'
    )
