"""The short page for the roof: how many units are heard, one answer, and the work in the order of climbing.

What can be looked at from the ground comes first, then each roof plane with its units by row and place, numbered as on
its map. What was done about each is in `visit`. Pure functions.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

from service.expect.site import Site
from service.jobs.punch_list import subject_of, unit_subject
from service.report import words
from service.report.language import gettext as _
from service.report.language import ngettext
from service.report.sentences import say
from service.report.totals import heard_count
from service.verify.result import Finding, Sky, Verification
from service.web.pages import view
from service.web.pages.not_yet import waiting_line
from service.web.pages.plan import PlanePlan, plans
from service.web.pages.roof_map import RoofMap, places, roof_map
from service.web.pages.view import FindingView, Label, UnitLine
from service.web.pages.visit import MarkView

LAST_IN_MINUTES = 90
"""Waiting is told in minutes up to this, in half hours beyond."""


@dataclass(frozen=True)
class Ground:
    """Something to look at before climbing; `subject` is whom a mark concerns, empty where a job takes it."""

    finding: FindingView
    subject: str


@dataclass(frozen=True)
class Job:
    """One unit to go to, and what to look at there."""

    number: int
    serial: str
    place: str
    labels: tuple[Label, ...]
    advice: str
    subject: str
    is_shared: bool
    """Whether a mark here counts for more than this unit."""


@dataclass(frozen=True)
class Leg:
    """The part of the climb on one roof plane; without a map where no unit of the plane has a place on it."""

    plane: str
    map: RoofMap | None
    jobs: tuple[Job, ...]


@dataclass(frozen=True)
class Climb:
    """What the page shows."""

    heard: int
    fitted: int
    state: str
    word: str
    sentence: str
    waiting: str = ""
    last_heard: str = ""
    ground: tuple[Ground, ...] = ()
    legs: tuple[Leg, ...] = ()
    on_roof: bool = False
    on_mains: bool = False

    @property
    def subjects(self) -> set[str]:
        """Return whom the marks on the page concern."""
        jobs = (job.subject for leg in self.legs for job in leg.jobs)
        return {*jobs, *(item.subject for item in self.ground)} - {""}


def climb(found: Verification | None, site: Site) -> Climb:
    """Return the page's content; without readings it says what to wait for."""
    if found is None:
        sentence = _("No readings yet. Switch the branch circuits on and wait for the first ones to come in.")
        return Climb(0, len(site.units), "early", _("Too early: no readings yet"), sentence)
    state, word = _answer(found)
    faults = [f for f in found.findings if f.is_fault]
    legs = _legs(found, site)
    return Climb(
        heard=heard_count(found),
        fitted=len(found.units),
        state=state,
        word=word,
        sentence=view.lede(found) or f"{view.headline(found)}.",
        waiting=waiting_line(found),
        last_heard=words.moment(view.last_heard(found), ZoneInfo(site.timezone)),
        ground=_ground(faults, found, site, {job.serial for leg in legs for job in leg.jobs}),
        legs=legs,
        on_roof=bool(legs) or any(words.CAUSES[f.cause].care in ("roof", "both") for f in faults),
        on_mains=any(words.CAUSES[f.cause].care in ("mains", "both") for f in faults),
    )


def after_marks(shown: Climb, marks: Sequence[MarkView]) -> Climb:
    """Return the answer as it is once the marks of the page's subjects are counted: what is mended needs no look."""
    mended = [mark for mark in marks if mark.settled]
    if shown.state != "look" or not mended:
        return shown
    if len(mended) < len(marks):
        text = ngettext(
            "%(num)s of %(count)s is mended or said to be.",
            "%(num)s of %(count)s are mended or said to be.",
            len(mended),
        )
        progress = text % {"num": words.number(len(mended)), "count": words.number(len(marks))}
        return replace(shown, sentence=f"{shown.sentence} {progress}")
    if all(mark.state == "closed" for mark in mended):
        sentence = _("The readings since then show it. What was found before stands below.")
        return replace(
            shown, state="right", word=_("All right: what was mended is proven"), sentence=sentence
        )
    return replace(shown, state="early", word=_("Too early: what was mended waits for light to prove it"))


def _answer(found: Verification) -> tuple[str, str]:
    if found.verdict == "verified":
        return "right", _("All right")
    if found.verdict == "too_little_light":
        return "early", too_early(found.sky)
    found_faults = any(f.is_fault for f in found.findings)
    return "look", _("Look at these") if found_faults else _("Look at this site")


def too_early(sky: Sky) -> str:
    """Return for how long it is too early."""
    minutes = sky.more_minutes
    if minutes is None:
        return _("Too early: more light is needed")
    if minutes <= LAST_IN_MINUTES:
        text = ngettext(
            "Too early: about %(num)s more minute of light",
            "Too early: about %(num)s more minutes of light",
            round(minutes),
        )
        return text % {"num": words.number(minutes)}
    hours = words.short_number(round(minutes / 30) / 2)
    return _("Too early: about %(hours)s more hours of light") % {"hours": hours}


def _from_the_ground(finding: Finding, found: Verification) -> bool:
    return words.CAUSES[finding.cause].place != "roof" or view.is_whole(finding, found)


def _ground(
    faults: Sequence[Finding], found: Verification, site: Site, at_jobs: Collection[str]
) -> tuple[Ground, ...]:
    """Return what is looked at from the ground; what one unit has is marked at its job, if there is one."""
    marked_there = {unit_subject(serial) for serial in at_jobs}
    shown = [(f, subject_of(f)) for f in faults if _from_the_ground(f, found)]
    return tuple(Ground(view.finding_view(f, site), "" if s in marked_there else s) for f, s in shown)


def _legs(found: Verification, site: Site) -> tuple[Leg, ...]:
    """Return the climb, the planes in the order of the record; the numbers run through all of it."""
    jobs = _jobs(found, site)
    by_plane: dict[str, list[Job]] = {}
    for unit, job in jobs:
        by_plane.setdefault(unit, []).append(job)
    drawn = {plan.name: plan for plan in plans(site, None) if plan.rows}
    return tuple(Leg(plane, _map(drawn.get(plane), own), tuple(own)) for plane, own in by_plane.items())


def _map(plan: PlanePlan | None, jobs: list[Job]) -> RoofMap | None:
    return roof_map(plan, {job.serial: job.number for job in jobs}) if plan else None


def _jobs(found: Verification, site: Site) -> Iterator[tuple[str, Job]]:
    """Give each unit to climb to with its plane: not those that wait for the board or the desk alone."""
    first, where = _first_findings(found), places(site)
    climbed = {s for s, finding in first.items() if words.CAUSES[finding.cause].care in ("roof", "both")}
    lines = [view.unit_line(unit, found) for unit in found.units if unit.serial in climbed]
    planes = {unit.serial: unit.plane for unit in found.units}
    for number, line in enumerate(view.climbing_order(lines, found, site), start=1):
        yield planes[line.serial], _job(number, line, where, first[line.serial], found)


def _job(number: int, line: UnitLine, where: Mapping[str, str], finding: Finding, found: Verification) -> Job:
    place, own = where.get(line.serial, line.place), unit_subject(line.serial)
    if _from_the_ground(finding, found):  # its advice stands on the page already
        advice = _("First what is listed under \u201cFrom the ground first\u201d.")
        return Job(number, line.serial, place, line.labels, advice, own, is_shared=False)
    subject = subject_of(finding)
    return Job(
        number, line.serial, place, line.labels, say(finding.advice), subject, is_shared=subject != own
    )


def _first_findings(found: Verification) -> dict[str, Finding]:
    first: dict[str, Finding] = {}
    for finding in found.findings:
        if finding.is_fault and finding.cause not in view.WHOLE_CAUSES:
            for serial in view.serials_of(finding, found):
                first.setdefault(serial, finding)
    return first
