"""Files that other programs exported: brought whole, read by answers, or answered with what they leave open."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal

from fastapi import Depends, Path, Query, Request, Response
from fastapi.responses import JSONResponse, StreamingResponse
from pydantic import AwareDatetime, BaseModel, Field
from sqlalchemy import Engine

from service.intake.export.propose import checked_answers
from service.intake.problems import FieldError, Refused, as_told
from service.report.sheets import CSV_TYPE, Column, Table, csv_lines
from service.store import uploads
from service.store.database import reading
from service.store.tables import Upload
from service.web.api.common import EngineDep, Program, SiteId, api_router, find_site, only_query, problems
from service.web.api.schema import FILE_BODY
from service.web.bringing import LONGEST_MAPPING, LONGEST_NAME, Wanted, begin, drop, is_at_work, receive
from service.web.errors import PROBLEM_TYPE, Failed, problem

router = api_router("exports")

OPEN = "The file leaves questions open and nothing was stored; send it again with answer=KEY=VALUE for each."
REJECTED = ("table", "row", "serial", "text", "reason")

Number = Annotated[int, Path(ge=1, le=10**9, description="The file's number on its site.")]


class PartAnswer(BaseModel):
    """A name in the file that needs a choice of its own."""

    name: str
    proposed: str | None


class QuestionAnswer(BaseModel):
    """What only a person can say; `proposed` is the likely choice, if any is."""

    key: str
    choices: list[str]
    why: str
    proposed: str | None
    text: str
    labels: list[str] = Field(description="What each choice means.")
    parts: list[PartAnswer] = Field(
        description="Where there are some, the answer is a choice for each: `NAME:CHOICE,NAME:CHOICE`."
    )


class FileErrorAnswer(BaseModel):
    """Why a file was refused."""

    field: str
    message: str


class FileAnswer(BaseModel):
    """A file that was brought, and how far it has come. The counts are null until it is stored."""

    number: int
    name: str
    state: Literal["looking", "asks", "ready", "taking", "done", "failed"]
    progress: float = Field(description="Share of the work in hand, 0 to 1.")
    sent_at: AwareDatetime
    mapping: str
    answers: dict[str, str]
    questions: list[QuestionAnswer] = Field(description="Nothing is stored while one is open.")
    warnings: list[str]
    tables: list[dict[str, Any]] = Field(
        description="How each table is read: `guesses` with `confidence` and `why`."
    )
    accepted: int | None
    replaced: int | None
    rejected: int | None
    missing: int | None = Field(description="Cells without a value.")
    errors: list[FileErrorAnswer] = Field(description="Why the file was refused.")
    rejected_rows: str | None = Field(description="Where the rejected rows are, with reasons, as CSV.")


def _answers(
    answer: Annotated[list[str] | None, Query(description="KEY=VALUE, once for each.")] = None,
) -> Mapping[str, str]:
    pairs = [text.partition("=") for text in answer or ()]
    if any(not equals for _, equals, _ in pairs):
        raise Refused.one("answer", "must be KEY=VALUE, such as label=start")
    return checked_answers({key.strip(): value.strip() for key, _, value in pairs})


def _wanted(
    answers: Annotated[Mapping[str, str], Depends(_answers)],
    mapping: Annotated[
        str,
        Query(
            max_length=LONGEST_MAPPING,
            description="Takes the answers remembered under that name, and remembers these.",
        ),
    ] = "",
    dry_run: Annotated[bool, Query(description="Say how it would be read, and store nothing.")] = False,
) -> Wanted:
    return Wanted(answers, mapping, to_take=not dry_run)


Name = Annotated[str, Query(min_length=1, max_length=LONGEST_NAME, description="The file's name.")]


async def _received(
    request: Request,
    engine: EngineDep,
    site_id: SiteId,
    program: Program,
    name: Name,
    wanted: Annotated[Wanted, Depends(_wanted)],
) -> tuple[Upload, Wanted]:
    """Return the file with what is wanted of it: if that is wrong, it is said before the file is read."""
    return await receive(engine, site_id, request.stream(), name=name, by=program), wanted


@router.post(
    "/sites/{site_id}/exports",
    dependencies=[only_query("name", "mapping", "dry_run", "answer")],
    response_model=FileAnswer,
    responses={
        **problems(404, 413),
        202: {"description": "It is large and read in the background; see Location.", "model": FileAnswer},
        409: {
            "description": "Questions are open; nothing was stored.",
            "content": {PROBLEM_TYPE: {"schema": {"type": "object"}}},
        },
    },
    openapi_extra=FILE_BODY,
)
def take(
    request: Request,
    engine: EngineDep,
    sent: Annotated[tuple[Upload, Wanted], Depends(_received)],
) -> Response:
    """Take a file as another program exported it; the same file again changes nothing."""
    received, wanted = sent
    try:
        upload = begin(request, received, wanted)
    except Refused:
        drop(engine, received)
        raise
    body = _answer(upload)
    if is_at_work(upload):
        return JSONResponse(body, 202, {"Location": _path(upload)})
    if not wanted.to_take or upload.state == "failed":
        drop(engine, upload)
    if upload.state == "failed":
        raise Refused(FieldError(**e) for e in as_told(upload.errors))
    if upload.state == "asks" and wanted.to_take:
        return problem(409, OPEN, further={"location": _path(upload), **body})
    return JSONResponse(body)


@router.get(
    "/sites/{site_id}/exports/{number}",
    dependencies=[only_query()],
    response_model=FileAnswer,
    responses=problems(404),
)
def state(engine: EngineDep, site_id: SiteId, number: Number) -> Response:
    """Say how far a file has come."""
    return JSONResponse(_answer(_find(engine, site_id, number)))


@router.get(
    "/sites/{site_id}/exports/{number}/rejected",
    dependencies=[only_query()],
    response_class=StreamingResponse,
    responses={**problems(404), 200: {"content": {"text/csv": {"schema": {"type": "string"}}}}},
)
def rejected(engine: EngineDep, site_id: SiteId, number: Number) -> Response:
    """Give every row that was rejected, with its reason."""
    upload = _find(engine, site_id, number)
    rows: Iterator[Any] = (as_told(row) for row in uploads.rejected(engine, upload))
    table = Table(upload.name, tuple(map(Column, REJECTED)), rows)
    return StreamingResponse(csv_lines(table), media_type=CSV_TYPE)


def _find(engine: Engine, site_id: str, number: int) -> Upload:
    with reading(engine) as session:
        find_site(session, site_id)
        upload = uploads.get(session, site_id, number)
    if upload is None or upload.state == "coming":
        raise Failed(404, "There is no file of that number; it may have been removed since.")
    return upload


def _path(upload: Upload) -> str:
    return f"/api/v1/sites/{upload.site_id}/exports/{upload.number}"


def _answer(upload: Upload) -> dict[str, Any]:
    found, outcome = as_told(upload.found or {}), as_told(upload.outcome or {})
    counts = {name: outcome.get(name) for name in ("accepted", "replaced", "rejected", "missing")}
    return {
        "number": upload.number,
        "name": upload.name,
        "state": upload.state,
        "progress": round(min(1.0, upload.seen / upload.total), 3) if upload.total else 0.0,
        "sent_at": upload.sent_at.isoformat(),
        "mapping": upload.mapping,
        "answers": upload.answers,
        "questions": found.get("questions", []),
        "warnings": outcome.get("warnings", found.get("warnings", [])),
        "tables": found.get("tables", []),
        **counts,
        "errors": as_told(upload.errors),
        "rejected_rows": f"{_path(upload)}/rejected" if outcome.get("rejected") else None,
    }
