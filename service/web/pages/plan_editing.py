"""The roof plan being built and changed: shown, stepped on, saved, undone, and written to files.

Every step between two saves is a form sent and shown again, so that it works without script; nothing is stored by it.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, HTTPException, Path, Request
from fastapi.responses import RedirectResponse, Response

from service.intake import rewrite
from service.intake.accept import RecordMoved
from service.intake.plan import Drawn, beside_the_plan, checked, differences, merged, plan_of, with_plan
from service.intake.plan_text import as_csv
from service.intake.problems import Refused
from service.report.language import gettext as _
from service.store import record_changes
from service.store.corrections import fingerprint
from service.store.database import reading
from service.store.tables import Site, User
from service.web.anew import verify_anew
from service.web.forms import SentForm
from service.web.pages import plan_form
from service.web.pages.changes_view import diff_view, made_view, place_words
from service.web.pages.lookup import may_change, stored
from service.web.pages.plan import facing
from service.web.pages.plan_form import PlanForm
from service.web.pages.plan_warnings import heard_already, key_of, warnings_of
from service.web.pages.render import page
from service.web.pages.told import in_words, with_field
from service.web.session import FromOurPage, SignedIn, end_flash, flash, flashed

router = APIRouter(include_in_schema=False)

Number = Annotated[int, Path(ge=1, le=10**9)]


@router.get("/sites/{site_id}/plan")
def show_plan(request: Request, site_id: str, _user: SignedIn) -> Response:
    """Show the plan as the record has it, every serial in a field of its own."""
    site = site_to_change(request, site_id)
    once = flashed(request)
    told = once if once.get("site") == site_id else {}
    response = _page(request, site, plan_form.form_of(site.record, fingerprint(site.record)), told=told)
    if once:
        end_flash(response)
    return response


@router.post("/sites/{site_id}/plan", dependencies=[FromOurPage])
def change_plan(request: Request, site_id: str, user: SignedIn, sent: SentForm) -> Response:
    """Save the plan, or do the step that was asked and show it again."""
    site = site_to_change(request, site_id)
    form = plan_form.form_as_sent(site.record, sent.fields)
    do = sent.fields.get("do", "")
    if not do.startswith("save"):
        plan_form.take_step(form, do)
        plan_form.mark_twins(form)
        return _page(request, site, form, status=200 if form.is_right else 422, unsaved=True)
    if form.on != fingerprint(site.record):
        return _moved(request, site, form)
    after = _checked(request, site, form, user)
    if after is None:
        return _page(request, site, form, status=422, unsaved=True)
    return save(request, site, after, on=form.on, by=user.name, leave=do == "save-leave")


@router.post("/sites/{site_id}/plan/undo/{number}", dependencies=[FromOurPage])
def undo_change(request: Request, site_id: str, number: Number, user: SignedIn) -> Response:
    """Put the record from before the change back."""
    said = _("Undone: the record is as it was before. The site is verified anew.")
    return _stepped(request, site_id, number, user, rewrite.undo, said)


@router.post("/sites/{site_id}/plan/redo/{number}", dependencies=[FromOurPage])
def redo_change(request: Request, site_id: str, number: Number, user: SignedIn) -> Response:
    """Make a change that was undone again."""
    said = _("The change is made again. The site is verified anew.")
    return _stepped(request, site_id, number, user, rewrite.redo, said)


@router.get("/sites/{site_id}/plan.csv")
def plan_as_csv(request: Request, site_id: str, _user: SignedIn) -> Response:
    """Give the record's units as a table for spreadsheets."""
    site = site_to_change(request, site_id)
    body = "\ufeff" + as_csv(site.record)  # the mark by which spreadsheets know UTF-8
    return Response(body, media_type="text/csv; charset=utf-8", headers=_named(site, "csv"))


@router.get("/sites/{site_id}/record.json")
def record_as_json(request: Request, site_id: str, _user: SignedIn) -> Response:
    """Give the whole record."""
    site = site_to_change(request, site_id)
    body = json.dumps(site.record, ensure_ascii=False, indent=1)
    return Response(body, media_type="application/json", headers=_named(site, "json"))


def site_to_change(request: Request, site_id: str) -> Site:
    """Return the site whose plan whoever is signed in may change; raises 404 or 403."""
    with reading(request.app.state.engine) as session:
        site = stored(request, session, site_id)
    if not may_change(request):
        raise HTTPException(403)
    return site


def _stepped(
    request: Request, site_id: str, number: int, user: User, step: Callable[..., None], said: str
) -> Response:
    """Undo a change or make it again, have the site verified anew, and go back to the plan."""
    own_or_office(request, site_to_change(request, site_id), number, user)
    try:
        step(request.app.state.engine, site_id, number, by=user.name)
    except RecordMoved:
        return _back(request, site_id, problem=not_undone())
    verify_anew(request, site_id)
    return _back(request, site_id, said=said)


def own_or_office(request: Request, site: Site, number: int, user: User) -> None:
    """Let an installer undo what he changed himself, the office anything; raises 403."""
    with reading(request.app.state.engine) as session:
        made = record_changes.of_site(session, site)
    others = [one.number for one in made if one.made_by != user.name]
    if user.role != "office" and number in others:
        raise HTTPException(403)


def save(request: Request, site: Site, after: dict[str, Any], *, on: str, by: str, leave: bool) -> Response:
    """Keep the record and go on; if it was changed meanwhile nothing is kept, and the plan says so."""
    with reading(request.app.state.engine) as session:
        heard = heard_already(session, site, after)
    try:
        number = rewrite.rewrite(request.app.state.engine, site.id, after, on=on, by=by)
    except RecordMoved:
        return _back(
            request, site.id, problem=_("The record was changed by somebody else in this moment; try again.")
        )
    if number is not None:
        verify_anew(request, site.id)
    saved = _("Saved. The site is verified anew with it.")
    said = f"{saved} {heard}".strip()
    if number is None:
        said = _("Nothing was changed: the record says so.")
    response = RedirectResponse(f"/sites/{site.id}" if leave else f"/sites/{site.id}/plan", 303)
    flash(response, request, {"site": site.id, "said": said, "saved_on": on})
    return response


def not_undone() -> str:
    """Return why a change cannot be undone or made again."""
    return _(
        "Nothing was changed: the record is no longer the one that this change left. Look at the list anew."
    )


def _checked(request: Request, site: Site, form: PlanForm, user: User) -> dict[str, Any] | None:
    """Return the record to be kept; None if the form says what is wrong or what to look at first."""
    plan_form.mark_twins(form)
    if form.errors:
        return None
    drawn = with_plan(site.record, form.plan, form.kinds)
    try:
        after = checked(drawn)
    except Refused as refused:
        _take_errors(form, drawn, refused)
        return None
    with reading(request.app.state.engine) as session:
        form.warnings = warnings_of(session, site, after, user)
    return after if form.seen == key_of(form.warnings) or not form.warnings else None


def _take_errors(form: PlanForm, drawn: Drawn, refused: Refused) -> None:
    for error in refused.errors:
        unit = re.fullmatch(r"units\[(\d+)\]\.?(.*)", error.field)
        spot = drawn.spots.get(int(unit[1])) if unit else None
        if unit and spot is not None:
            form.errors.setdefault(
                spot, f"{'' if unit[2] == 'serial' else unit[2]} {in_words(error.message)}".strip()
            )
        else:
            form.general.append(with_field(error))


def _moved(request: Request, site: Site, form: PlanForm) -> Response:
    """Show what somebody else changed meanwhile, with what was typed kept in the cells that were typed in."""
    now = plan_of(site.record)
    theirs = differences(
        with_plan(site.record, replace(now, cells=form.base), form.kinds).record,
        with_plan(site.record, now, form.kinds).record,
    )
    cells = merged(form.base, form.plan.cells, now.cells)
    form.plan = replace(form.plan, grids=plan_form.united(form.plan.grids, now.grids, cells), cells=cells)
    form.base, form.on = now.cells, fingerprint(site.record)
    plan_form.mark_twins(form)
    return _page(request, site, form, status=409, unsaved=True, theirs=diff_view(theirs))


def _page(
    request: Request,
    site: Site,
    form: PlanForm,
    *,
    status: int = 200,
    unsaved: bool = False,
    told: dict[str, str] | None = None,
    theirs: Any = None,
) -> Response:
    zone, too_large = ZoneInfo(site.record["timezone"]), plan_form.is_too_large(form.plan)
    user: User = request.state.user
    with reading(request.app.state.engine) as session:
        made = [made_view(one, zone, user) for one in record_changes.of_site(session, site)]
    return page(
        request,
        "office/plan_edit.html",
        status=status,
        site=site,
        form=form,
        too_large=too_large,
        grids=[] if too_large else plan_form.grid_views(form),
        facing=facing,
        base=plan_form.base_as_sent(form.base),
        seen=key_of(form.warnings),
        unsaved=unsaved,
        told=told or {},
        theirs=theirs,
        made=made,
        unplaced=[
            (unit["serial"], place_words(unit), unit.get("until")) for unit in beside_the_plan(site.record)
        ],
    )


def _back(request: Request, site_id: str, **told: str) -> Response:
    response = RedirectResponse(f"/sites/{site_id}/plan", 303)
    flash(response, request, {"site": site_id, **told})
    return response


def _named(site: Site, suffix: str) -> dict[str, str]:
    name = re.sub(r"[^a-z0-9]+", "-", site.name.lower()).strip("-") or "site"
    return {"Content-Disposition": f'attachment; filename="{name}.{suffix}"'}
