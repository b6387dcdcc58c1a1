"""Files of other programs on the pages: brought, asked about, looked over, taken in, removed.

A step is a form sent and shown again, so that it works without script. Nothing is stored before somebody said so.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, HTTPException, Path, Request
from fastapi.responses import RedirectResponse, Response
from starlette.datastructures import UploadFile

from service.intake.export.asking import joined
from service.intake.export.propose import checked_answers
from service.intake.problems import Refused, as_told, told
from service.intake.take import NoSuchSite
from service.jobs.uploads import confirm
from service.report import words
from service.report.language import gettext as _
from service.report.sheets import Column, Table
from service.store import mappings, tables, uploads
from service.store.audit import note
from service.store.database import reading, writing
from service.store.tables import Upload
from service.store.uploads import OPEN, Key
from service.web import bringing
from service.web.bringing import LONGEST_MAPPING, Wanted, go_on, receive
from service.web.forms import SentForm
from service.web.pages.files import Look, Picture, Sheet, picture, sheet
from service.web.pages.lookup import stored
from service.web.pages.render import page
from service.web.pages.told import in_words, with_field
from service.web.pages.upload_light import light_drawing, light_of
from service.web.pages.upload_view import UploadView, listed_uploads, upload_view
from service.web.session import FromOurPage, SignedIn

router = APIRouter(include_in_schema=False)

Number = Annotated[int, Path(ge=1, le=10**9)]
BLOCK_BYTES = 1 << 20


@router.get("/sites/{site_id}/exports")
def show_uploads(request: Request, site_id: str, _user: SignedIn) -> Response:
    """Show where to bring a file, and those that were brought."""
    return _list_page(request, site_id)


async def _brought(request: Request, site_id: str, user: SignedIn) -> Upload | Refused:
    """Return the form's file, kept; only a small part of it is in memory at a time."""
    async with request.form(max_files=1, max_fields=10) as form:
        file = form.get("file")
        if not isinstance(file, UploadFile):
            return Refused.one("", "is missing; choose one")
        try:
            return await receive(
                request.app.state.engine, site_id, _blocks(file), name=file.filename or "", by=user.name
            )
        except Refused as refused:
            return refused
        except NoSuchSite:
            raise HTTPException(404) from None


async def _blocks(file: UploadFile) -> AsyncIterator[bytes]:
    while block := await file.read(BLOCK_BYTES):
        yield block


@router.post("/sites/{site_id}/exports", dependencies=[FromOurPage])
def bring_file(
    request: Request, site_id: str, _user: SignedIn, file: Annotated[Upload | Refused, Depends(_brought)]
) -> Response:
    """Look at a file, and show what is in it."""
    if isinstance(file, Refused):
        return _list_page(request, site_id, problem=_("No file came: choose one that holds readings."))
    upload = bringing.begin(request, file, Wanted())
    return RedirectResponse(f"/sites/{site_id}/exports/{upload.number}", 303)


def _list_page(request: Request, site_id: str, *, problem: str = "") -> Response:
    with reading(request.app.state.engine) as session:
        site = stored(request, session, site_id)
        found, names = uploads.of_site(session, site_id), mappings.names(session, site_id)
    return page(
        request,
        "office/exports.html",
        status=422 if problem else 200,
        site=site,
        uploads=listed_uploads(site, found),
        names=names,
        problem=problem,
    )


@router.post("/sites/{site_id}/exports/forget", dependencies=[FromOurPage])
def forget_answers(request: Request, site_id: str, user: SignedIn, sent: SentForm) -> Response:
    """Forget the answers remembered under a name."""
    name = sent.fields.get("name", "")
    with writing(request.app.state.engine) as session:
        stored(request, session, site_id)
        if mappings.forget(session, site_id, name):
            note(session, user.name, "mapping.removed", site_id=site_id, name=name)
    return RedirectResponse(f"/sites/{site_id}/exports", 303)


# One file


@router.get("/sites/{site_id}/exports/{number}")
def show_upload(request: Request, site_id: str, number: Number, _user: SignedIn) -> Response:
    """Show what is asked of a file, how it was understood, or what became of it."""
    return _file_page(request, *_find(request, site_id, number))


@router.post("/sites/{site_id}/exports/{number}", dependencies=[FromOurPage])
def answer(request: Request, site_id: str, number: Number, user: SignedIn, sent: SentForm) -> Response:
    """Look at the file again by other answers, or store it if it was shown just so."""
    site, upload = _find(request, site_id, number)
    view = upload_view(site, upload)
    try:
        step = _step(view, upload, sent.fields, _held_answers(request, upload, sent.fields))
    except Refused as refused:
        return _file_page(
            request, site, upload, problems=[words.capital(with_field(e)) for e in refused.errors], status=422
        )
    with writing(request.app.state.engine) as session:
        now = uploads.held(session, site_id, number)
        if now is None:
            raise HTTPException(404)
        if now.state not in (*OPEN, "failed") or str(now.turn) != sent.fields.get("turn"):
            moved = True
        else:
            moved, key = False, _wish(session, now, step, user.name)
    if moved:
        said = _("Somebody has changed or stored this file since you saw it. This is how it stands now.")
        return _file_page(request, *_find(request, site_id, number), problems=[said], status=409)
    go_on(request, key)
    return RedirectResponse(f"/sites/{site_id}/exports/{number}", 303)


@dataclass(frozen=True)
class Step:
    """What somebody wishes of a file."""

    answers: Mapping[str, str]
    mapping: str
    to_take: bool


def _wish(session: object, upload: Upload, step: Step, by: str) -> Key:
    upload.mapping = step.mapping
    if step.to_take:
        return confirm(session, upload, by)
    return uploads.want(session, upload, "looking", answers=dict(step.answers))  # type: ignore[arg-type]


def _held_answers(request: Request, upload: Upload, fields: Mapping[str, str]) -> Mapping[str, str] | None:
    """Return the answers of a name that was chosen for the file, None if it is not another than before."""
    name = fields.get("like", "")
    if not name or name == upload.mapping:
        return None
    with reading(request.app.state.engine) as session:
        return mappings.remembered(session, upload.site_id, name)


def _step(
    view: UploadView, upload: Upload, fields: Mapping[str, str], held: Mapping[str, str] | None
) -> Step:
    """Return what the form wishes: stored only if it says nothing else than what was shown; Refused if it cannot be."""
    name = fields.get("mapping", "").strip()[:LONGEST_MAPPING]
    if held is not None:
        return Step(checked_answers(held), fields["like"], to_take=False)
    answers = checked_answers(_answers(view, upload, fields))
    is_as_shown = answers == upload.answers and upload.state == "ready"
    return Step(answers, name, to_take=fields.get("do") == "take" and is_as_shown)


def _answers(view: UploadView, upload: Upload, fields: Mapping[str, str]) -> dict[str, str]:
    """Return the answers given before, with those of the form that answer something or differ from what was shown."""
    found = dict(upload.answers)
    for ask in view.asks:
        if ask.parts:
            chosen = {part.name: fields.get(part.field, "") for part in ask.parts}
            if not all(chosen.values()):
                raise Refused.one("", told("choose one for each name; what is no unit is left out"))
            found[ask.key] = joined(chosen)
        elif given := fields.get(ask.key, "").strip():
            found[ask.key] = given
    for line in (*view.lines, *view.layout, *view.retry):
        given = fields.get(line.key, "").strip()
        shown = next((c.value for c in line.choices if c.chosen), given)
        if given and given != shown:
            found[line.key] = given
    found.pop(fields.get("again", ""), None)
    return found


@router.post("/sites/{site_id}/exports/{number}/remove", dependencies=[FromOurPage])
def remove_upload(request: Request, site_id: str, number: Number, _user: SignedIn) -> Response:
    """Remove a file; work on it ends, and what was stored of it stays."""
    _find(request, site_id, number)
    with writing(request.app.state.engine) as session:
        uploads.remove(session, site_id, number)
    return RedirectResponse(f"/sites/{site_id}/exports", 303)


@router.get("/sites/{site_id}/exports/{number}/light.{form}")
def light_file(
    request: Request,
    site_id: str,
    number: Number,
    form: Picture | Sheet,
    _user: SignedIn,
    look: Look = "wide",
) -> Response:
    """Give the picture of a file's light, or its numbers."""
    site, upload = _find(request, site_id, number)
    light = light_of(upload)
    if light is None:
        raise HTTPException(404)
    drawn = light_drawing(site, light)
    if form in ("csv", "xlsx"):
        return sheet(drawn.table(), form, site.name, "light", upload.name)
    return picture(request, f"{upload.number}-{upload.turn}", drawn, look, form)


@router.get("/sites/{site_id}/exports/{number}/rejected.{form}")
def rejected_file(
    request: Request, site_id: str, number: Number, form: Literal["csv", "xlsx"], _user: SignedIn
) -> Response:
    """Give every row that was rejected, with its reason."""
    site, upload = _find(request, site_id, number)
    if form == "xlsx" and not upload_view(site, upload).sheet_too:
        raise HTTPException(404)
    names = (_("Table"), _("Row"), _("Serial"), _("What stands there"), _("Why it was rejected"))
    rows = (
        (table, row or None, serial, text, in_words(as_told(why)))
        for table, row, serial, text, why in uploads.rejected(request.app.state.engine, upload)
    )
    return sheet(
        Table(_("Rejected"), tuple(map(Column, names)), rows), form, site.name, "rejected", upload.name
    )


def _find(request: Request, site_id: str, number: int) -> tuple[tables.Site, Upload]:
    with reading(request.app.state.engine) as session:
        site = stored(request, session, site_id)
        upload = uploads.get(session, site_id, number)
    if upload is None or upload.state == "coming":
        raise HTTPException(404)
    return site, upload


def _file_page(
    request: Request,
    site: tables.Site,
    upload: Upload,
    *,
    problems: list[str] | None = None,
    status: int = 200,
) -> Response:
    with reading(request.app.state.engine) as session:
        names = mappings.names(session, site.id)
    view = upload_view(site, upload)
    return page(
        request,
        "office/export.html",
        status=status,
        site=site,
        view=view,
        names=names,
        problems=problems or [],
    )
