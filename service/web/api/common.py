"""What the API's routes share: the engine, the body, the window, the site."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Header, Path, Query, Request, Security
from fastapi.security import HTTPBearer
from sqlalchemy import Engine
from sqlmodel import Session

from service.intake import fields
from service.intake.json_form import parse_json
from service.intake.parse import JSON_TYPE, UnknownFormat, media_type
from service.intake.problems import FieldError, Refused, field_path, unknown_field
from service.intake.take import NoSuchSite
from service.store import sites
from service.store.grids import moment
from service.store.tables import ApiToken, Site
from service.web.errors import PROBLEM_TYPE, Problem

PREFIX = "/api/v1"
LONGEST_WINDOW = timedelta(days=400)

_SITE_ID = re.compile(r"[A-Za-z0-9_-]{1,32}")
_SPACE_FOR_PLUS = re.compile(r" (?=\d\d:?\d\d$)")


# The gate has checked the token before; this says in the API's description that there is one.
_described = Security(HTTPBearer(auto_error=False, description="An API token."))


def api_router(tag: str) -> APIRouter:
    """Return a router for the contract's paths."""
    return APIRouter(prefix=PREFIX, tags=[tag], dependencies=[_described])


def problems(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """Return the answers other than success for a route's description."""
    content = {PROBLEM_TYPE: {"schema": {"$ref": f"#/components/schemas/{Problem.__name__}"}}}
    words = {
        401: "No valid token.",
        403: "The token is not good for this.",
        404: "There is no such thing.",
        409: "It does not go with what is held by now; nothing was changed.",
        406: "None of the formats asked for is given.",
        413: "The body is too large.",
        415: "The body's content type is none that is read.",
        422: "The input was refused; nothing was kept.",
        429: "Too many unknown tokens from this address.",
    }
    return {
        status: {"description": words[status], "content": content}
        for status in (401, 403, 422, 429, *statuses)
    }


def only_query(*known: str) -> Any:
    """Return a dependency that refuses other parameters: a mistyped 'start' must not mean another window."""

    def refuse_others(request: Request) -> None:
        names = [name for name in request.query_params if name not in known]
        fields.refuse([FieldError(field_path([name]), unknown_field(name, known)) for name in names])

    return Depends(refuse_others)


def _engine(request: Request) -> Engine:
    engine: Engine = request.app.state.engine
    return engine


async def _body(request: Request) -> bytes:
    return await request.body()


EngineDep = Annotated[Engine, Depends(_engine)]
BodyDep = Annotated[bytes, Depends(_body)]
ContentType = Annotated[str, Header(include_in_schema=False)]


def _token(request: Request) -> ApiToken:
    """Return the token of the program that asks; the gate has checked it before."""
    token: ApiToken = request.state.token
    return token


TokenDep = Annotated[ApiToken, Depends(_token)]


def _program(token: TokenDep) -> str:
    """Return the program that asks, by its token's name."""
    return f"token {token.name}"


def _source(
    token: TokenDep,
    named: Annotated[
        str,
        Header(
            alias="Yieldproof-Source",
            max_length=100,
            pattern=r"^[\x20-\x7e\xa0-\xff]*$",
            description="Names what sends, where several things send with one token.",
        ),
    ] = "",
) -> str:
    """Return from whom a batch came: the token, and what the program calls that which it reads."""
    return f"token {token.name}, {named.strip()}" if named.strip() else f"token {token.name}"


def _json_body(body: BodyDep, content_type: ContentType = "") -> Any:
    if media_type(content_type) != JSON_TYPE:
        raise UnknownFormat(JSON_TYPE)
    return parse_json(body)


def _site_id(site_id: Annotated[str, Path(description="The site's id.")]) -> str:
    if not _SITE_ID.fullmatch(site_id):
        raise NoSuchSite
    return site_id


JsonDep = Annotated[Any, Depends(_json_body)]
SiteId = Annotated[str, Depends(_site_id)]
Source = Annotated[str, Depends(_source)]
Program = Annotated[str, Depends(_program)]


def find_site(session: Session, site_id: str) -> Site:
    """Return the site; NoSuchSite if there is none."""
    site = sites.get(session, site_id)
    if site is None:
        raise NoSuchSite
    return site


@dataclass(frozen=True)
class Window:
    """A window asked for; None where left open."""

    start: datetime | None
    end: datetime | None

    def over(self, held: tuple[datetime, datetime]) -> tuple[datetime, datetime]:
        """Return the window with what is held in place of an open end; Refused if it is too long."""
        start, end = self.start or held[0], self.end or held[1]
        if end - start > LONGEST_WINDOW:
            raise Refused.one(
                "start", f"leads to more than {LONGEST_WINDOW.days} days; give a shorter window"
            )
        return start, end


Time = Annotated[
    str | None, Query(description="ISO 8601 with an offset.", json_schema_extra={"format": "date-time"})
]


def _window(start: Time = None, end: Time = None) -> Window:
    errors: list[FieldError] = []
    first, last = _time(start, "start", errors), _time(end, "end", errors)
    if first and last and first >= last and not errors:
        errors.append(FieldError("end", "must be later than start; exchange or correct them"))
    fields.refuse(errors)
    return Window(first, last)


def _time(given: str | None, name: str, errors: list[FieldError]) -> datetime | None:
    if given is None:
        return None
    # A plus that was not escaped in the address arrives as a space.
    return moment(fields.time(_SPACE_FOR_PLUS.sub("+", given), name, errors))


WindowDep = Annotated[Window, Depends(_window)]
