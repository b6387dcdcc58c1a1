"""Sites: create, read, replace, delete, list."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Query, Request, Response
from fastapi.responses import JSONResponse
from pydantic import BaseModel

from service.intake.problems import Refused
from service.intake.record import BegunRecord, SiteRecord, as_stored, read_record
from service.store import sites
from service.store.audit import note
from service.store.database import reading, writing
from service.store.tables import Site
from service.web.anew import verify_anew
from service.web.api.common import (
    PREFIX,
    EngineDep,
    JsonDep,
    Program,
    SiteId,
    TokenDep,
    api_router,
    find_site,
    only_query,
    problems,
)
from service.web.api.schema import json_body

router = api_router("sites")
LARGEST_OFFSET = 10**9
LINK = {
    "description": "Where the pages beside this one are (RFC 8288): `next` and `prev`, as far as there are any.",
    "schema": {"type": "string"},
}


class SiteAnswer(BegunRecord):
    """A site record as kept, its defaults filled in; one begun on the pages may have no unit yet."""

    id: str


class SitesAnswer(BaseModel):
    """One page of the sites, by name."""

    total: int
    offset: int
    limit: int
    sites: list[SiteAnswer]


@router.post(
    "/sites",
    status_code=201,
    dependencies=[only_query()],
    response_model=SiteAnswer,
    responses=problems(413, 415),
    openapi_extra=json_body(SiteRecord),
)
def create(engine: EngineDep, program: Program, data: JsonDep) -> Response:
    """Create a site from its record."""
    record = as_stored(read_record(data))
    with writing(engine) as session:
        site = sites.create(session, record)
        note(session, program, "site.made", site_id=site.id, site=site.name, units=len(record["units"]))
    return JSONResponse(_answer(site), 201, {"Location": f"{PREFIX}/sites/{site.id}"})


@router.get(
    "/sites",
    dependencies=[only_query("offset", "limit")],
    response_model=SitesAnswer,
    responses={**problems(), 200: {"headers": {"Link": LINK}}},
)
def listing(
    engine: EngineDep,
    token: TokenDep,
    offset: Annotated[int, Query(ge=0, le=LARGEST_OFFSET)] = 0,
    limit: Annotated[int, Query(ge=1, le=200)] = 50,
) -> Response:
    """List the sites by name, a page at a time; to a token for one site only that one."""
    with reading(engine) as session:
        found, total = sites.page(session, offset=offset, limit=limit, only=token.site_id)
    return JSONResponse(
        {"total": total, "offset": offset, "limit": limit, "sites": [_answer(site) for site in found]},
        headers=_links(offset, limit, total),
    )


@router.get(
    "/sites/{site_id}", dependencies=[only_query()], response_model=SiteAnswer, responses=problems(404)
)
def read(engine: EngineDep, site_id: SiteId) -> Response:
    """Give a site's record."""
    with reading(engine) as session:
        return JSONResponse(_answer(find_site(session, site_id)))


@router.put(
    "/sites/{site_id}",
    dependencies=[only_query()],
    response_model=SiteAnswer,
    responses=problems(404, 413, 415),
    openapi_extra=json_body(SiteRecord),
)
def replace(
    request: Request, engine: EngineDep, site_id: SiteId, program: Program, data: JsonDep
) -> Response:
    """Put another record in a site's place; its readings stay. The `id` that was given out may come back."""
    record = as_stored(read_record(_without_own_id(data, site_id)))
    with writing(engine) as session:
        site = sites.replace(session, find_site(session, site_id), record)
        note(session, program, "record.replaced", site_id=site_id, site=site.name, units=len(record["units"]))
    verify_anew(request, site_id)
    return JSONResponse(_answer(site))


@router.delete("/sites/{site_id}", dependencies=[only_query()], status_code=204, responses=problems(404))
def delete(engine: EngineDep, site_id: SiteId, program: Program) -> Response:
    """Delete a site with all that is held of it."""
    with writing(engine) as session:
        site = find_site(session, site_id)
        note(session, program, "site.removed", site_id=site_id, site=site.name)
        sites.delete(session, site)
    return Response(status_code=204)


def _links(offset: int, limit: int, total: int) -> dict[str, str]:
    """Return the header that leads to the pages beside this one; none for a page that holds all."""
    beside = {}
    if offset + limit < total:
        beside["next"] = offset + limit
    if offset > 0:
        beside["prev"] = max(0, min(offset, total) - limit)
    links = [f'<{PREFIX}/sites?offset={at}&limit={limit}>; rel="{rel}"' for rel, at in beside.items()]
    return {"Link": ", ".join(links)} if links else {}


def _answer(site: Site) -> dict[str, Any]:
    return {"id": site.id, **site.record}


def _without_own_id(data: Any, site_id: str) -> Any:
    if not isinstance(data, dict) or "id" not in data:
        return data
    if data["id"] != site_id:
        raise Refused.one("id", "is not the id in the address; correct it or leave it out")
    return {name: value for name, value in data.items() if name != "id"}
