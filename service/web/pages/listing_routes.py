"""The list of sites as a page and as files: parse what the address asks for, look it up, show it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import HTMLResponse, Response
from sqlalchemy import Engine
from sqlmodel import Session

from service.jobs.verification import MADE_BY
from service.report.language import gettext as _
from service.store import accounts, overview
from service.store.database import reading
from service.store.overview import Order, State
from service.store.tables import User
from service.web.pages.files import Sheet, sheet
from service.web.pages.listing import PAGE_LENGTH, Asked, Punch, Scope, listing, sites_table
from service.web.pages.render import page
from service.web.session import SignedIn

router = APIRouter(include_in_schema=False)


def asked_for(
    week: Scope = "first",
    q: Annotated[str, Query(max_length=200)] = "",
    state: State | Literal[""] = "",
    sort: Order = "lost",
    punch: Punch = "any",
    number: Annotated[int, Query(alias="page", ge=1, le=100_000)] = 1,
) -> Asked:
    """Return what the list's address asks for."""
    return Asked(week, q, state or None, sort, punch, number)


AskedFor = Annotated[Asked, Depends(asked_for)]


@router.get("/")
def all_sites(request: Request, user: SignedIn, asked: AskedFor) -> HTMLResponse:
    """Show the sites in their first week, the largest loss first."""
    now = datetime.now(UTC)
    with reading(request.app.state.engine) as session:
        found, shown = _found(session, asked, user, now)
        ask = accounts.office_names(session)
    is_office = user.role == "office"
    view = listing(found, shown, now=now, for_van=not is_office, is_instead=shown != asked)
    return page(request, "office/sites.html", list=view, asked=shown, is_office=is_office, ask=ask)


@router.get("/sites.{form}")
def sites_file(request: Request, user: SignedIn, asked: AskedFor, form: Sheet) -> Response:
    """Give all sites of the list as a file, row by row as they are read."""
    now = datetime.now(UTC)
    lines = _every_line(request.app.state.engine, asked.wanted(user, now))
    return sheet(sites_table(lines, now), form, _("sites"))


def _every_line(engine: Engine, wanted: overview.Wanted) -> Iterator[overview.Line]:
    with reading(engine) as session:
        yield from overview.every_line(session, wanted, made_by=MADE_BY)


def _found(session: Session, asked: Asked, user: User, now: datetime) -> tuple[overview.Page, Asked]:
    """Return a page of the sites asked for, and what it shows: every site where none is in its first week."""
    offset = (asked.page - 1) * PAGE_LENGTH
    found = overview.page(session, asked.wanted(user, now), offset=offset, limit=PAGE_LENGTH, made_by=MADE_BY)
    if asked.week == "all" or any(found.counts.values()):
        return found, asked
    return _found(session, replace(asked, week="all"), user, now)
