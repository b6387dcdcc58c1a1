"""A new site, and changes of a site's place, planes and types: the form, and what it does."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from babel import Locale
from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from service.intake.accept import RecordMoved
from service.intake.places import listed_timezones
from service.intake.plan import differences
from service.intake.problems import Refused
from service.intake.record import as_stored, read_begun
from service.intake.rewrite import begin, rewrite
from service.report.language import current_locale
from service.report.language import gettext as _
from service.store.corrections import fingerprint
from service.store.database import reading
from service.store.tables import Site
from service.web.anew import verify_anew
from service.web.forms import SentForm
from service.web.pages import site_form
from service.web.pages.changes_view import field_words
from service.web.pages.lookup import stored
from service.web.pages.render import page
from service.web.pages.site_form import SiteForm
from service.web.session import FromOurPage, SignedIn, flash, office_only

router = APIRouter(include_in_schema=False)


@router.get("/sites/new")
def new_site(request: Request, user: SignedIn) -> Response:
    """Show the form of a new site."""
    office_only(user)
    return _page(request, site_form.empty_form())


@router.post("/sites/new", dependencies=[FromOurPage])
def make_site(request: Request, user: SignedIn, sent: SentForm) -> Response:
    """Make the site and go on to its plan, or show the form again with what was typed."""
    office_only(user)
    form = site_form.form_as_sent(sent.fields)
    if _step(form, sent.fields.get("do", "")):
        return _page(request, form)
    record = _record(form, None)
    if record is None:
        return _page(request, form, status=422)
    site_id = begin(request.app.state.engine, record, by=user.name)
    return RedirectResponse(f"/sites/{site_id}/plan", 303)


@router.get("/sites/{site_id}/edit")
def edit_site(request: Request, site_id: str, user: SignedIn) -> Response:
    """Show the form with what the record says."""
    office_only(user)
    site = _site(request, site_id)
    return _page(request, site_form.form_of(site.record), site)


@router.post("/sites/{site_id}/edit", dependencies=[FromOurPage])
def change_site(request: Request, site_id: str, user: SignedIn, sent: SentForm) -> Response:
    """Change the record, or show the form again with what was typed."""
    office_only(user)
    site = _site(request, site_id)
    form = site_form.form_as_sent(sent.fields)
    on = sent.fields.get("on", "")
    if _step(form, sent.fields.get("do", "")):
        return _page(request, form, site, on=on)
    record = _record(form, site.record)
    if record is None:
        return _page(request, form, site, status=422, on=on)
    try:
        number = rewrite(request.app.state.engine, site_id, record, on=on, by=user.name)
    except RecordMoved:
        return _moved(request, form, site_id, record)
    if number is not None:
        verify_anew(request, site_id)
    response = RedirectResponse(f"/sites/{site_id}/plan", 303)
    flash(response, request, {"site": site_id, "said": _("The record is saved.") if number else ""})
    return response


def _moved(request: Request, form: SiteForm, site_id: str, typed: dict[str, Any]) -> Response:
    site = _site(request, site_id)
    differing = ", ".join(field_words(differences(site.record, typed).fields)) or _("the units")
    form.general.append(
        _(
            "Somebody changed the record while you typed. Nothing of yours is saved yet; it is all still here. What "
            "you typed differs from the record as it is now in: %(fields)s. Saving again puts yours in its place."
        )
        % {"fields": differing}
    )
    return _page(request, form, site, status=409)


def _step(form: SiteForm, do: str) -> bool:
    """Add or take away an entry, if that is what was asked; return whether it was."""
    if added := re.fullmatch(r"add-(\w+)", do):
        site_form.with_one_more(form, added[1])
    elif removed := re.fullmatch(r"remove-(\w+)\.(\d{1,3})", do):
        site_form.without_entry(form, removed[1], int(removed[2]))
    return bool(added or removed)


def _record(form: SiteForm, before: dict[str, Any] | None) -> dict[str, Any] | None:
    """Return the record if it can be kept; otherwise the form has its errors."""
    made = site_form.record_of(form, before)
    form.general += [text for _group, text in site_form.missing_entries(form)]
    try:
        record = as_stored(read_begun(made))
    except Refused as refused:
        site_form.take_errors(form, refused.errors)
        return None
    return None if form.errors or form.general else record


def _site(request: Request, site_id: str) -> Site:
    with reading(request.app.state.engine) as session:
        return stored(request, session, site_id)


def _page(
    request: Request, form: SiteForm, site: Site | None = None, *, status: int = 200, on: str | None = None
) -> Response:
    return page(
        request,
        "office/site_form.html",
        status=status,
        form=form,
        site=site,
        on=on or (fingerprint(site.record) if site else ""),
        zones=list(_zones(current_locale())),
    )


def _zones(locale: Locale) -> Iterator[tuple[str, str]]:
    """Give every timezone with its city and country in words, so that either finds it."""
    for name, country in listed_timezones():
        city = name.rpartition("/")[2].replace("_", " ")
        yield name, f"{city}, {locale.territories.get(country, country)}"
