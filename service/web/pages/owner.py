"""The owner's page: open to whoever has the link, and to nobody else."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import Response

from service.web.pages import view
from service.web.pages.lookup import find_by_owner_token
from service.web.pages.owner_view import owner_view
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
    days = view.site_days(site.found, site.zone) if site.found else []
    shown = owner_view(site.found, days, site.record)
    response = page(request, "owner/home.html", name=site.record.name, view=shown)
    response.headers.update(UNSEEN)
    return response
