"""The pages for office and installer: one site, one unit."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from service.store import sites
from service.store.audit import note
from service.store.database import writing
from service.web.pages.addresses import own_address
from service.web.pages.arrival_view import arrival_view
from service.web.pages.correcting import corrections_of
from service.web.pages.lookup import find, stored, unit_of
from service.web.pages.people import seers_of
from service.web.pages.render import page
from service.web.pages.site_view import site_view
from service.web.pages.unit_view import unit_view
from service.web.pages.visit import marks_of
from service.web.pages.weather_view import weather_of
from service.web.session import FromOurPage, SignedIn, end_flash, flash, flashed, office_only

router = APIRouter(include_in_schema=False)


@router.get("/sites/{site_id}")
def one_site(request: Request, site_id: str, user: SignedIn, day: str = "") -> HTMLResponse:
    """Show one site: the answer, the roof, the ranking, the findings."""
    site = find(request, site_id)
    once = flashed(request)
    handed_over = once if once.get("site") == site_id else {}
    told, marks = corrections_of(request, site), marks_of(request, site)
    response = page(
        request,
        "office/site.html",
        site=site,
        view=site_view(site, day, told.proposals, marks),
        arrival=arrival_view(request, site),
        told=told,
        is_office=user.role == "office",
        weather=weather_of(request, site),
        on_list=marks.live_count,
        settled_note=marks.settled_note(site.found),
        seers=seers_of(request, site_id, handed_over) if user.role == "office" else None,
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
    mark = marks_of(request, site).unit(serial)
    return page(
        request,
        "office/unit.html",
        site=site,
        view=shown,
        mark=mark,
        weather=weather_of(request, site),
        is_office=user.role == "office",
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
