"""From an address to what it names, for those who may see it: a site with its newest verification, or 'not found'.

Every page, chart and file of a site comes through here, so that who sees what is decided once: the office sees all,
an installer the sites assigned, an owner's link that one site. What is hidden looks as if it were not there.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from zoneinfo import ZoneInfo

from fastapi import HTTPException, Request
from sqlmodel import Session

from service.expect.site import Site, Unit
from service.jobs.assemble import site_from_record
from service.jobs.verification import MADE_BY, current
from service.store import sites, tables
from service.store.assignments import may_see
from service.store.database import reading
from service.verify.result import UnitResult, Verification
from service.web.pages import contact
from service.web.pages.contact import Contact


@dataclass(frozen=True)
class Shown:
    """A site as the pages show it; `found` is None before there are readings.

    `version` is another one as soon as `found` may be.
    """

    site_id: str
    record: Site
    version: str
    has_owner_link: bool
    found: Verification | None
    commissioned_on: date | None = None
    contact: Contact | None = None
    """Whom the owner calls."""

    @property
    def zone(self) -> ZoneInfo:
        """Return the site's time zone."""
        return ZoneInfo(self.record.timezone)

    @property
    def href(self) -> str:
        """Return the address of the site's page."""
        return f"/sites/{self.site_id}"


def find(request: Request, site_id: str) -> Shown:
    """Return the site of that id; raises 404 if there is none that whoever is signed in may see."""
    with reading(request.app.state.engine) as session:
        site = stored(request, session, site_id)
    return shown(request, site)


def stored(request: Request, session: Session, site_id: str, *, to_change: bool = False) -> tables.Site:
    """Return the site's row, as `find` does, without its verification: for forms, files and lists.

    `to_change` holds the row, in a writing session: nobody else changes the record until the session's work is done.
    """
    user = getattr(request.state, "user", None)
    if user is None or not may_see(session, user, site_id):
        raise HTTPException(404)
    site = (sites.held if to_change else sites.get)(session, site_id)
    if site is None:
        raise HTTPException(404)
    return site


def may_change(request: Request) -> bool:
    """Return whether whoever is signed in may mark units, edit the plan and bring readings to a site given by `find`.

    The office may, and the installer whose site it is. Corrections, owner links, people, tokens and the audit list
    are the office's alone: `session.office_only`.
    """
    return getattr(request.state, "user", None) is not None


def find_by_owner_token(request: Request, token: str) -> Shown:
    """Return the site whose owner has that link; raises 404, also for a link taken back."""
    with reading(request.app.state.engine) as session:
        site = sites.by_owner_token(session, token)
    return shown(request, site)


def shown(request: Request, site: tables.Site | None) -> Shown:
    """Return a stored site as the pages show it; raises 404 for None."""
    if site is None:
        raise HTTPException(404)
    return Shown(
        site_id=site.id,
        record=site_from_record(site.record),
        version=f"{site.data_version}-{MADE_BY}",
        has_owner_link=site.owner_token_hash is not None,
        found=current(request.app.state.engine, site.id),
        commissioned_on=_date(site.record.get("commissioned_on")),
        contact=contact.of_site(site.record, request.app.state.firm),
    )


def _date(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


def unit_of(site: Shown, serial: str) -> tuple[Unit, UnitResult | None]:
    """Return the unit on the record and its result; raises 404 for a serial that is not on the record."""
    unit = next((u for u in site.record.units if u.serial == serial), None)
    if unit is None:
        raise HTTPException(404)
    results = site.found.units if site.found else ()
    return unit, next((r for r in results if r.serial == serial), None)
