"""From an address to what it names: the site with its record and its newest verification, or 'not found'."""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

from fastapi import HTTPException, Request

from service.expect.site import Site, Unit
from service.jobs.assemble import site_from_record
from service.jobs.verification import MADE_BY, current
from service.store import sites, tables
from service.store.database import reading
from service.verify.result import UnitResult, Verification


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

    @property
    def zone(self) -> ZoneInfo:
        """Return the site's time zone."""
        return ZoneInfo(self.record.timezone)

    @property
    def href(self) -> str:
        """Return the address of the site's page."""
        return f"/sites/{self.site_id}"


def find(request: Request, site_id: str) -> Shown:
    """Return the site of that id; raises 404."""
    with reading(request.app.state.engine) as session:
        site = sites.get(session, site_id)
    return shown(request, site)


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
    )


def unit_of(site: Shown, serial: str) -> tuple[Unit, UnitResult | None]:
    """Return the unit on the record and its result; raises 404 for a serial that is not on the record."""
    unit = next((u for u in site.record.units if u.serial == serial), None)
    if unit is None:
        raise HTTPException(404)
    results = site.found.units if site.found else ()
    return unit, next((r for r in results if r.serial == serial), None)
