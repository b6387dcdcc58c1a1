"""The page for the roof: one site on a phone, read again while it is in view, at the cost of a few bytes if it can.

`?part=1` gives the part that changes, for the page's own script. Without script the page is the same and is read again
by its link.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import Response

from service.jobs.verification import MADE_BY
from service.report.language import current_language
from service.store import punch, tables
from service.store.database import reading
from service.store.tokens import digest
from service.web.pages.climb import after_marks, climb
from service.web.pages.languages import language_links
from service.web.pages.lookup import Shown, shown, stored
from service.web.pages.render import page, static_digest
from service.web.pages.visit import Marks
from service.web.session import SignedIn

router = APIRouter(include_in_schema=False)


@router.get("/sites/{site_id}/van")
def on_the_roof(request: Request, site_id: str, user: SignedIn, part: bool = False) -> Response:
    """Show the short page for a phone, or say that it is as it was."""
    with reading(request.app.state.engine) as session:
        row = stored(request, session, site_id)
        entries, steps = punch.of_site(session, site_id), punch.steps(session, site_id)
    tag = _tag(row, user, entries, steps)
    if tag in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers={"ETag": tag})
    response = page(
        request,
        "van/part.html" if part else "van/site.html",
        tag=tag,
        in_languages=language_links(request, keep_query=False),
        **_content(shown(request, row), entries, steps),
    )
    response.headers["ETag"] = tag
    return response


def _content(
    site: Shown, entries: Sequence[tables.PunchEntry], steps: Sequence[tables.PunchStep]
) -> dict[str, Any]:
    marks = Marks(site, entries, steps)
    view = climb(site.found, site.record)
    others = marks.others(view.subjects)
    return {
        "site": site,
        "view": after_marks(view, [marks.subject(subject) for subject in sorted(view.subjects)]),
        "marks": marks,
        "others": [mark for mark in others if mark.state != "closed"],
        "proven": [mark for mark in others if mark.state == "closed"],
    }


def _tag(
    site: tables.Site,
    user: tables.User,
    entries: Sequence[tables.PunchEntry],
    steps: Sequence[tables.PunchStep],
) -> str:
    """Return what names the page as it is: another one as soon as anything on it may be another."""
    marks = [(e.number, e.state, e.mended_at, e.reason, e.proof) for e in entries]
    program = (MADE_BY, static_digest("page.css"), static_digest("van.js"))
    reader = (user.id, user.name, user.role, current_language())
    parts = (site.id, site.name, site.data_version, *program, *reader, marks, len(steps))
    return f'W/"{digest(repr(parts))[:24]}"'
