"""Corrections on the pages: what is proposed and was accepted, the click that accepts, the click that undoes."""

from __future__ import annotations

from itertools import islice
from typing import Annotated

from fastapi import APIRouter, Form, HTTPException, Path, Request
from fastapi.responses import RedirectResponse, Response

from service.intake.accept import NoSuchCorrection, Outcome, RecordMoved, accept, proposal, undo
from service.intake.correction import read_correction
from service.intake.json_form import parse_json
from service.intake.problems import Refused
from service.intake.take import NoSuchSite
from service.report.language import gettext as _
from service.report.language import marked
from service.store import corrections, sites
from service.store.database import reading
from service.web.anew import verify_anew
from service.web.pages.lookup import Shown
from service.web.pages.proposals import Corrections, accepted_view, key_of, proposal_view
from service.web.pages.told import with_field
from service.web.session import FromOurPage, SignedIn, flash, office_only

router = APIRouter(include_in_schema=False)
Text = Annotated[str, Form()]
Number = Annotated[int, Path(ge=1, le=10**9)]

PROPOSED_AT_ONCE = 25
"""Each proposal is tried on the record before it is shown; the others come up when these are settled."""

ACCEPTED = marked("The record is corrected, and the site is verified anew with it.")
MOVED = marked(
    "Nothing was changed. The record was changed after this correction was shown; look at it anew."
)
MOVED_SINCE = marked(
    "Nothing was changed. The record was changed after this correction, so the one from before it would undo that "
    "change too. Undo later corrections first, or change the record itself."
)
UNDONE = marked("The record is as it was before the correction, and the site is verified anew with it.")


def corrections_of(request: Request, shown: Shown) -> Corrections:
    """Return what the site's findings propose, as far as it fits the record, and what was accepted before."""
    keyed = {key_of(f): f.details.get("correction") for f in (shown.found.findings if shown.found else ())}
    with reading(request.app.state.engine) as session:
        site = sites.get(session, shown.site_id)
        if site is None:
            return Corrections()
        wanted = islice(((key, sent) for key, sent in keyed.items() if key), PROPOSED_AT_ONCE)
        found = {key: proposal(session, site, sent) for key, sent in wanted}
        accepted = corrections.of_site(session, site)
    return Corrections(
        {key: proposal_view(one, shown.zone) for key, one in found.items() if one},
        tuple(accepted_view(one, shown.zone) for one in accepted),
    )


@router.post("/sites/{site_id}/corrections", dependencies=[FromOurPage])
def accept_correction(
    request: Request, site_id: str, user: SignedIn, correction: Text = "", on: Text = ""
) -> Response:
    """Correct the record as the page proposed, if it is still the record that the page was made from."""
    office_only(user)
    try:
        sent = read_correction(parse_json(correction.encode()))
        outcome = accept(request.app.state.engine, site_id, sent, by=user.name, on=on)
    except NoSuchSite:
        raise HTTPException(404) from None
    except Refused as refused:
        problem = _("Nothing was changed, for this does not fit: %(why)s.") % {"why": _said(refused)}
        return _back(request, site_id, problem=problem)
    except RecordMoved:
        return _back(request, site_id, problem=_(MOVED))
    return _done(request, site_id, outcome, ACCEPTED)


@router.post("/sites/{site_id}/corrections/{number}/undo", dependencies=[FromOurPage])
def undo_correction(request: Request, site_id: str, number: Number, user: SignedIn) -> Response:
    """Put the record from before the correction back."""
    office_only(user)
    try:
        outcome = undo(request.app.state.engine, site_id, number, by=user.name)
    except (NoSuchSite, NoSuchCorrection):
        raise HTTPException(404) from None
    except RecordMoved:
        return _back(request, site_id, problem=_(MOVED_SINCE))
    return _done(request, site_id, outcome, UNDONE)


def _done(request: Request, site_id: str, outcome: Outcome, said: str) -> Response:
    if outcome.changed:
        verify_anew(request, site_id)
    return _back(request, site_id, said=_(said))


def _back(request: Request, site_id: str, **said: str) -> Response:
    response = RedirectResponse(f"/sites/{site_id}#corrections", 303)
    flash(response, request, {"site": site_id, **said})
    return response


def _said(refused: Refused) -> str:
    return "; ".join(with_field(error) for error in refused.errors[:3])
