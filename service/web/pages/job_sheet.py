"""The job sheet that goes along in the van: as a page that prints to a sheet, and as a PDF."""

from __future__ import annotations

import re

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from service.jobs.assemble import site_from_record
from service.report import paper
from service.store.database import reading
from service.web.pages.addresses import own_address
from service.web.pages.codes import in_groups
from service.web.pages.job_sheet_view import JobSheet, as_values, job_sheet, qr_svg
from service.web.pages.languages import language_links
from service.web.pages.lookup import stored
from service.web.pages.render import page
from service.web.session import SignedIn

router = APIRouter(include_in_schema=False)


@router.get("/sites/{site_id}/job-sheet")
def sheet_page(request: Request, site_id: str, _: SignedIn) -> HTMLResponse:
    """Show the sheet as it prints."""
    sheet = _sheet(request, site_id)
    in_languages = language_links(request, keep_query=False)
    return page(
        request, "van/job_sheet.html", sheet=sheet, href=f"/sites/{site_id}", in_languages=in_languages
    )


@router.get("/sites/{site_id}/job-sheet.pdf")
def sheet_pdf(request: Request, site_id: str, _: SignedIn, size: paper.Size = "a4") -> Response:
    """Give the sheet as PDF, A4 or letter."""
    sheet = _sheet(request, site_id)
    made = paper.pdf("van/job_sheet.typ", as_values(sheet), size=size)
    name = re.sub(r"[^A-Za-z0-9]+", "-", sheet.name).strip("-").lower() or "site"
    headers = {"Content-Disposition": f'inline; filename="job-sheet-{name[:60]}.pdf"'}
    return Response(made, media_type="application/pdf", headers=headers)


@router.get("/sites/{site_id}/qr.svg")
def qr_code(request: Request, site_id: str, _: SignedIn) -> Response:
    """Draw the site's short link as a QR code."""
    sheet = _sheet(request, site_id)
    return Response(qr_svg(sheet.link), media_type="image/svg+xml")


def _sheet(request: Request, site_id: str) -> JobSheet:
    with reading(request.app.state.engine) as session:
        site = stored(request, session, site_id)
    record = site_from_record(site.record)
    return job_sheet(record, site.record.get("address"), in_groups(site.code), own_address(request))
