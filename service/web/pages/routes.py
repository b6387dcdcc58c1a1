"""The pages for office and installer: one site, one unit, the charts."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal, TypedDict

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from service.report import charts
from service.report.days import sum_series, unit_series
from service.report.language import current_language
from service.report.language import gettext as _
from service.store import sites
from service.store.audit import note
from service.store.database import writing
from service.verify.result import Curves
from service.web.pages import sun_view
from service.web.pages.addresses import own_address
from service.web.pages.correcting import corrections_of
from service.web.pages.lookup import Shown, find, stored, unit_of
from service.web.pages.render import page
from service.web.pages.site_view import site_view
from service.web.pages.unit_view import unit_view
from service.web.session import FromOurPage, SignedIn, end_flash, flash, flashed, office_only

router = APIRouter(include_in_schema=False)

Look = Literal["wide", "wide-dark", "narrow", "narrow-dark"]
KEPT_S = 24 * 3600


@router.get("/sites/{site_id}")
def one_site(request: Request, site_id: str, user: SignedIn, day: str = "") -> HTMLResponse:
    """Show one site: the answer, the roof, the ranking, the findings."""
    site = find(request, site_id)
    once = flashed(request)
    handed_over = once if once.get("site") == site_id else {}
    told = corrections_of(request, site)
    response = page(
        request,
        "office/site.html",
        site=site,
        view=site_view(site, day, told.proposals),
        told=told,
        is_office=user.role == "office",
        link=handed_over.get("owner_link", ""),
        said=handed_over.get("said", ""),
        problem=handed_over.get("problem", ""),
    )
    if once:
        end_flash(response)
    return response


@router.get("/sites/{site_id}/units/{serial:path}")
def one_unit(request: Request, site_id: str, serial: str, user: SignedIn) -> HTMLResponse:
    """Show one unit, day by day."""
    site = find(request, site_id)
    shown = unit_view(site, *unit_of(site, serial), corrections_of(request, site).proposals)
    return page(request, "office/unit.html", site=site, view=shown, is_office=user.role == "office")


@router.get("/sites/{site_id}/chart/site.svg")
def site_chart(request: Request, site_id: str, __: SignedIn, look: Look = "wide") -> Response:
    """Draw the whole site's days."""
    site = find(request, site_id)
    curves = _curves(site)
    series = sum_series(curves, curves.measured_wh, site.zone)
    title = _("%(name)s, measured and expected power") % {"name": site.record.name}
    return _drawn(request, site, look, lambda form: charts.day_panels(series, title=title, **form))


@router.get("/sites/{site_id}/chart/units/{serial:path}.svg")
def unit_chart(request: Request, site_id: str, serial: str, __: SignedIn, look: Look = "wide") -> Response:
    """Draw one unit's days."""
    site = find(request, site_id)
    unit_of(site, serial)
    series = unit_series(_curves(site), serial, site.zone)
    title = _("%(name)s, measured and expected power") % {"name": serial}
    return _drawn(request, site, look, lambda form: charts.day_panels(series, title=title, **form))


@router.get("/sites/{site_id}/chart/sun/{serial:path}.svg")
def sun_chart(request: Request, site_id: str, serial: str, __: SignedIn, look: Look = "wide") -> Response:
    """Draw the sun's paths and what stands before a shaded unit."""
    site = find(request, site_id)
    unit_of(site, serial)
    found, shade = site.found, site.found and sun_view.shade_of(site.found, serial)
    if not found or not shade:
        raise HTTPException(404)
    title = _("%(name)s, the sun\u2019s paths and what stands before them") % {"name": serial}
    return _drawn(
        request, site, look, lambda form: sun_view.draw(site.record, found, shade, title=title, **form)
    )


@router.post("/sites/{site_id}/owner-link", dependencies=[FromOurPage])
def make_owner_link(request: Request, site_id: str, user: SignedIn) -> Response:
    """Make the owner's link; an earlier one ends. It is shown once, on the next page."""
    office_only(user)
    with writing(request.app.state.engine) as session:
        site = stored(request, session, site_id)
        token = sites.make_owner_link(session, site)
        note(session, user.name, "owner_link.made", site_id=site_id, site=site.name)
    base = own_address(request)
    response = RedirectResponse(f"/sites/{site_id}#owner", 303)
    flash(response, request, {"site": site_id, "owner_link": f"{base}/owner/{token}"})
    return response


@router.post("/sites/{site_id}/owner-link/revoke", dependencies=[FromOurPage])
def revoke_owner_link(request: Request, site_id: str, user: SignedIn) -> Response:
    """Take the owner's link back."""
    office_only(user)
    with writing(request.app.state.engine) as session:
        site = stored(request, session, site_id)
        sites.revoke_owner_link(session, site)
        note(session, user.name, "owner_link.revoked", site_id=site_id, site=site.name)
    response = RedirectResponse(f"/sites/{site_id}#owner", 303)
    end_flash(response)
    return response


def _curves(site: Shown) -> Curves:
    if site.found is None or site.found.curves is None:
        raise HTTPException(404)
    return site.found.curves


class Form(TypedDict):
    """How a chart is drawn."""

    narrow: bool
    dark: bool


def _drawn(request: Request, site: Shown, look: Look, draw: Callable[[Form], str]) -> Response:
    """Return a chart, drawn only if the browser does not hold it already."""
    headers = {
        "ETag": f'"{site.version}-{look}-{current_language()}"',
        "Cache-Control": f"private, max-age={KEPT_S}",
    }
    if request.headers.get("if-none-match") == headers["ETag"]:
        return Response(status_code=304, headers=headers)
    svg = draw(Form(narrow=look.startswith("narrow"), dark=look.endswith("dark")))
    return Response(svg, media_type="image/svg+xml", headers=headers)
