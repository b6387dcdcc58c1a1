"""The short page for the roof: how many units are heard, one answer, and the units in the order of climbing."""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

from service.expect.site import Site
from service.report import words
from service.report.language import gettext as _
from service.report.totals import heard_count
from service.verify.result import Finding, Verification
from service.web.pages import view
from service.web.pages.not_yet import waiting_line
from service.web.pages.view import FindingView, Label


@dataclass(frozen=True)
class Job:
    """One unit to go to, and what to look at there."""

    serial: str
    place: str
    labels: tuple[Label, ...]
    advice: str


@dataclass(frozen=True)
class Climb:
    """What the page shows."""

    heard: int
    fitted: int
    state: str
    word: str
    sentence: str
    waiting: str
    last_heard: str
    ground: tuple[FindingView, ...]
    jobs: tuple[Job, ...]
    on_roof: bool
    on_mains: bool


def climb(found: Verification | None, site: Site) -> Climb:
    """Return the page's content; without readings it says what to wait for."""
    if found is None:
        sentence = _("No readings yet. Switch the branch circuits on and wait for the first ones to come in.")
        return Climb(0, len(site.units), "early", _("Too early"), sentence, "", "", (), (), False, False)
    state, word = _answer(found)
    faults = [f for f in found.findings if f.is_fault]
    jobs = _jobs(found, site)
    return Climb(
        heard=heard_count(found),
        fitted=len(found.units),
        state=state,
        word=word,
        sentence=view.lede(found) or f"{view.headline(found)}.",
        waiting=waiting_line(found),
        last_heard=words.moment(view.last_heard(found), ZoneInfo(site.timezone)),
        ground=tuple(view.finding_view(f, site) for f in faults if _from_the_ground(f, found)),
        jobs=jobs,
        on_roof=bool(jobs) or any(words.CAUSES[f.cause].care in ("roof", "both") for f in faults),
        on_mains=any(words.CAUSES[f.cause].care in ("mains", "both") for f in faults),
    )


def _answer(found: Verification) -> tuple[str, str]:
    if found.verdict == "verified":
        return "right", _("All right")
    if found.verdict == "too_little_light":
        return "early", _("Too early")
    return "look", _("Look at these")


def _from_the_ground(finding: Finding, found: Verification) -> bool:
    whole = finding in view.whole_findings(found)
    return whole or words.CAUSES[finding.cause].place != "roof"


def _jobs(found: Verification, site: Site) -> tuple[Job, ...]:
    wanted = view.units_to_look_at(found)
    lines = [line for line in view.unit_lines(found) if line.serial in wanted]
    first = _first_findings(found)
    return tuple(
        Job(line.serial, line.place, line.labels, _advice(first[line.serial], found))
        for line in view.climbing_order(lines, found, site)
    )


def _advice(finding: Finding, found: Verification) -> str:
    return "" if _from_the_ground(finding, found) else finding.advice  # else it stands on the page already


def _first_findings(found: Verification) -> dict[str, Finding]:
    first: dict[str, Finding] = {}
    for finding in found.findings:
        if finding.is_fault and finding.cause not in view.WHOLE_CAUSES:
            for serial in view.serials_of(finding, found):
                first.setdefault(serial, finding)
    return first
