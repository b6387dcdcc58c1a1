"""Routes of the return visit: marks, photos, and their errors."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated
from urllib.parse import quote, unquote

from fastapi import APIRouter, File, Form, HTTPException, Path, Query, Request, UploadFile
from fastapi.responses import RedirectResponse, Response

from service.intake.photo import LARGEST_BYTES, PhotoIn, read_photo
from service.intake.problems import FieldError, Refused
from service.intake.replace import read_replacement
from service.intake.take import NoSuchSite
from service.jobs.punch_list import Mark, checked_note, mark, put_on_list
from service.jobs.replacing import replace_unit
from service.store import photos
from service.store.database import reading
from service.web.anew import verify_anew
from service.web.pages.lookup import Shown, find, stored
from service.web.pages.render import page
from service.web.pages.visit import marks_of, replace_form_view
from service.web.session import FromOurPage, SignedIn, safe_next

router = APIRouter(include_in_schema=False)

Subject = Annotated[str, Form(max_length=120)]
Text = Annotated[str, Form(max_length=20_000)]
Short = Annotated[str, Form(max_length=200)]
Nonce = Annotated[str, Form(max_length=64)]
PhotoFile = Annotated[UploadFile | None, File()]
PhotoId = Annotated[str, Path(pattern="^[a-z0-9]{1,32}$")]
Asked = Annotated[str, Query(max_length=120)]
YEAR_S = 365 * 24 * 3600


@router.get("/sites/{site_id}/mark")
def mark_form(request: Request, site_id: str, _: SignedIn, subject: Asked = "", back: Asked = "") -> Response:
    """Show the form for one subject on a page of its own."""
    site = find(request, site_id)
    return _form(request, site, subject, back_to(site, back), status=200)


@router.post("/sites/{site_id}/mark", dependencies=[FromOurPage])
def take_mark(
    request: Request,
    site_id: str,
    user: SignedIn,
    said: Annotated[str, Form(alias="mark", max_length=20)] = "",
    subject: Subject = "",
    note: Text = "",
    nonce: Nonce = "",
    back: Text = "",
    photo: PhotoFile = None,
) -> Response:
    """Take what somebody says of a unit or finding, and go back to where it was said."""
    site = find(request, site_id)
    target = back_to(site, back)
    try:
        given = Mark(subject, said, note.strip(), _photo(photo), nonce or None)
        mark(request.app.state.engine, site_id, site.found, given, by=user.name)
    except NoSuchSite:
        raise HTTPException(404) from None
    except Refused as refused:
        return _form(request, site, subject, target, status=422, errors=refused.errors, note=note)
    if said == "mended":
        verify_anew(request, site_id)
    return RedirectResponse(target, 303)


@router.post("/sites/{site_id}/punch", dependencies=[FromOurPage])
def put_findings_on_list(
    request: Request, site_id: str, user: SignedIn, subject: Subject = "", back: Text = ""
) -> Response:
    """Put one finding on the punch list, or all of them."""
    site = find(request, site_id)
    put_on_list(request.app.state.engine, site_id, site.found, by=user.name, subject=subject or None)
    return RedirectResponse(back_to(site, back), 303)


@router.get("/sites/{site_id}/photos/{photo_id}")
def photo(request: Request, site_id: str, photo_id: PhotoId, _: SignedIn) -> Response:
    """Give a photo; it never changes, and only its own reader may keep it."""
    with reading(request.app.state.engine) as session:
        found = photos.find(session, stored(request, session, site_id).id, photo_id)
    if found is None:
        raise HTTPException(404)
    headers = {"Cache-Control": f"private, max-age={YEAR_S}, immutable", "X-Content-Type-Options": "nosniff"}
    return Response(found.jpeg, media_type="image/jpeg", headers=headers)


@router.get("/sites/{site_id}/replace")
def replace_form(
    request: Request, site_id: str, _: SignedIn, old: Annotated[str, Query(max_length=80)] = ""
) -> Response:
    """Show the form for a unit that was replaced."""
    site = find(request, site_id)
    return _replace_page(request, site, {"old": old, "day": datetime.now(site.zone).date().isoformat()})


@router.post("/sites/{site_id}/replace", dependencies=[FromOurPage])
def take_replacement(
    request: Request,
    site_id: str,
    user: SignedIn,
    old: Short = "",
    new: Short = "",
    day: Short = "",
    inverter_type: Short = "",
    note: Text = "",
    nonce: Nonce = "",
) -> Response:
    """Put a new unit in an old one's place from that day on."""
    site = find(request, site_id)
    try:
        change = read_replacement(old.strip(), new.strip(), day, inverter_type)
        engine = request.app.state.engine
        replace_unit(engine, site_id, change, by=user.name, note=checked_note(note), nonce=nonce or None)
    except NoSuchSite:
        raise HTTPException(404) from None
    except Refused as refused:
        typed = {"old": old, "new": new, "day": day, "inverter_type": inverter_type, "note": note}
        return _replace_page(request, site, typed, errors=refused.errors)
    verify_anew(request, site_id)
    return RedirectResponse(f"{site.href}/units/{quote(new.strip(), safe='/')}", 303)


def _replace_page(
    request: Request, site: Shown, typed: dict[str, str], errors: tuple[FieldError, ...] = ()
) -> Response:
    form = replace_form_view(site, typed)
    status = 422 if errors else 200
    return page(request, "office/replace.html", status=status, site=site, form=form, errors=errors)


def back_to(site: Shown, back: str) -> str:
    """Return the page to go back to: one of the site's or the list over all sites, never elsewhere."""
    target = safe_next(back)
    path = target.partition("#")[0].partition("?")[0]
    own = path in (site.href, "/punch") or path.startswith(f"{site.href}/")
    climbs = ".." in unquote(path).split("/")
    return target if own and not climbs else site.href


def _photo(sent: UploadFile | None) -> PhotoIn | None:
    data = sent.file.read(LARGEST_BYTES + 1) if sent is not None and sent.filename else b""
    return read_photo(data) if data else None


def _form(
    request: Request,
    site: Shown,
    subject: str,
    back: str,
    *,
    status: int,
    errors: tuple[FieldError, ...] = (),
    note: str = "",
) -> Response:
    mark = marks_of(request, site).subject(subject)
    return page(
        request,
        "shared/mark_page.html",
        status=status,
        site=site,
        mark=mark,
        back=back,
        errors=errors,
        note=note,
    )
