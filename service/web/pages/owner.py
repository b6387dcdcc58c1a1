"""The owner's page: open to whoever has the link, and to nobody else."""

from __future__ import annotations

from datetime import date, datetime

from fastapi import APIRouter, Request
from fastapi.responses import Response

from service.jobs.verification import MADE_BY
from service.store import punch, site_days
from service.store.database import reading
from service.web.pages.lookup import Shown, find_by_owner_token
from service.web.pages.owner_view import OwnerView, owner_view
from service.web.pages.render import page

router = APIRouter(include_in_schema=False)

UNSEEN = {
    "Referrer-Policy": "no-referrer",
    "X-Robots-Tag": "noindex, nofollow",
    "Cache-Control": "private, no-store",
}
"""The address is the key: it must reach no search engine, no other site and no shared cache."""


@router.get("/owner/{token}")
def owner_page(request: Request, token: str) -> Response:
    """Show the owner's page."""
    site = find_by_owner_token(request, token)
    response = page(request, "owner/home.html", name=site.record.name, view=_shown(request, site))
    response.headers.update(UNSEEN)
    return response


def _shown(request: Request, site: Shown) -> OwnerView:
    first = site.commissioned_on or date.min
    with reading(request.app.state.engine) as session:
        days = site_days.since(session, site.site_id, first)
        due = site_days.due(session, site.site_id, MADE_BY)
        entries = punch.of_site(session, site.site_id)
    known = {day.day for day in days}
    missing = [day for day in due if day >= first and day not in known and days and day < days[-1].day]
    today = datetime.now(site.zone).date()
    return owner_view(site, days, today, still_due=len(missing), entries=entries)
