"""The job sheet in words: which site, how to reach its page from the van, where each unit belongs, what to heed.

The same values make the page and the PDF. Pure functions.
"""

from __future__ import annotations

from dataclasses import dataclass
from io import BytesIO
from typing import Any

import segno

from service.expect.site import Site
from service.report.cautions import cautions, in_parts
from service.report.language import gettext as _
from service.report.language import ngettext
from service.web.pages.plan import Cell, PlanePlan, plans

QR_LEVEL = "M"
"""Level of error correction: 15 % of the code may be dirty or torn (ISO/IEC 18004)."""

QUIET_ZONE = 4
"""Modules of margin that a reader needs around the code (ISO/IEC 18004)."""


@dataclass(frozen=True)
class JobSheet:
    """What the sheet holds; `where` is the address, or the position where the record has none."""

    name: str
    where: str
    link: str
    form_address: str
    code: str
    fitted: str
    planes: list[PlanePlan]


def job_sheet(record: Site, address: str | None, code: str, base: str) -> JobSheet:
    """Return the sheet of a site; `base` is the server's address and `code` the site's, as it is printed."""
    count = len(record.units)
    return JobSheet(
        name=record.name,
        where=address or position(record.latitude, record.longitude),
        link=f"{base}/s/{code.replace(' ', '')}",
        form_address=f"{base.partition('://')[2]}/go",
        code=code,
        fitted=ngettext("%(count)s unit", "%(count)s units", count) % {"count": count},
        planes=plans(record, None),
    )


def position(latitude: float, longitude: float) -> str:
    """Return a place on the globe as maps take it: '53.80000, -1.55000'."""
    return _("At %(latitude)s, %(longitude)s (latitude, longitude)") % {
        "latitude": f"{latitude:.5f}",
        "longitude": f"{longitude:.5f}",
    }


def qr_svg(link: str) -> bytes:
    """Return the link as a QR code, dark on white in every scheme: some readers know no other."""
    out = BytesIO()
    segno.make(link, error=QR_LEVEL, micro=False).save(
        out, kind="svg", border=QUIET_ZONE, dark="#000", light="#fff", xmldecl=False, omitsize=True
    )
    return out.getvalue()


def as_values(sheet: JobSheet) -> dict[str, Any]:
    """Return the sheet and its words for the PDF."""
    return {
        "heading": _("Job sheet"),
        "name": sheet.name,
        "where": sheet.where,
        "fitted": sheet.fitted,
        "scan": _("Scan for the page of this site, or type the code at"),
        "form_address": sheet.form_address,
        "code": sheet.code,
        "qr": qr_svg(sheet.link).decode(),
        "cautions_heading": _("Before you start"),
        "cautions": [in_parts(caution) for caution in cautions(on_roof=True, on_mains=True)],
        "serials": _("Serials by place. Tick each one, or write or stick the serial that is there."),
        "unplaced": _("Without a place of their own on the plan:"),
        "row": _("row"),
        "planes": [_plane(plan) for plan in sheet.planes],
        "signature": [_("Fitted by"), _("Date"), _("Notes")],
    }


def _plane(plan: PlanePlan) -> dict[str, Any]:
    return {
        "name": plan.name,
        "facing": plan.facing,
        "columns": list(plan.columns),
        "rows": [{"number": row.number, "cells": [_serial(cell) for cell in row.cells]} for row in plan.rows],
        "unplaced": [cell.serial for cell in plan.unplaced],
    }


def _serial(cell: Cell | None) -> str | None:
    return cell.serial if cell else None
