"""One's own account: the password, and signing out everywhere; and the page behind a link that sets a password."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy import Engine

from service.report.deeds import in_words
from service.report.language import gettext as _
from service.store import password_links, people, tries
from service.store.accounts import AccountError
from service.store.database import reading, writing
from service.store.tables import User
from service.web.pages.people_view import said
from service.web.pages.render import page
from service.web.session import (
    TRIES_AT_A_NAME,
    FromOurPage,
    SignedIn,
    end_flash,
    end_session,
    flash,
    flashed,
    start_session,
)

router = APIRouter(include_in_schema=False)

Password = Annotated[str, Form(max_length=2000)]


@router.get("/account")
def own_account(request: Request, user: SignedIn) -> Response:
    """Show one's own account."""
    once = flashed(request)
    response = _account(request, user, 200, done=bool(once.get("password_changed")))
    if once:
        end_flash(response)
    return response


@router.post("/account/password", dependencies=[FromOurPage])
def change_password(
    request: Request, user: SignedIn, old: Password = "", new: Password = "", again: Password = ""
) -> Response:
    """Change one's own password, which ends one's other sessions."""
    engine: Engine = request.app.state.engine
    limit = {f"password of account {user.id}": TRIES_AT_A_NAME}
    if new != again:
        return _account(request, user, 422, problem=_unequal())
    if not tries.may_try(engine, limit):
        return _account(request, user, 429, problem=_("Too many tries. Wait five minutes, then try again."))
    try:
        with writing(engine) as session:
            changed = session.get_one(User, user.id)
            people.change_own_password(session, changed, old, new)
    except AccountError as error:
        return _account(request, user, 422, problem=said(error))
    tries.worked(engine, limit)
    response = RedirectResponse("/account", 303)
    start_session(response, changed, request)
    flash(response, request, {"password_changed": "yes"})
    return response


@router.post("/account/sign-out-everywhere", dependencies=[FromOurPage])
def sign_out_everywhere(request: Request, user: SignedIn) -> Response:
    """End all of one's sessions, this one too."""
    with writing(request.app.state.engine) as session:
        people.sign_out_everywhere(session, session.get_one(User, user.id))
    response = RedirectResponse("/", 303)
    end_session(response)
    return response


@router.get("/password/{invitation}")
def password_form(request: Request, invitation: str) -> Response:
    """Ask for the password that the link sets; looking uses nothing up."""
    return _by_link(request, invitation, 200)


@router.post("/password/{invitation}", dependencies=[FromOurPage])
def set_password(request: Request, invitation: str, new: Password = "", again: Password = "") -> Response:
    """Set the password by the link, once, and sign in."""
    if new != again:
        return _by_link(request, invitation, 422, _unequal())
    try:
        with writing(request.app.state.engine) as session:
            user = people.follow_link(session, invitation, new)
    except AccountError as error:
        return _by_link(request, invitation, 422, said(error))
    if user is None:
        return _by_link(request, invitation, 404)
    response = RedirectResponse("/", 303)
    start_session(response, user, request)
    return response


def _unequal() -> str:
    return _("The two new passwords differ; type the same twice.")


def _account(request: Request, user: User, status: int, *, problem: str = "", done: bool = False) -> Response:
    role = in_words(user.role)
    return page(request, "shared/account.html", status=status, role=role, problem=problem, done=done)


def _by_link(request: Request, token: str, status: int, problem: str = "") -> Response:
    with reading(request.app.state.engine) as session:
        user = password_links.holder(session, token)
    response = page(
        request,
        "shared/password.html",
        status=status if user else 404,
        name=user.name if user else "",
        is_new=user is not None and not user.password_hash,
        token=token,
        problem=problem,
    )
    # Not "no-referrer": a browser would send "Origin: null" with the form. The address leaves for no other site.
    response.headers.update({"X-Robots-Tag": "noindex, nofollow", "Cache-Control": "private, no-store"})
    return response
