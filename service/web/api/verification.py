"""The verification of a window."""

from __future__ import annotations

from fastapi import Response
from fastapi.responses import JSONResponse

from service.jobs.verification import current
from service.store.database import reading
from service.store.readings import held_span
from service.web.api.common import (
    EngineDep,
    SiteId,
    Window,
    WindowDep,
    api_router,
    find_site,
    only_query,
    problems,
)
from service.web.api.schema import VerificationAnswer
from service.web.errors import Failed

router = api_router("verification")


@router.get(
    "/sites/{site_id}/verification",
    dependencies=[only_query("start", "end")],
    response_model=VerificationAnswer,
    responses=problems(404),
)
def verification(engine: EngineDep, site_id: SiteId, window: WindowDep) -> Response:
    """Give the verification of the window; without one, of all readings held, up to the last 14 days."""
    with reading(engine) as session:
        find_site(session, site_id)
        held = held_span(session, site_id)
    if held is None:
        raise Failed(404, "No readings are held yet; send some to POST /api/v1/sites/{id}/readings first.")
    if window != Window(None, None):
        window.over(held)
    found = current(engine, site_id, window.start, window.end)
    if found is None:
        span = f"{held[0].isoformat()} to {held[1].isoformat()}"
        raise Failed(404, f"No energy readings are held in this window; readings are held from {span}.")
    return JSONResponse(found.as_contract(site_id))
