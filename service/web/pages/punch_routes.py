"""Routes of the punch list: one site's, that of all sites, as a file, and who is given what."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Form, HTTPException, Path, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlmodel import Session, col, select

from service.jobs.punch_list import findings_by_subject
from service.report.language import gettext as _
from service.report.language import marked
from service.store import assignments, punch
from service.store.accounts import can_sign_in
from service.store.assignments import seen_by
from service.store.database import reading, writing
from service.store.tables import User
from service.web.pages.lookup import Shown, find, stored
from service.web.pages.punch_view import OPEN, PAGE_LENGTH, Asked, as_csv, overview, site_list
from service.web.pages.render import page
from service.web.pages.visit import Marks
from service.web.session import FromOurPage, SignedIn, office_only

router = APIRouter(include_in_schema=False)

Number = Annotated[int, Path(ge=1, le=10**9)]
Text = Annotated[str, Form(max_length=40)]
LINES_IN_A_FILE = 10_000


def asked_for(
    state: Literal["open", "looked_at", "said_mended", "left", "closed", "all"] = OPEN,
    who: Annotated[int | None, Query(ge=1, le=2**31 - 1)] = None,
    number: Annotated[int, Query(alias="page", ge=1, le=100_000)] = 1,
) -> Asked:
    """Return what the list's address asks for."""
    return Asked(state, who, number)


AskedFor = Annotated[Asked, Depends(asked_for)]


@router.get("/punch")
def all_entries(request: Request, user: SignedIn, asked: AskedFor) -> HTMLResponse:
    """Show what is to be done on all sites, what is due soonest first."""
    with reading(request.app.state.engine) as session:
        found = _page(session, user, asked, offset=(asked.page - 1) * PAGE_LENGTH, limit=PAGE_LENGTH)
        people = list(session.scalars(select(User).where(can_sign_in()).order_by(col(User.name))))
    shown = people if user.role == "office" else [person for person in people if person.id == user.id]
    return page(
        request, "office/punch_all.html", list=overview(found, asked, shown, today=_today()), asked=asked
    )


@router.get("/punch.csv")
def all_entries_as_csv(request: Request, user: SignedIn, asked: AskedFor) -> Response:
    """Give the same entries, all pages of them, as a table."""
    with reading(request.app.state.engine) as session:
        found = _page(session, user, asked, offset=0, limit=LINES_IN_A_FILE)
    headers = {"Content-Disposition": 'attachment; filename="punch-list.csv"'}
    return Response(as_csv(found.lines), media_type="text/csv; charset=utf-8", headers=headers)


@router.get("/sites/{site_id}/punch")
def one_list(request: Request, site_id: str, user: SignedIn) -> HTMLResponse:
    """Show one site's list: who, what, done when, and the proof."""
    return _one(request, find(request, site_id), user)


@router.post("/sites/{site_id}/punch/{number}/give", dependencies=[FromOurPage])
def give(
    request: Request, site_id: str, number: Number, user: SignedIn, to: Text = "", due_on: Text = ""
) -> Response:
    """Give an entry to somebody, until some day."""
    office_only(user)
    site = find(request, site_id)
    due = _day(due_on)
    if due_on and due is None:
        return _one(request, site, user, problem=_(DUE_WRONG), at=number, status=422)
    with writing(request.app.state.engine) as session:
        stored(request, session, site_id, to_change=True)
        entry = punch.find(session, site_id, number)
        person = next((p for p in _people(session, site_id) if str(p.id) == to), None)
        if entry is None:
            raise HTTPException(404)
        if to and person is None:
            return _one(request, site, user, problem=_(NOBODY), at=number, status=422)
        punch.give(session, entry, person, due, user.name)
    return RedirectResponse(f"{site.href}/punch#no-{number}", 303)


DUE_WRONG = marked("The day must be a date as year-month-day, such as 2026-05-04.")
NOBODY = marked(
    "That account cannot see this site any more; choose another one, or assign the site to it first."
)


def _one(
    request: Request, site: Shown, user: User, *, problem: str = "", at: int = 0, status: int = 200
) -> HTMLResponse:
    with reading(request.app.state.engine) as session:
        entries, steps = punch.of_site(session, site.site_id), punch.steps(session, site.site_id)
        people = _people(session, site.site_id)
        names = {p.key: p.name for p in session.scalars(select(User))}
    known = {entry.subject for entry in entries}
    shown = site_list(
        site.record,
        site.href,
        entries,
        steps,
        Marks(site, entries, steps),
        names,
        today=datetime.now(site.zone).date(),
        open_findings=sum(subject not in known for subject in findings_by_subject(site.found)),
    )
    return page(
        request, "office/punch.html", status=status, site=site, list=shown, people=people,
        is_office=user.role == "office", problem=problem, problem_at=at,
    )  # fmt: skip


def _page(session: Session, user: User, asked: Asked, *, offset: int, limit: int) -> punch.Page:
    return punch.page(
        session, states=asked.states, given_to=asked.who, seen=seen_by(user), offset=offset, limit=limit
    )


def _people(session: Session, site_id: str) -> list[User]:
    """Return to whom an entry of the site can be given: the office, and the site's installers."""
    office = session.scalars(
        select(User).where(col(User.role) == "office", can_sign_in()).order_by(col(User.name))
    )
    installers = [
        p for p in assignments.people_of(session, site_id) if p.role != "office" and p.disabled_at is None
    ]
    return [*installers, *office]


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def _today() -> date:
    return datetime.now(UTC).date()
