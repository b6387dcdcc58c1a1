"""Readings: taken in three shapes, given back in three formats."""

from __future__ import annotations

from typing import Annotated

from fastapi import Header, Query, Request, Response

from service.intake.take import take_readings
from service.store import readings as store
from service.store.database import reading
from service.web.api import export
from service.web.api.common import (
    BodyDep,
    ContentType,
    EngineDep,
    SiteId,
    Source,
    WindowDep,
    api_router,
    find_site,
    only_query,
    problems,
)
from service.web.api.schema import READINGS_BODY, ReceiptAnswer, TableBody
from service.web.api.taken import answer

router = api_router("readings")


@router.post(
    "/sites/{site_id}/readings",
    dependencies=[only_query("interval_min")],
    response_model=ReceiptAnswer,
    responses=problems(404, 413, 415),
    openapi_extra=READINGS_BODY,
)
def take(
    request: Request,
    engine: EngineDep,
    site_id: SiteId,
    body: BodyDep,
    source: Source,
    content_type: ContentType = "",
    interval_min: Annotated[int | None, Query(description="For a CSV without a column interval_min.")] = None,
) -> Response:
    """Take unit readings. The same serial and start again replaces the earlier value."""
    receipt = take_readings(engine, site_id, body, content_type, interval_min, source=source)
    request.app.state.metrics.count_readings(receipt)
    return answer(request, site_id, receipt)


@router.get(
    "/sites/{site_id}/readings",
    dependencies=[only_query("start", "end")],
    response_model=TableBody,
    responses={200: export.DESCRIBED, **problems(404, 406)},
)
def give(
    engine: EngineDep,
    site_id: SiteId,
    window: WindowDep,
    accept: Annotated[str, Header(include_in_schema=False)] = "",
) -> Response:
    """Give the readings that start in the window, in a form that can be sent again."""
    kind = export.chosen(accept)
    with reading(engine) as session:
        find_site(session, site_id)
        held = store.held_span(session, site_id)
        start, end = window.over(held) if held else (None, None)
        found = store.kept(session, site_id, start=start, end=end) if start and end else []
    return export.response(kind, found, site_id)
