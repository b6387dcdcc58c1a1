"""The audit list, for the office: who changed what and when, of all sites or of one, the newest first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response

from service.report import words
from service.report.deeds import deed
from service.store import audit, sites
from service.store.database import reading
from service.store.tables import AuditRow
from service.web.pages.lookup import stored
from service.web.pages.people_view import utc
from service.web.pages.render import page
from service.web.session import Office

router = APIRouter(include_in_schema=False)

PAGE_LENGTH = 50
Before = Annotated[int | None, Query(ge=1, le=2**31 - 1)]


@dataclass(frozen=True)
class Line:
    """One thing that was done; `site` is empty where it was done to none, `href` where that is gone."""

    when: str
    said: str
    site: str
    href: str


@router.get("/audit")
def all_deeds(request: Request, _: Office, before: Before = None) -> Response:
    """Show what was done anywhere."""
    with reading(request.app.state.engine) as session:
        rows = audit.latest(session, before=before, limit=PAGE_LENGTH + 1)
        names = dict(sites.names(session))
    lines = [_line(row, names) for row in rows[:PAGE_LENGTH]]
    return _page(request, "/audit", rows, lines, before)


@router.get("/sites/{site_id}/audit")
def deeds_of_site(request: Request, site_id: str, _: Office, before: Before = None) -> Response:
    """Show what was done to one site."""
    with reading(request.app.state.engine) as session:
        site = stored(request, session, site_id)
        rows = audit.latest(session, site_id=site_id, before=before, limit=PAGE_LENGTH + 1)
    zone = ZoneInfo(site.record["timezone"])
    lines = [
        Line(words.moment(row.at, zone), deed(row.who, row.action, row.details), "", "")
        for row in rows[:PAGE_LENGTH]
    ]
    return _page(request, f"/sites/{site_id}/audit", rows, lines, before, name=site.name, zone=str(zone))


def _line(row: AuditRow, names: Mapping[str, str]) -> Line:
    known = row.site_id in names
    name = names.get(row.site_id or "", "") or str(row.details.get("site", row.site_id or ""))
    return Line(
        utc(row.at), deed(row.who, row.action, row.details), name, f"/sites/{row.site_id}" if known else ""
    )


def _page(
    request: Request,
    href: str,
    rows: list[AuditRow],
    lines: list[Line],
    before: int | None,
    *,
    name: str = "",
    zone: str = "",
) -> Response:
    earlier = f"{href}?before={rows[PAGE_LENGTH - 1].id}" if len(rows) > PAGE_LENGTH else ""
    newest = href if before is not None else ""
    return page(
        request,
        "office/audit.html",
        lines=lines,
        earlier=earlier,
        newest=newest,
        name=name,
        zone=zone,
        back=href.removesuffix("/audit"),
    )
