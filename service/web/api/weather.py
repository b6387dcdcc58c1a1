"""Weather: measured or fetched, taken in."""

from __future__ import annotations

from typing import Annotated

from fastapi import Query, Request, Response

from service.intake.take import take_weather
from service.web.api.common import (
    BodyDep,
    ContentType,
    EngineDep,
    SiteId,
    Source,
    api_router,
    only_query,
    problems,
)
from service.web.api.schema import WEATHER_BODY, ReceiptAnswer
from service.web.api.taken import answer

router = api_router("weather")


@router.post(
    "/sites/{site_id}/weather",
    dependencies=[only_query("interval_min")],
    response_model=ReceiptAnswer,
    responses=problems(404, 413, 415),
    openapi_extra=WEATHER_BODY,
)
def take(
    request: Request,
    engine: EngineDep,
    site_id: SiteId,
    body: BodyDep,
    source: Source,
    content_type: ContentType = "",
    interval_min: Annotated[int | None, Query(description="For a CSV.")] = None,
) -> Response:
    """Take weather on one grid; `poa_w_m2` is by the planes' names."""
    receipt = take_weather(engine, site_id, body, content_type, interval_min, source=source)
    return answer(request, site_id, receipt)
