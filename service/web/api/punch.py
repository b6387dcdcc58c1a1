"""The punch list of a site, for programs: what was found, who sees to it, and the proof. Read only."""

from __future__ import annotations

from typing import Any, Literal

from fastapi import Response
from fastapi.responses import JSONResponse
from pydantic import AwareDatetime, BaseModel, Field
from sqlmodel import col, select

from service.jobs.proving import lowest_change
from service.store import punch
from service.store.database import reading
from service.store.tables import PunchEntry, PunchStep, User
from service.verify.mended import Level
from service.web.api.common import EngineDep, SiteId, api_router, find_site, only_query, problems

router = api_router("punch list")


class LevelAnswer(BaseModel):
    """A unit's performance index over a time, with its band."""

    serial: str
    performance_index: float | None
    performance_index_low: float | None
    performance_index_high: float | None


class StepAnswer(BaseModel):
    """What somebody did about an entry, or the readings said of it."""

    at: AwareDatetime
    who: str
    what: str
    note: str
    has_photo: bool


class PunchAnswer(BaseModel):
    """One entry; only readings bring it to `closed`."""

    number: int
    cause: str = Field(description="As it was found when the entry was opened.")
    serials: list[str]
    plane: str | None
    branch: str | None
    state: Literal["open", "looked_at", "said_mended", "closed", "left"]
    reason: str = Field(description="Why it was left, else empty.")
    evidence: str
    lost_wh_per_day: float
    given_to: str | None
    due_on: str | None = Field(description="A local date.", json_schema_extra={"format": "date"})
    opened_at: AwareDatetime
    opened_by: str
    mended_at: AwareDatetime | None
    closed_at: AwareDatetime | None
    reopened: int = Field(description="How often the fault came back.")
    before: LevelAnswer | None = Field(
        description="Of the unit with the lowest index since, where there is one."
    )
    after: LevelAnswer | None
    history: list[StepAnswer]


class PunchListAnswer(BaseModel):
    """All entries of a site by their numbers."""

    entries: list[PunchAnswer]


@router.get(
    "/sites/{site_id}/punch",
    dependencies=[only_query()],
    response_model=PunchListAnswer,
    responses=problems(404),
)
def listing(engine: EngineDep, site_id: SiteId) -> Response:
    """List what has to be seen to on the site, what was left, and what readings have closed."""
    with reading(engine) as session:
        find_site(session, site_id)
        entries, steps = punch.of_site(session, site_id), punch.steps(session, site_id)
        ids = {e.given_to for e in entries if e.given_to}
        names = {u.key: u.name for u in session.scalars(select(User).where(col(User.id).in_(ids)))}
    return JSONResponse({"entries": [_answer(entry, steps, names) for entry in entries]})


def _answer(entry: PunchEntry, steps: list[PunchStep], names: dict[int, str]) -> dict[str, Any]:
    before, after = lowest_change(entry) or (None, None)
    same = ("number", "cause", "serials", "plane", "branch", "state", "reason", "opened_by", "reopened")
    times = ("opened_at", "mended_at", "closed_at", "due_on")
    return {
        **{name: getattr(entry, name) for name in same},
        **{name: value.isoformat() if (value := getattr(entry, name)) else None for name in times},
        "evidence": str(entry.finding.get("evidence", "")),
        "lost_wh_per_day": entry.lost_wh_per_day,
        "given_to": names.get(entry.given_to or 0),
        "before": _level(before),
        "after": _level(after),
        "history": [_step(step) for step in steps if step.number == entry.number],
    }


def _level(level: Level | None) -> dict[str, Any] | None:
    if level is None:
        return None
    values = {"": level.index, "_low": level.low, "_high": level.high}
    return {"serial": level.serial, **{f"performance_index{end}": value for end, value in values.items()}}


def _step(step: PunchStep) -> dict[str, Any]:
    return {
        "at": step.at.isoformat(),
        "who": step.who,
        "what": step.what,
        "note": step.note,
        "has_photo": step.photo_id is not None,
    }
