"""The far horizon of a site: asked for by a click, shown beside what is on record, taken into it by another click."""

from __future__ import annotations

import re
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from service.fetch.model import NoAnswer
from service.intake.accept import RecordMoved
from service.intake.problems import Refused
from service.intake.record import as_stored, read_begun
from service.intake.rewrite import rewrite
from service.jobs.far_horizon import Points, ask_far_horizon, with_far_horizon
from service.report.language import gettext as _
from service.report.language import marked
from service.store.corrections import fingerprint
from service.store.database import reading
from service.store.tables import Site
from service.web.anew import verify_anew
from service.web.forms import SentForm
from service.web.pages.horizon_view import horizon_view
from service.web.pages.lookup import stored
from service.web.pages.render import page
from service.web.pages.told import with_field
from service.web.session import FromOurPage, SignedIn, flash, office_only

router = APIRouter(include_in_schema=False)

WHY = {
    "unreachable": marked(
        "PVGIS cannot be reached. See whether this computer has a network and whether a firewall or a proxy stands in "
        "the way."
    ),
    "slow": marked("PVGIS does not answer in time. Try again later."),
    "declined": marked("PVGIS declines the question. It says: “%(said)s”"),
    "changed": marked(
        "PVGIS answers in a form that is not known here, or not in full. If it stays so, update this program."
    ),
}
OTHERWISE = marked("PVGIS gives no answer at the moment. Try again later.")
POINT = re.compile(r"(\d{1,3}(?:\.\d+)?):(-?\d{1,2}(?:\.\d+)?)")


@router.get("/sites/{site_id}/horizon")
def show_horizon(request: Request, site_id: str, user: SignedIn) -> Response:
    """Show what is on record, and what asking sends to whom."""
    office_only(user)
    return _page(request, _site(request, site_id))


@router.post("/sites/{site_id}/horizon", dependencies=[FromOurPage])
def change_horizon(request: Request, site_id: str, user: SignedIn, sent: SentForm) -> Response:
    """Ask for the far horizon and show it, or take the one that was shown into the record."""
    office_only(user)
    site = _site(request, site_id)
    if sent.fields.get("do") == "ask":
        return _asked(request, site)
    if sent.fields.get("do") == "take":
        return _taken(request, site, sent.fields, user.name)
    return _page(request, site)


def _asked(request: Request, site: Site) -> Response:
    try:
        return _page(request, site, far=ask_far_horizon(site.record))
    except NoAnswer as no:
        return _page(request, site, problem=_(WHY.get(no.kind, OTHERWISE)) % {"said": no.said}, status=502)


def _taken(request: Request, site: Site, fields: dict[str, str], by: str) -> Response:
    far = [(float(azimuth), float(top)) for azimuth, top in POINT.findall(fields.get("points", ""))]
    names = {p["name"] for i, p in enumerate(site.record["planes"]) if fields.get(f"plane.{i}")}
    if not far or not names:
        return _page(request, site, far=far, problem=_("Choose a plane; nothing is saved yet."), status=422)
    try:
        record = as_stored(read_begun(with_far_horizon(site.record, far, names)))
        number = rewrite(request.app.state.engine, site.id, record, on=fields.get("on", ""), by=by)
    except Refused as refused:
        return _page(request, site, problem="; ".join(map(with_field, refused.errors)), status=422)
    except RecordMoved:
        moved = _("Somebody changed the record meanwhile. Nothing is saved yet; look again and take it then.")
        return _page(request, site, far=far, problem=moved, status=409)
    if number is not None:
        verify_anew(request, site.id)
    response = RedirectResponse(f"/sites/{site.id}/plan", 303)
    flash(response, request, {"site": site.id, "said": _("The record is saved.") if number else ""})
    return response


def _site(request: Request, site_id: str) -> Site:
    with reading(request.app.state.engine) as session:
        return stored(request, session, site_id)


def _page(
    request: Request, site: Site, *, far: Points = (), problem: str = "", status: int = 200
) -> Response:
    context: dict[str, Any] = {"view": horizon_view(site.record, far), "problem": problem}
    return page(
        request, "office/horizon.html", status=status, site=site, on=fingerprint(site.record), **context
    )
