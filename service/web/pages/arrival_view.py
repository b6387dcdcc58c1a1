"""What came in, on a site's page in a few lines and on a page of its own with every unit's days."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import HTMLResponse

from service.jobs.verification import current_quality
from service.quality.model import Finding, Touch
from service.report import words
from service.report.arrival import Told, complete, told, unsaid
from service.web.pages.lookup import Shown, find
from service.web.pages.render import page
from service.web.session import SignedIn

router = APIRouter(include_in_schema=False)

SHORT = 3
MOST_LINES = 200
EPOCH = date(1970, 1, 1)


@dataclass(frozen=True)
class Line:
    """A unit's days that a finding touches, one line each."""

    day: str
    serial: str
    values: str
    energy: str


@dataclass(frozen=True)
class Entry:
    """A finding with the days that it touches; `more` lines are not listed."""

    told: Told
    lines: list[Line]
    more: int


@dataclass(frozen=True)
class ArrivalView:
    """What came in, in short: the worst findings first, and how many more there are."""

    complete: str
    worst: list[Told]
    more: int


def arrival_view(request: Request, site: Shown) -> ArrivalView | None:
    """Return what the site's page says of its readings; None before there are any."""
    quality = current_quality(request.app.state.engine, site.site_id) if site.found else None
    if quality is None or site.found is None:
        return None
    findings = unsaid(quality, site.found)
    worst = [told(finding, site.zone) for finding in findings[:SHORT]]
    return ArrivalView(complete(quality), worst, len(findings) - len(worst))


@router.get("/sites/{site_id}/quality")
def what_came_in(request: Request, site_id: str, _: SignedIn) -> HTMLResponse:
    """Show all that is the matter with the readings of the site's window."""
    site = find(request, site_id)
    quality = current_quality(request.app.state.engine, site_id)
    if quality is None:
        raise HTTPException(404)
    return page(
        request,
        "office/quality.html",
        site=site,
        complete=complete(quality),
        window=words.span(quality.start, quality.end, site.zone),
        findings=[_entry(finding, site) for finding in quality.findings],
    )


def _entry(finding: Finding, site: Shown) -> Entry:
    listed = finding.touches[:MOST_LINES]
    lines = [_line(touch) for touch in listed]
    return Entry(told(finding, site.zone), lines, len(finding.touches) - len(listed))


def _line(touch: Touch) -> Line:
    day = EPOCH + timedelta(days=touch.day)
    return Line(words.short_day(day), touch.serial, words.number(touch.values), words.energy(touch.energy_wh))
