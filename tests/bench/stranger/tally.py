"""What a verification says of a site against what is true of it, counted by cause."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, fields

from service.verify.result import Finding
from tests.bench.stranger.case import Case
from tests.bench.stranger.faults import SHOWS, Fault
from tests.bench.stranger.plan import SITE_CAUSES

HARMLESS = 0.005
"""Share of a unit's energy up to which what befell it is nothing to speak of; from here to SHOWS a unit is left out."""

LOST_BY_CHANCE = 0.03
"""Share of intervals from which a unit may be said to have a gap though nobody planted it."""

CLOCK_MIN = 10
SCALE = 0.02


@dataclass
class Tally:
    """Counts over sites; a `first` is the cause that the service puts first for a unit."""

    sites: int = 0
    hit: int = 0
    missed: int = 0
    healthy: int = 0
    accused: int = 0
    left_out: int = 0
    struck: int = 0
    right_first: int = 0
    right_any: int = 0
    falsely: int = 0
    planted: Counter[str] = field(default_factory=Counter)
    named: Counter[str] = field(default_factory=Counter)
    first: Counter[str] = field(default_factory=Counter)
    accused_of: Counter[str] = field(default_factory=Counter)
    falsely_said: Counter[str] = field(default_factory=Counter)
    notes: list[str] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        """Take another's counts in."""
        for one in fields(self):
            setattr(self, one.name, getattr(self, one.name) + getattr(other, one.name))

    @property
    def f1(self) -> float:
        """Return the F1 of "a fault is there" by unit."""
        return 2 * self.hit / max(2 * self.hit + self.missed + self.accused, 1)

    @property
    def site_planted(self) -> int:
        """Return how many site-wide causes there were to find."""
        return sum(self.planted[c] for c in SITE_CAUSES if c != "data_gap") + self.planted["data_gap (site)"]

    @property
    def site_found(self) -> int:
        """Return how many of them were found."""
        return sum(self.named[c] for c in SITE_CAUSES if c != "data_gap") + self.named["data_gap (site)"]


def tally(case: Case, findings: Sequence[Finding]) -> Tally:
    """Return one site's counts."""
    out = Tally(sites=1)
    faults = [f for f in findings if f.is_fault]
    for unit in range(case.plan.units):
        _count_unit(out, case, unit, _said_of(case, unit, faults))
    _count_site(out, case, faults)
    return out


def _wide(finding: Finding) -> bool:
    return finding.cause in SITE_CAUSES and (finding.cause != "data_gap" or not finding.serials)


def _said_of(case: Case, unit: int, findings: Sequence[Finding]) -> list[str]:
    """Return the causes held against a unit, under the recorded serial or the one that sends."""
    on_site = case.site.units[unit]
    names = {on_site.serial, case.sent_as[unit]}
    said = []
    for finding in (f for f in findings if not _wide(f)):
        whole = not finding.serials and finding.plane in (None, on_site.plane)
        if names & set(finding.serials) or (whole and finding.branch in (None, on_site.branch)):
            said.append(finding.cause)
    return said


def _count_unit(out: Tally, case: Case, unit: int, said: list[str]) -> None:
    truth = case.truth(unit)
    if case.missing[unit] >= LOST_BY_CHANCE and "data_gap" not in truth:
        said = [c for c in said if c != "data_gap"]
    counted = [c for c, share in truth.items() if share >= SHOWS]
    label, told = f"{_label(case)}: {case.site.units[unit].serial}", ", ".join(said) or "nothing"
    if not counted:
        if max(truth.values(), default=0) >= HARMLESS:
            out.left_out += 1
            return
        out.healthy += 1
        out.accused += bool(said)
        if said:
            out.accused_of[said[0]] += 1
            beside = f" (site: {', '.join(_site_truth(case))})" if _site_truth(case) else ""
            out.notes.append(f"{label} is healthy{beside}, said {told}")
        return
    also = _also_right(case, unit)
    right = {c for c, share in truth.items() if share >= HARMLESS} | also
    out.struck += 1
    out.hit += bool(said)
    out.missed += not said
    out.right_first += bool(said) and said[0] in right
    out.right_any += bool(right & set(said))
    for cause in counted:
        fine = cause in said or bool(also & set(said))
        out.planted[cause] += 1
        out.named[cause] += fine
        out.first[cause] += bool(said) and said[0] in right
        if not fine or said[0] not in right:
            out.notes.append(f"{label} is {cause} ({truth[cause]:.0%}), said {told}")


def _also_right(case: Case, unit: int) -> set[str]:
    """Return what may as well be said: one who is never heard, whether its line fell or its serial was mistyped."""
    also = set()
    for fault in case.faults:
        if unit in fault.share and fault.cause == "not_on_record":
            also |= {"not_reporting"}
        if unit in fault.share and fault.cause == "branch_out" and fault.silent:
            also |= {"not_reporting", "data_gap"}
    return also


# --- the site


def _site_faults(case: Case) -> list[Fault]:
    return [f for f in case.faults if -1 in f.share]


def _site_truth(case: Case) -> list[str]:
    return [f.cause for f in _site_faults(case)]


def _count_site(out: Tally, case: Case, findings: Sequence[Finding]) -> None:
    said = [f for f in findings if _wide(f) or _gap_of_all(case, f)]
    for fault in _site_faults(case):
        if fault.share[-1] < SHOWS:
            continue
        name = "data_gap (site)" if fault.cause == "data_gap" else fault.cause
        found = any(f.cause == fault.cause and _agrees(f, fault) for f in said)
        out.planted[name] += 1
        out.named[name] += found
        out.first[name] += found
        if not found:
            other = "; ".join(f"{f.cause} {f.plane or ''} {f.details}" for f in said) or "nothing"
            out.notes.append(
                f"{_label(case)}: the site has {fault.cause} {fault.details} ({fault.share[-1]:.0%}), said {other}"
            )
    lost = max(case.missing, default=0) >= LOST_BY_CHANCE
    true = {*_site_truth(case), *(["data_gap"] if lost else [])}
    wrong = {f.cause for f in said} - true
    out.falsely += bool(wrong)
    out.falsely_said.update(wrong)
    for finding in said:
        if finding.cause in wrong:
            out.notes.append(
                f"{_label(case)}: the site is falsely said {finding.cause} {finding.plane or ''} {finding.details}"
            )


def _gap_of_all(case: Case, finding: Finding) -> bool:
    return finding.cause == "data_gap" and len(finding.serials) > 0.6 * case.plan.units


def _agrees(finding: Finding, fault: Fault) -> bool:
    """Return whether a finding says the same of the site, in number too."""
    if fault.cause == "clock_shift":
        off = abs(float(finding.details.get("minutes", 1e9))) - abs(fault.details["minutes"])
        return bool(abs(off) <= CLOCK_MIN)
    if fault.cause == "plane_misdescribed":
        return finding.plane in (None, fault.details["plane"])
    if fault.cause == "unit_scale":
        factor, sent = float(finding.details.get("factor", 0)) or 1e-9, fault.details["sent_times"]
        return bool(min(abs(factor * sent - 1), abs(factor / sent - 1)) < SCALE)
    return True


def _label(case: Case) -> str:
    plan = case.plan
    return (
        f'site({plan.seed}, "{plan.window}") {plan.units} units on {plan.planes} planes, {plan.interval_min} min, '
        f"{'/'.join(plan.kinds[1:-1] or plan.kinds[:1])}, {case.sunny_h:.1f} h sun, {'+'.join(plan.causes) or 'well'}"
    )
