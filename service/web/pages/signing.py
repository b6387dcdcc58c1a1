"""Signing in and out."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy import Engine

from service.report.language import gettext as _
from service.report.language import marked
from service.store import tries
from service.store.accounts import check_password
from service.store.database import reading
from service.web.pages.render import page
from service.web.session import (
    FromOurPage,
    end_session,
    safe_next,
    sign_in_limits,
    start_session,
    visitor,
)

router = APIRouter(include_in_schema=False)
Text = Annotated[str, Form()]

MISSING = marked("Give both the name and the password.")
WRONG = marked("Name and password do not fit each other. Check both; capitals count.")
TOO_OFTEN = marked("Too many tries. Wait five minutes, then try again.")


@router.get("/sign-in")
def sign_in_form(request: Request, next: str = "/") -> Response:  # noqa: A002 - the query's name
    """Show the form, or go on where somebody is signed in already."""
    if visitor(request) is not None:
        return RedirectResponse(safe_next(next), 303)
    return _form(request, 200, safe_next(next))


@router.post("/sign-in", dependencies=[FromOurPage])
def sign_in(request: Request, name: Text = "", password: Text = "", next: Text = "/") -> Response:  # noqa: A002
    """Sign in and go on, or show the form again with what was typed, the password left out."""
    target = safe_next(next)
    if not name.strip() or not password:
        return _form(request, 422, target, name, MISSING)
    engine: Engine = request.app.state.engine
    limits = sign_in_limits(request, name)
    if not tries.may_try(engine, limits):
        return _form(request, 429, target, name, TOO_OFTEN)
    with reading(engine) as session:
        user = check_password(session, name, password)
    if user is None:
        return _form(request, 401, target, name, WRONG)
    tries.worked(engine, limits)
    response = RedirectResponse(target, 303)
    start_session(response, user, request)
    return response


@router.post("/sign-out", dependencies=[FromOurPage])
def sign_out() -> Response:
    """Sign out."""
    response = RedirectResponse("/sign-in", 303)
    end_session(response)
    return response


def _form(request: Request, status: int, target: str, name: str = "", problem: str = "") -> Response:
    said = _(problem) if problem else ""
    response = page(request, "shared/sign_in.html", status=status, next=target, name=name, problem=said)
    if status == 429:
        response.headers["Retry-After"] = "300"
    return response
