"""A plan from a spreadsheet or a file: what was understood is shown as a change, and stored by a second click."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import Response

from service.intake.json_form import parse_json
from service.intake.plan import Kinds, differences, plan_of
from service.intake.plan_text import (
    TextProblem,
    Understood,
    decoded,
    problems_of,
    rectangle_onto,
    table_onto,
    understood,
)
from service.intake.problems import Refused
from service.intake.record import as_stored, read_begun
from service.report.language import gettext as _
from service.store.corrections import fingerprint
from service.store.database import reading
from service.store.tables import Site, User
from service.web.forms import Sent, SentForm
from service.web.pages.changes_view import UNIT_FIELDS, DiffView, diff_view
from service.web.pages.plan_editing import save, site_to_change
from service.web.pages.plan_form import chosen_kinds
from service.web.pages.plan_warnings import Warned, heard_already, warnings_of
from service.web.pages.render import page
from service.web.pages.told import with_field
from service.web.session import FromOurPage, SignedIn, office_only

router = APIRouter(include_in_schema=False)

PROBLEMS_SHOWN = 50


@dataclass
class Pasted:
    """What was pasted, how it is meant, what it would change, and what is wrong with it."""

    text: str = ""
    plane: str = ""
    whole: bool = False
    kinds: Kinds = field(default_factory=lambda: Kinds("", ""))
    after: dict[str, Any] | None = None
    diff: DiffView | None = None
    remarks: list[str] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    warnings: list[Warned] = field(default_factory=list)


@router.get("/sites/{site_id}/plan/paste")
def show_paste(request: Request, site_id: str, _user: SignedIn) -> Response:
    """Show where to paste."""
    site = site_to_change(request, site_id)
    return _page(request, site, Pasted(kinds=chosen_kinds(site.record, {})))


@router.post("/sites/{site_id}/plan/paste", dependencies=[FromOurPage])
def take_paste(request: Request, site_id: str, user: SignedIn, sent: SentForm) -> Response:
    """Show what was understood, or store it if it was shown before and the record is still the same."""
    site = site_to_change(request, site_id)
    pasted = _as_sent(site, sent)
    _understand(site, pasted, user)
    if pasted.after is None:
        return _page(request, site, pasted, status=422)
    with reading(request.app.state.engine) as session:
        pasted.warnings = warnings_of(session, site, pasted.after, user)
        pasted.remarks += [text for text in [heard_already(session, site, pasted.after)] if text]
    on = sent.fields.get("on", "")
    if sent.fields.get("do") != "store":
        return _page(request, site, pasted)
    if on != fingerprint(site.record):
        pasted.problems.append(
            _("Somebody changed the record since this was shown. Look it over and store it again.")
        )
        return _page(request, site, pasted, status=409)
    return save(request, site, pasted.after, on=on, by=user.name, leave=False)


def _as_sent(site: Site, sent: Sent) -> Pasted:
    planes = [plane["name"] for plane in site.record["planes"]]
    plane = sent.fields.get("plane", "")
    return Pasted(
        decoded(sent.file) if sent.file else sent.fields.get("text", ""),
        plane if plane in planes else planes[0],
        sent.fields.get("whole") == "yes",
        chosen_kinds(site.record, sent.fields),
    )


def _understand(site: Site, pasted: Pasted, user: User) -> None:
    """Fill in what the text would change, or what is wrong with it."""
    if pasted.text.lstrip("\ufeff \t\r\n").startswith("{"):
        office_only(user)  # a whole record says more than the plan
        _as_record(pasted)
    else:
        _as_plan(site, pasted)
    if pasted.after is not None:
        pasted.diff = diff_view(differences(site.record, pasted.after))


def _as_record(pasted: Pasted) -> None:
    try:
        data = parse_json(pasted.text.lstrip("\ufeff").encode())
        without_id = (
            {name: value for name, value in data.items() if name != "id"} if isinstance(data, dict) else data
        )
        pasted.after = as_stored(read_begun(without_id))
    except Refused as refused:
        pasted.problems = [with_field(error) for error in refused.errors]
        return
    pasted.remarks.append(
        _("This is a whole record: it takes the place of all that the site has, not only of its plan.")
    )


def _as_plan(site: Site, pasted: Pasted) -> None:
    found = understood(pasted.text)
    if found.ignored:
        pasted.remarks.append(
            _("These columns are not read: %(names)s.") % {"names": ", ".join(found.ignored)}
        )
    problems = list(found.problems)
    if not problems:
        meant = _onto(site, pasted, found)
        problems = list(meant.problems)
        if not problems:
            try:
                pasted.after = as_stored(read_begun(meant.record))
            except Refused as refused:
                problems = problems_of(refused, meant.lines)
    pasted.problems = [problem_words(problem) for problem in problems[:PROBLEMS_SHOWN]]
    if len(problems) > PROBLEMS_SHOWN:
        pasted.problems.append(_("and %(num)d more") % {"num": len(problems) - PROBLEMS_SHOWN})


def _onto(site: Site, pasted: Pasted, found: Understood) -> Any:
    if found.rectangle:
        pasted.remarks.append(
            _("The first line names no columns, so this is %(plane)s as it is seen, the top row first.")
            % {"plane": pasted.plane}
        )
        return rectangle_onto(site.record, found, pasted.plane, pasted.kinds, whole=pasted.whole)
    return table_onto(site.record, found, pasted.kinds, whole=pasted.whole)


def problem_words(problem: TextProblem) -> str:
    """Return what is wrong in a text, with its place."""
    said = _problem(problem)
    column = _(UNIT_FIELDS[problem.column]) if problem.column in UNIT_FIELDS else problem.column
    if not problem.line:
        return f"{problem.column} {said}".strip()
    if not column:
        return _("Line %(line)s: %(problem)s") % {"line": problem.line, "problem": said}
    return _("Line %(line)s, column %(column)s: %(problem)s") % {
        "line": problem.line,
        "column": column,
        "problem": said,
    }


def _problem(problem: TextProblem) -> str:
    said = {
        "empty": _("There is nothing in it; paste cells, or choose a file."),
        "long": _("It has more than %(about)s lines; give it in parts."),
        "quotes": _("A quotation mark is opened and not closed; correct it."),
        "missing": _("is missing; name it in the first line"),
        "twice": _("is named twice; keep one"),
        "empty_serial": _("is empty; give the serial or take the line out"),
        "whole": _("“%(about)s” is no whole number"),
        "wide": _("holds something, but the first line names no column there"),
        "twin": _("is the serial of line %(about)s too; correct one of the two"),
        "rounded": _(
            "“%(about)s” was rounded by the spreadsheet; set the column to text and enter the serial again"
        ),
        "no_plane": _("is needed, as the site has several; give it a column"),
        "refused": "%(about)s",
    }
    return said[problem.kind] % {"about": problem.about} if "%(" in said[problem.kind] else said[problem.kind]


def _page(request: Request, site: Site, pasted: Pasted, *, status: int = 200) -> Response:
    return page(
        request,
        "office/plan_paste.html",
        status=status,
        site=site,
        pasted=pasted,
        planes=[grid.name for grid in plan_of(site.record).grids],
        on=fingerprint(site.record),
    )
