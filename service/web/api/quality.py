"""What is the matter with the readings of the default window, before any judgement."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from fastapi import Response
from fastapi.responses import JSONResponse
from pydantic import BaseModel

from service.intake.noted import CounterNotes, read_notes
from service.intake.take import take_noted
from service.jobs.verification import current_quality
from service.quality.model import Finding
from service.report.arrival import told
from service.report.language import SOURCE, speaking
from service.store.database import reading
from service.web.api.common import (
    EngineDep,
    JsonDep,
    SiteId,
    Source,
    api_router,
    find_site,
    only_query,
    problems,
)
from service.web.api.schema import QualityAnswer, json_body
from service.web.errors import Failed

router = api_router("quality")


class NotedAnswer(BaseModel):
    """How many notes are kept now, those that were before among them."""

    noted: int


@router.get(
    "/sites/{site_id}/quality",
    dependencies=[only_query()],
    response_model=QualityAnswer,
    responses=problems(404),
)
def quality(engine: EngineDep, site_id: SiteId) -> Response:
    """Give what is the matter with all readings held, up to the last 14 days, as they were sent."""
    with reading(engine) as session:
        zone = ZoneInfo(find_site(session, site_id).record["timezone"])
    found = current_quality(engine, site_id)
    if found is None:
        raise Failed(404, "No readings are held yet; send some to POST /api/v1/sites/{id}/readings first.")
    with speaking(SOURCE):
        findings = [_answer(finding, zone) for finding in found.findings]
    return JSONResponse(
        {
            "site_id": site_id,
            "start": found.start.isoformat(),
            "end": found.end.isoformat(),
            "heard_share": round(found.heard_share, 5),
            "findings": findings,
        }
    )


@router.post(
    "/sites/{site_id}/quality",
    dependencies=[only_query()],
    response_model=NotedAnswer,
    responses=problems(404, 413, 415),
    openapi_extra=json_body(CounterNotes),
)
def note(engine: EngineDep, site_id: SiteId, source: Source, data: JsonDep) -> Response:
    """Take what was noticed about counters where they were read; it is told with the next readings."""
    notes = read_notes(data)
    take_noted(engine, site_id, notes, source=source)
    return JSONResponse({"noted": len(notes)})


def _answer(finding: Finding, zone: ZoneInfo) -> dict[str, Any]:
    words = told(finding, zone)
    return {
        "kind": finding.kind,
        "serials": list(finding.serials),
        "first_seen": finding.first.isoformat(),
        "last_seen": finding.last.isoformat(),
        "values": finding.values,
        "share": round(finding.share, 5),
        "energy_share": round(finding.energy_share, 5),
        "evidence": words.what,
        "treatment": words.treatment,
        "numbers": dict(finding.numbers),
        "names": dict(finding.names),
    }
