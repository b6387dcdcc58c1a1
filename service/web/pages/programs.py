"""API tokens, for the office: which there are, making one, ending one."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, HTTPException, Path, Request
from fastapi.responses import RedirectResponse, Response

from service.store import accounts, people, sites
from service.store.accounts import AccountError
from service.store.database import reading, writing
from service.store.tables import ApiToken
from service.web.pages.people_view import said, token
from service.web.pages.render import page
from service.web.session import FromOurPage, Office, end_flash, flash, flashed

router = APIRouter(include_in_schema=False)

Text = Annotated[str, Form(max_length=1000)]
TokenId = Annotated[int, Path(ge=1, le=2**31 - 1)]


@router.get("/tokens")
def all_tokens(request: Request, _: Office) -> Response:
    """List the tokens that are good, and show one that was just made."""
    once = flashed(request)
    response = _list(request, 200, fresh=once.get("token", ""))
    if once:
        end_flash(response)
    return response


@router.post("/tokens", dependencies=[FromOurPage])
def make_token(
    request: Request, office: Office, name: Text = "", site: Text = "", may: Text = "read"
) -> Response:
    """Make a token; it is shown once, on the next page."""
    try:
        with writing(request.app.state.engine) as session:
            made = people.make_token(
                session, office.name, name, site_id=site or None, read_only=may != "write"
            )
    except AccountError as error:
        return _list(request, 422, name=name, site=site, may=may, problem=said(error))
    response = RedirectResponse("/tokens", 303)
    flash(response, request, {"token": made})
    return response


@router.post("/tokens/{token_id}/end", dependencies=[FromOurPage])
def end_token(request: Request, token_id: TokenId, office: Office) -> Response:
    """End a token; again is no fault."""
    with writing(request.app.state.engine) as session:
        found = session.get(ApiToken, token_id)
        if found is None:
            raise HTTPException(404)
        if found.revoked_at is None:
            people.revoke_token(session, office.name, found)
    return RedirectResponse("/tokens", 303)


def _list(
    request: Request,
    status: int,
    *,
    name: str = "",
    site: str = "",
    may: str = "write",
    fresh: str = "",
    problem: str = "",
) -> Response:
    with reading(request.app.state.engine) as session:
        all_sites = sites.names(session)
        found = [token(one, dict(all_sites)) for one in accounts.valid_tokens(session)]
    return page(
        request,
        "office/tokens.html",
        status=status,
        tokens=found,
        all_sites=all_sites,
        name=name,
        site=site,
        may=may,
        fresh=fresh,
        problem=problem,
    )
