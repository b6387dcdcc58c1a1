"""Rankings and charts as files: CSV, XLSX, SVG and PNG."""

from __future__ import annotations

import re
import unicodedata
from typing import Literal
from urllib.parse import quote

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response, StreamingResponse

from service.report.language import current_language
from service.report.raster import png
from service.report.sheets import CSV_TYPE, XLSX_TYPE, Table, csv_lines, xlsx
from service.report.sunpaths import PAPER
from service.web.pages.drawings import Drawing, drawing
from service.web.pages.lookup import find
from service.web.session import SignedIn

router = APIRouter(include_in_schema=False)

Look = Literal["wide", "wide-dark", "narrow", "narrow-dark"]
Picture = Literal["svg", "png"]
Sheet = Literal["csv", "xlsx"]
KEPT_S = 24 * 3600


@router.get("/sites/{site_id}/chart/{name:path}.{form}")
def chart_file(
    request: Request, site_id: str, name: str, form: Picture | Sheet, __: SignedIn, look: Look = "wide"
) -> Response:
    """Give a chart as a picture, or its numbers."""
    site = find(request, site_id)
    drawn = drawing(site.record, site.found, name) if site.found else None
    if drawn is None:
        raise HTTPException(404)
    if form in ("csv", "xlsx"):
        return sheet(drawn.table(), form, site.record.name, name)
    return picture(request, site.version, drawn, look, form)


def sheet(table: Table, form: str, *names: str) -> Response:
    """Return a table as a file that a browser keeps under these names."""
    headers = {"Content-Disposition": _kept_as("-".join(names), form)}
    if form == "xlsx":
        return Response(xlsx(table), media_type=XLSX_TYPE, headers=headers)
    return StreamingResponse(csv_lines(table), media_type=CSV_TYPE, headers=headers)


def picture(request: Request, version: str, drawn: Drawing, look: Look, form: str) -> Response:
    """Return a chart, drawn only if the browser does not hold it already in this version."""
    headers = {
        "ETag": f'"{version}-{look}-{form}-{current_language()}"',
        "Cache-Control": f"private, max-age={KEPT_S}",
    }
    if request.headers.get("if-none-match") == headers["ETag"]:
        return Response(status_code=304, headers=headers)
    dark = look.endswith("dark")
    svg = drawn.draw(narrow=look.startswith("narrow"), dark=dark)
    if form == "svg":
        return Response(svg, media_type="image/svg+xml", headers=headers)
    return Response(
        png(svg, paper=PAPER["dark" if dark else "light"]), media_type="image/png", headers=headers
    )


def _kept_as(name: str, form: str) -> str:
    """Return the header that names a file, in plain letters and as it is (RFC 6266)."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    short = re.sub(r"[^A-Za-z0-9]+", "-", plain).strip("-")[:80] or "table"
    exact = quote(re.sub(r"[\x00-\x1f/\\:*?\"<>|]+", "-", name)[:80], safe="")
    return f"attachment; filename=\"{short}.{form}\"; filename*=UTF-8''{exact}.{form}"
