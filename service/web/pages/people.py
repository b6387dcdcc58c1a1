"""People, for the office: who there is, inviting, roles, sites, shutting an account and letting somebody back in."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Form, HTTPException, Path, Request
from fastapi.responses import RedirectResponse, Response
from sqlmodel import Session

from service.store import accounts, assignments, password_links, people, sites
from service.store.accounts import AccountError
from service.store.database import reading, writing
from service.store.tables import User
from service.web.pages.addresses import own_address
from service.web.pages.lookup import stored
from service.web.pages.people_view import person, said
from service.web.pages.render import page
from service.web.session import FromOurPage, Office, end_flash, flash, flashed

router = APIRouter(include_in_schema=False)

Text = Annotated[str, Form(max_length=1000)]
SiteIds = Annotated[list[str], Form(max_length=10_000)]
AccountId = Annotated[int, Path(ge=1, le=2**31 - 1)]
AccountField = Annotated[int, Form(ge=1, le=2**31 - 1)]


@dataclass(frozen=True)
class Seers:
    """The installers who see a site, those who do not, and what went wrong with the last click."""

    own: list[User]
    others: list[User]
    problem: str


def seers_of(request: Request, site_id: str, handed_over: Mapping[str, str]) -> Seers:
    """Return who sees the site beside the office."""
    with reading(request.app.state.engine) as session:
        own = assignments.people_of(session, site_id)
        known = {user.id for user in own}
        others = [user for user in accounts.installers(session) if user.id not in known]
    return Seers(own, others, handed_over.get("people_problem", ""))


@router.get("/people")
def everybody(request: Request, _: Office) -> Response:
    """List the accounts, and ask whom to invite."""
    return _list(request, 200)


@router.post("/people", dependencies=[FromOurPage])
def invite(
    request: Request, office: Office, name: Text = "", role: Text = "", site: SiteIds | None = None
) -> Response:
    """Invite somebody; the link is shown once, on the person's page."""
    own = site or [] if role == "installer" else []
    try:
        with writing(request.app.state.engine) as session:
            user, token = people.invite(session, office.name, name, role, own)
    except AccountError as error:
        return _list(request, 422, name=name, role=role, chosen=own, problem=said(error))
    return _with_link(request, user.key, token)


@router.get("/people/{account_id}")
def one_person(request: Request, account_id: AccountId, _: Office) -> Response:
    """Show somebody's account and what can be done with it."""
    return _person(request, account_id, 200)


@router.post("/people/{account_id}/link", dependencies=[FromOurPage])
def make_link(request: Request, account_id: AccountId, office: Office) -> Response:
    """Make a link by which the person sets a new password; it is shown once."""
    try:
        with writing(request.app.state.engine) as session:
            token = people.give_link(session, office.name, _held(session, account_id))
    except AccountError as error:
        return _person(request, account_id, 422, said(error))
    return _with_link(request, account_id, token)


@router.post("/people/{account_id}/role", dependencies=[FromOurPage])
def change_role(request: Request, account_id: AccountId, office: Office, role: Text = "") -> Response:
    """Give the person another role."""
    return _changed(request, account_id, lambda s, user: people.set_role(s, office.name, user, role))


@router.post("/people/{account_id}/disable", dependencies=[FromOurPage])
def disable(request: Request, account_id: AccountId, office: Office) -> Response:
    """Shut the account."""
    return _changed(request, account_id, lambda s, user: people.disable(s, office.name, user))


@router.post("/people/{account_id}/enable", dependencies=[FromOurPage])
def enable(request: Request, account_id: AccountId, office: Office) -> Response:
    """Open the account again."""
    return _changed(request, account_id, lambda s, user: people.enable(s, office.name, user))


@router.post("/people/{account_id}/sites", dependencies=[FromOurPage])
def assign(request: Request, account_id: AccountId, office: Office, site: Text = "") -> Response:
    """Let the person see a site."""
    return _changed(request, account_id, lambda s, user: people.assign(s, office.name, site, user))


@router.post("/people/{account_id}/sites/take-away", dependencies=[FromOurPage])
def take_away(request: Request, account_id: AccountId, office: Office, site: Text = "") -> Response:
    """Hide a site from the person."""
    return _changed(request, account_id, lambda s, user: people.take_away(s, office.name, site, user))


@router.post("/sites/{site_id}/people", dependencies=[FromOurPage])
def assign_here(request: Request, site_id: str, office: Office, account: AccountField) -> Response:
    """Let somebody see this site."""
    return _changed_here(request, site_id, account, office, people.assign)


@router.post("/sites/{site_id}/people/take-away", dependencies=[FromOurPage])
def take_away_here(request: Request, site_id: str, office: Office, account: AccountField) -> Response:
    """Hide this site from somebody."""
    return _changed_here(request, site_id, account, office, people.take_away)


def _held(session: Session, account_id: int) -> User:
    user = session.get(User, account_id)
    if user is None:
        raise HTTPException(404)
    return user


def _changed(request: Request, account_id: int, change: Callable[[Session, User], None]) -> Response:
    try:
        with writing(request.app.state.engine) as session:
            change(session, _held(session, account_id))
    except AccountError as error:
        return _person(request, account_id, 422, said(error))
    return RedirectResponse(f"/people/{account_id}", 303)


def _changed_here(
    request: Request,
    site_id: str,
    account_id: int,
    office: User,
    change: Callable[[Session, str, str, User], None],
) -> Response:
    response = RedirectResponse(f"/sites/{site_id}#people", 303)
    with writing(request.app.state.engine) as session:
        stored(request, session, site_id)
        try:
            change(session, office.name, site_id, _held(session, account_id))
        except AccountError as error:
            flash(response, request, {"site": site_id, "people_problem": said(error)})
    return response


def _with_link(request: Request, account_id: int, token: str) -> Response:
    response = RedirectResponse(f"/people/{account_id}", 303)
    flash(response, request, {"person": str(account_id), "link": f"{own_address(request)}/password/{token}"})
    return response


def _list(
    request: Request,
    status: int,
    *,
    name: str = "",
    role: str = "installer",
    chosen: list[str] | None = None,
    problem: str = "",
) -> Response:
    with reading(request.app.state.engine) as session:
        own, ends = assignments.counts(session), password_links.ends_at(session)
        found = [person(u, own.get(u.key, 0), ends.get(u.key)) for u in accounts.everybody(session)]
        all_sites = sites.names(session)
    return page(
        request,
        "office/people.html",
        status=status,
        people=found,
        all_sites=all_sites,
        name=name,
        role=role,
        chosen=chosen or [],
        problem=problem,
    )


def _person(request: Request, account_id: int, status: int, problem: str = "") -> Response:
    with reading(request.app.state.engine) as session:
        user = _held(session, account_id)
        own = assignments.sites_of(session, user)
        known = {site.id for site in own}
        others = [(key, name) for key, name in sites.names(session) if key not in known]
        shown = person(user, len(own), password_links.ends_at(session).get(account_id))
    once = flashed(request)
    link = once.get("link", "") if once.get("person") == str(account_id) else ""
    response = page(
        request,
        "office/person.html",
        status=status,
        person=shown,
        is_installer=user.role == "installer",
        has_password=bool(user.password_hash),
        own=own,
        others=others,
        link=link,
        problem=problem,
    )
    if once:
        end_flash(response)
    return response
