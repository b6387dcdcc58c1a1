"""What the pages say, as plain values: from a verification and a site record to sentences, lines and marks.

Pure functions; no request, no SQL, no HTML. What a cause is called is said in `service.report.words`, and what
is healthy was said by the verification: nothing is judged here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from service.expect.site import Site, Unit
from service.report import words
from service.report.days import DayTotal, light_minutes, sum_series, totals, unit_series
from service.report.language import gettext as _
from service.report.language import marked, ngettext
from service.report.marks import Dot, dot
from service.report.sentences import say
from service.report.totals import heard_count, lost_wh_per_day
from service.verify.result import INFORMATION_CAUSES, Finding, UnitResult, Verification
from service.web.pages.evidence_view import EvidenceView
from service.web.pages.proposals import ProposalView, key_of
from service.web.pages.sun_view import SunView
from service.web.pages.visit import MarkView

WHOLE_CAUSES = frozenset(
    {"not_on_record", "clock_shift", "plane_misdescribed", "curtailed", "site_low", "unit_scale"}
)
"""Causes of the contract that concern a site, a plane or serials off the record, even where they name units."""

SKY_SENTENCES = {
    "array": marked("The sky is read from the units themselves."),
    "measured": marked("The sky is measured."),
    "clear_sky": marked("The sky is a clear-sky model."),
}
SERIAL_TAIL = 4
NAMED_UNITS = 8


@dataclass(frozen=True)
class Label:
    """A cause as it stands beside a unit: the words and the shape that goes with them."""

    short: str
    text: str
    mark: str
    is_fault: bool


@dataclass(frozen=True)
class UnitLine:
    """One unit in a list: who it is, where it sits, how it does and why."""

    serial: str
    tail: str
    place: str
    rank: int
    performance_ratio: str
    index: str
    band: str
    dot: Dot | None
    measured: str
    expected: str
    heard: str
    labels: tuple[Label, ...]

    @property
    def is_fault(self) -> bool:
        """Return whether somebody should look at it."""
        return any(label.is_fault for label in self.labels)


@dataclass(frozen=True)
class UnitPlace:
    """A unit that a finding names; `known` is False for a serial that is not on the record."""

    serial: str
    place: str
    known: bool


@dataclass(frozen=True)
class FindingView:
    """One finding as it is read: what, where, how sure, since when, at what cost, what to do."""

    title: str
    mark: str
    is_fault: bool
    units: tuple[UnitPlace, ...]
    more: int
    scope: str
    evidence: str
    advice: str
    facts: tuple[tuple[str, str], ...]
    first_look: str
    on_roof: bool
    on_mains: bool
    proposal: ProposalView | None
    season: str = ""
    chart: EvidenceView | None = None
    """What shows it, on the office's pages."""
    sun: SunView | None = None
    """What a unit's own page draws under its shade."""
    punch: MarkView | None = None
    """What was done about it, on the office's pages."""

    @property
    def is_settled(self) -> bool:
        """Return whether it is said or proven to be mended, whatever the window still shows of it."""
        return self.punch is not None and self.punch.settled


@dataclass(frozen=True)
class DayLine:
    """One day in a table."""

    day: str
    measured: str
    expected: str
    ratio: str
    heard: str


@dataclass(frozen=True)
class Summary:
    """The answer of a verification in words."""

    headline: str
    lede: str
    verdict: str
    heard: int
    fitted: int
    window: str
    last_heard: str
    sky: str


def summary(found: Verification, site: Site) -> Summary:
    """Return the answer first: the sentence, what it rests on and when."""
    zone = ZoneInfo(site.timezone)
    return Summary(
        headline=headline(found),
        lede=lede(found),
        verdict=found.verdict,
        heard=heard_count(found),
        fitted=len(found.units),
        window=words.span(found.start, found.end, zone),
        last_heard=words.moment(last_heard(found), zone),
        sky=sky_sentence(found),
    )


def headline(found: Verification) -> str:
    """Return the verdict as one sentence."""
    fitted = len(found.units)
    if found.verdict == "too_little_light":
        return _("Too early to say: there was too little light")
    if found.verdict == "verified":
        return _all_make(fitted)
    units = units_to_look_at(found)
    if units:
        return _look_at(len(units), fitted)
    whole = whole_findings(found)
    return words.site_sentence(whole[0].cause) if whole else _("Look at this site")


def _all_make(fitted: int) -> str:
    text = ngettext("The unit makes what it should", "All %(num)s units make what they should", fitted)
    return text % {"num": words.number(fitted)}


def _look_at(count: int, fitted: int) -> str:
    text = ngettext("Look at %(count)s of %(num)s unit", "Look at %(count)s of %(num)s units", fitted)
    return text % {"count": words.number(count), "num": words.number(fitted)}


def lede(found: Verification) -> str:
    """Return what lies behind the headline: how many units have which cause, and what it costs a day."""
    counts = _main_cause_counts(found)
    parts = [words.listed(words.cause_count(cause, count) for cause, count in counts.items())]
    if counts:
        parts += [words.site_sentence(f.cause) for f in whole_findings(found)]
    else:
        parts += [words.site_sentence(f.cause) for f in whole_findings(found)[1:]]
    lost = lost_wh_per_day(found)
    if lost >= 1:
        parts.append(_("This costs about %(energy)s a day") % {"energy": words.energy(lost)})
    return " ".join(f"{part}." for part in parts if part)


def units_to_look_at(found: Verification) -> set[str]:
    """Return the serials on the record that a fault names, whole-site causes aside."""
    named: set[str] = set()
    for finding in found.findings:
        if finding.is_fault and finding.cause not in WHOLE_CAUSES:
            named |= serials_of(finding, found)
    return named


def serials_of(finding: Finding, found: Verification) -> set[str]:
    """Return the units of the plan that a finding is about; a branch's own where it names the branch alone."""
    fitted = {unit.serial for unit in found.units}
    if finding.serials:
        return fitted & set(finding.serials)
    if finding.branch is not None:
        return {unit.serial for unit in found.units if unit.branch == finding.branch}
    return set()


def whole_findings(found: Verification) -> list[Finding]:
    """Return the faults that concern the site, a plane or serials off the record."""
    return [f for f in found.findings if f.is_fault and is_whole(f, found)]


def is_whole(finding: Finding, found: Verification) -> bool:
    """Return whether a finding concerns the site, a plane or serials off the record, and no unit of the plan."""
    return finding.cause in WHOLE_CAUSES or not serials_of(finding, found)


def last_heard(found: Verification) -> datetime | None:
    """Return the end of the last interval in which any unit was heard; None if none was or no curves are held."""
    if found.curves is None:
        return None
    step = timedelta(minutes=found.curves.interval_min)
    lasts = [_last_index(values) for values in found.curves.measured_wh.values()]
    last = max(lasts, default=-1)
    return found.curves.start + (last + 1) * step if last >= 0 else None


def sky_sentence(found: Verification) -> str:
    """Return where the sky of the comparison comes from."""
    source = _(SKY_SENTENCES[found.sky.source])
    if found.sky.clear_share is None:
        return source
    clear = _("%(share)s of the daylight was clear.") % {"share": words.percent(found.sky.clear_share)}
    return f"{source} {clear}"


def unit_lines(found: Verification) -> list[UnitLine]:
    """Return the ranking, lowest performance ratio first."""
    return [unit_line(unit, found) for unit in sorted(found.units, key=lambda u: u.rank)]


def climbing_order(lines: Iterable[UnitLine], found: Verification, site: Site) -> list[UnitLine]:
    """Return lines as one walks the roof: by plane as on the record, then row, then column."""
    planes = {plane.name: i for i, plane in enumerate(site.planes)}
    results = {unit.serial: unit for unit in found.units}

    def step(line: UnitLine) -> tuple[int, int, int, str]:
        unit = results[line.serial]
        last = 1_000_000
        row = last if unit.row is None else unit.row
        column = last if unit.column is None else unit.column
        return planes.get(unit.plane, last), row, column, line.serial

    return sorted(lines, key=step)


def unit_line(unit: UnitResult, found: Verification) -> UnitLine:
    """Return one unit in words and marks."""
    low, high = unit.performance_index_low, unit.performance_index_high
    return UnitLine(
        serial=unit.serial,
        tail=tail(unit.serial),
        place=words.position(unit.plane, unit.row, unit.column),
        rank=unit.rank,
        performance_ratio=words.ratio(unit.performance_ratio),
        index=words.ratio(unit.performance_index),
        band="" if low is None or high is None else words.between(words.ratio(low), words.ratio(high)),
        dot=dot(unit.performance_index, low, high),
        measured=words.energy(unit.measured_wh),
        expected=words.energy(unit.expected_wh),
        heard=words.percent(unit.heard_share),
        labels=labels(unit, found),
    )


def labels(unit: UnitResult, found: Verification) -> tuple[Label, ...]:
    """Return the unit's causes in words: faults of its own first, in the order of the findings."""
    order = [finding.cause for finding in found.findings]
    named = {c: i for i, c in reversed(list(enumerate(order)))}
    causes = sorted(set(unit.causes), key=lambda c: (_is_quiet(c), named.get(c, len(order)), c))
    return tuple(_label(words.CAUSES[c], is_fault=not _is_quiet(c)) for c in causes)


def _label(cause: words.CauseWords, *, is_fault: bool) -> Label:
    return Label(cause.short, cause.one, cause.mark, is_fault)


def tail(serial: str) -> str:
    """Return the end of a serial, enough to find it on a roof plan: '…7001', '…7001/2'."""
    body, slash, number = serial.partition("/")
    return serial if len(body) <= SERIAL_TAIL + 1 else f"\u2026{body[-SERIAL_TAIL:]}{slash}{number}"


def finding_views(
    found: Verification, site: Site, proposals: Mapping[str, ProposalView]
) -> list[FindingView]:
    """Return all findings, the largest loss first, information last."""
    return [finding_view(finding, site, proposals.get(key_of(finding))) for finding in in_order(found)]


def in_order(found: Verification) -> list[Finding]:
    """Return all findings as they are read."""
    return sorted(found.findings, key=lambda finding: not finding.is_fault)


def finding_view(finding: Finding, site: Site, proposal: ProposalView | None = None) -> FindingView:
    """Return one finding as it is read, with the correction of the record that can be accepted, if there is one."""
    cause = words.CAUSES[finding.cause]
    count = len(finding.serials)
    return FindingView(
        title=_title(finding),
        mark=cause.mark,
        is_fault=finding.is_fault,
        units=tuple(_place(serial, site) for serial in finding.serials[:NAMED_UNITS]),
        more=max(0, count - NAMED_UNITS),
        scope=_scope(finding),
        evidence=say(finding.evidence),
        advice=say(finding.advice),
        facts=_facts(finding, ZoneInfo(site.timezone)),
        first_look=words.place_sentence(finding.cause),
        on_roof=cause.care in ("roof", "both"),
        on_mains=cause.care in ("mains", "both"),
        proposal=proposal,
        season=say(finding.details.get("season", "")),
    )


def day_lines(days: Iterable[DayTotal]) -> list[DayLine]:
    """Return days as rows of a table."""
    return [
        DayLine(
            words.day(total.day),
            words.energy(total.measured_wh) if total.heard_share else _("not heard"),
            words.energy(total.expected_wh) if total.heard_share else words.EN_DASH,
            words.ratio(total.ratio),
            words.percent(total.heard_share),
        )
        for total in days
    ]


def site_days(found: Verification, zone: ZoneInfo) -> list[DayTotal]:
    """Return the whole site's days."""
    if found.curves is None:
        return []
    return totals(sum_series(found.curves, [u.serial for u in found.units], zone))


def unit_days(found: Verification, serial: str, zone: ZoneInfo) -> list[DayTotal]:
    """Return one unit's days."""
    return totals(unit_series(found.curves, serial, zone)) if found.curves is not None else []


def light_hours(found: Verification, zone: ZoneInfo) -> tuple[int, int]:
    """Return the first and last minute of the local day with light, for all cells alike."""
    if found.curves is None:
        return 6 * 60, 18 * 60
    return light_minutes(unit_series(found.curves, u.serial, zone) for u in found.units)


def same_place(unit: Unit, site: Site) -> list[Unit]:
    """Return other units on the record that hold or held the unit's position."""
    where = (unit.plane, unit.row, unit.column)
    if unit.row is None or unit.column is None:
        return []
    return [u for u in site.units if u is not unit and (u.plane, u.row, u.column) == where]


def service_dates(unit: Unit) -> str:
    """Return from when and until when a unit is on the roof; empty where both ends are open."""
    on = words.day(unit.active_from) if unit.active_from else ""
    off = words.day(unit.active_until) if unit.active_until else ""
    if on and off:
        return _("On the roof from %(on)s and taken off on %(off)s") % {"on": on, "off": off}
    if on:
        return _("On the roof from %(on)s") % {"on": on}
    return _("Taken off on %(off)s") % {"off": off} if off else ""


def chosen_day(text: str | None, days: Iterable[date]) -> date | None:
    """Return the day that a link asked for, if the window holds it; None means the mean of all days."""
    return next((d for d in days if d.isoformat() == text), None)


def _main_cause_counts(found: Verification) -> dict[str, int]:
    counts: dict[str, int] = {}
    seen: set[str] = set()
    for finding in found.findings:
        if finding.is_fault and finding.cause not in WHOLE_CAUSES:
            new = serials_of(finding, found) - seen
            seen |= new
            counts[finding.cause] = counts.get(finding.cause, 0) + len(new)
    return {cause: count for cause, count in counts.items() if count}


def _is_quiet(cause: str) -> bool:
    return cause in INFORMATION_CAUSES or cause in WHOLE_CAUSES


def _last_index(values: list[float | None]) -> int:
    heard = np.flatnonzero(np.isfinite(np.array(values, dtype=float)))
    return int(heard[-1]) if len(heard) else -1


def _title(finding: Finding) -> str:
    if finding.cause in WHOLE_CAUSES or not finding.serials:
        return words.site_sentence(finding.cause)
    count = len(finding.serials)
    if count == 1:
        return words.capital(words.CAUSES[finding.cause].one)
    return f"{words.counted(count, 'unit')}: {words.CAUSES[finding.cause].phrase(count)}"


def _scope(finding: Finding) -> str:
    parts = [_("roof plane “%(plane)s”") % {"plane": finding.plane}] if finding.plane else []
    parts += [_("branch circuit “%(branch)s”") % {"branch": finding.branch}] if finding.branch else []
    return ", ".join(parts)


def _facts(finding: Finding, zone: ZoneInfo) -> tuple[tuple[str, str], ...]:
    annual_wh = None if finding.annual_loss_kwh is None else 1000 * finding.annual_loss_kwh
    facts = (
        (_("Confidence"), words.confidence(finding.confidence)),
        (_("First seen"), words.moment(finding.first_seen, zone)),
        (_("Last seen"), words.moment(finding.last_seen, zone)),
        (_("Lost in the window"), words.energy(finding.lost_wh)),
        (_("Lost in a year"), words.energy(annual_wh)),
    )
    return tuple((name, value) for name, value in facts if value != words.EN_DASH)


def _place(serial: str, site: Site) -> UnitPlace:
    unit = next((u for u in site.units if u.serial == serial), None)
    if unit is None:
        return UnitPlace(serial, _("not on the record"), known=False)
    return UnitPlace(serial, words.position(unit.plane, unit.row, unit.column), known=True)
