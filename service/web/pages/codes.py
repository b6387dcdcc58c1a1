"""From a job sheet to its site: by the code that is typed, or by the short link in the QR code.

A code is no secret and opens nothing: whoever follows it signs in first and must be allowed to see the site.
"""

from __future__ import annotations

import re

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from service.report.language import gettext as _
from service.store import sites, tries
from service.store.assignments import may_see
from service.store.database import reading
from service.store.tables import User
from service.store.tokens import CODE_LENGTH, ID_LETTERS
from service.web.pages.render import page
from service.web.session import SignedIn

router = APIRouter(include_in_schema=False)

TRIES = 20
"""Wrong codes that one account may try in the window: many for a hurried thumb, few for going through all of them."""

CODE = re.compile(f"[{ID_LETTERS}]{{{CODE_LENGTH}}}")


@router.get("/go")
def code_form(request: Request, user: SignedIn, code: str = "") -> Response:
    """Ask for the code on the job sheet, or go to its site."""
    if not code.strip():
        return page(request, "van/go.html", code="", problem="")
    return _to_site(request, user, code)


@router.get("/s/{code}")
def short_link(request: Request, user: SignedIn, code: str) -> Response:
    """Go to the site that the QR code on a job sheet leads to."""
    return _to_site(request, user, code)


def as_typed(code: str) -> str:
    """Return a code as it is kept: small letters, without the gap in its middle."""
    return re.sub(r"[\s-]+", "", code[:100]).lower()


def in_groups(code: str) -> str:
    """Return a code as it is printed: in two halves, which are easier to read off."""
    return f"{code[: CODE_LENGTH // 2]} {code[CODE_LENGTH // 2 :]}"


def _to_site(request: Request, user: User, typed: str) -> Response:
    engine, caller = request.app.state.engine, f"code {user.id}"
    if not tries.is_open(engine, caller, TRIES):
        return _refusal(request, 429, typed, _("Too many wrong codes. Wait five minutes, then try again."))
    site_id = _site_of(request, user, as_typed(typed))
    if site_id is None:
        tries.failed(engine, caller)
        return _refusal(request, 404, typed, _problem(typed))
    return RedirectResponse(f"/sites/{site_id}/van", 303)


def _site_of(request: Request, user: User, code: str) -> str | None:
    """Return the id of the site of that code, if there is one that the person may see."""
    if not CODE.fullmatch(code):
        return None
    with reading(request.app.state.engine) as session:
        site = sites.by_code(session, code)
        return site.id if site is not None and may_see(session, user, site.id) else None


def _problem(typed: str) -> str:
    if not CODE.fullmatch(as_typed(typed)):
        return _(
            "A code has %(count)s letters and digits and never an i, l, o, 0 or 1. Read it again off the job sheet."
        ) % {"count": CODE_LENGTH}
    return _(
        "No site that is open to you has this code. Read it again off the job sheet; if it is right, ask the office "
        "to give you the site."
    )


def _refusal(request: Request, status: int, typed: str, problem: str) -> Response:
    response = page(request, "van/go.html", status=status, code=typed[:40], problem=problem)
    if status == 429:
        response.headers["Retry-After"] = str(int(tries.WINDOW.total_seconds()))
    return response
