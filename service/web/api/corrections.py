"""Corrections of a site's record: accepted, listed and undone. Each change has the site verified anew."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any, Literal

from fastapi import Path, Request, Response
from fastapi.responses import JSONResponse
from pydantic import AwareDatetime, BaseModel, Field

from service.intake.accept import Outcome, accept, undo
from service.intake.correction import read_request
from service.store import corrections
from service.store.corrections import Accepted
from service.store.database import reading
from service.web.anew import verify_anew
from service.web.api.common import (
    EngineDep,
    JsonDep,
    Program,
    SiteId,
    api_router,
    find_site,
    only_query,
    problems,
)
from service.web.api.schema import AnyCorrection, CorrectionBody, json_body

router = api_router("corrections")
Number = Annotated[int, Path(ge=1, le=10**9, description="The correction's number on its site.")]


class ChangeAnswer(BaseModel):
    """What a correction changed in one place, in the record's own fields."""

    part: Literal["plane", "unit", "clock"]
    of: str = Field(description="The plane's name or the unit's serial before; empty for the clock.")
    old: dict[str, Any]
    new: dict[str, Any]


class CorrectionAnswer(BaseModel):
    """A correction that was accepted."""

    number: int
    correction: AnyCorrection
    changes: list[ChangeAnswer]
    accepted_by: str
    accepted_at: AwareDatetime
    undone_by: str | None
    undone_at: AwareDatetime | None
    can_be_undone: bool = Field(description="Whether the record has not been changed since.")


class CorrectionsAnswer(BaseModel):
    """All corrections of a site, the newest first."""

    corrections: list[CorrectionAnswer]


@router.get(
    "/sites/{site_id}/corrections",
    dependencies=[only_query()],
    response_model=CorrectionsAnswer,
    responses=problems(404),
)
def listing(engine: EngineDep, site_id: SiteId) -> Response:
    """List the corrections that were accepted, undone ones too."""
    with reading(engine) as session:
        found = corrections.of_site(session, find_site(session, site_id))
    return JSONResponse({"corrections": [_answer(accepted) for accepted in found]})


@router.post(
    "/sites/{site_id}/corrections",
    status_code=201,
    dependencies=[only_query()],
    response_model=CorrectionAnswer,
    responses={
        **problems(404, 413, 415),
        200: {"description": "It was accepted before; nothing more was changed.", "model": CorrectionAnswer},
    },
    openapi_extra=json_body(CorrectionBody),
)
def take(request: Request, engine: EngineDep, site_id: SiteId, program: Program, data: JsonDep) -> Response:
    """Correct the record by any correction that fits it, and have the site verified anew.

    The one that made the record as it is may be sent again safely: it counts once.
    """
    outcome = accept(engine, site_id, read_request(data), by=program)
    return _done(request, site_id, outcome, 201 if outcome.changed else 200)


@router.post(
    "/sites/{site_id}/corrections/{number}/undo",
    dependencies=[only_query()],
    response_model=CorrectionAnswer,
    responses=problems(404, 409),
)
def take_back(
    request: Request, engine: EngineDep, site_id: SiteId, number: Number, program: Program
) -> Response:
    """Put the record from before the correction back, unless it was changed otherwise since; again is no fault."""
    return _done(request, site_id, undo(engine, site_id, number, by=program), 200)


def _done(request: Request, site_id: str, outcome: Outcome, status: int) -> Response:
    if outcome.changed:
        verify_anew(request, site_id)
    return JSONResponse(_answer(outcome.accepted), status)


def _answer(accepted: Accepted) -> dict[str, Any]:
    fields = asdict(accepted)
    fields["can_be_undone"] = fields.pop("stands")
    for name in ("accepted_at", "undone_at"):
        fields[name] = fields[name].isoformat() if fields[name] else None
    return fields
