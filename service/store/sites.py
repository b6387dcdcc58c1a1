"""Sites: their records, versions and owners' links. What a record may hold is intake's business."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Select, exists, func, or_, true, update
from sqlalchemy import select as select_columns
from sqlmodel import Session, col, select

from service.store import listed, site_days
from service.store.tables import ReadingDay, Site, VerificationRow
from service.store.tokens import digest, new_code, new_id, new_token

DEFAULT_WINDOW = "default"
"""Key of the verification over all readings held, up to the last 14 days."""

ENERGY_CHANNELS = ("energy_wh", "power_w")
"""Channels without which there is nothing to verify."""


def create(session: Session, record: dict[str, Any]) -> Site:
    """Keep a validated record as a new site."""
    code = _free_code(session)
    site = Site(id=new_id(), name=record["name"], record=record, created_at=datetime.now(UTC), code=code)
    session.add(site)
    session.flush()
    listed.keep(session, site)
    return site


def _free_code(session: Session) -> str:
    while True:  # of 887 million codes hardly ever a second try
        code = new_code()
        if by_code(session, code) is None:
            return code


def by_code(session: Session, code: str) -> Site | None:
    """Return the site whose job sheet carries the code."""
    return session.exec(select(Site).where(col(Site.code) == code)).first()


def get(session: Session, site_id: str) -> Site | None:
    """Return the site, None if there is none of that id."""
    return session.get(Site, site_id)


def held(session: Session, site_id: str) -> Site | None:
    """Return the site for changing its record: nobody else changes it until the session's work is done."""
    return session.get(Site, site_id, with_for_update={"key_share": True}, populate_existing=True)


def replace(session: Session, site: Site, record: dict[str, Any]) -> Site:
    """Put another record in the place of the site's; its readings stay."""
    site.name = record["name"]
    site.record = record
    session.add(site)
    session.flush()
    listed.keep(session, site)
    touch(session, site.id)
    site_days.want_all(session, site.id)
    session.refresh(site)
    return site


def delete(session: Session, site: Site) -> None:
    """Delete the site with everything that is kept for it."""
    session.delete(site)
    session.flush()


def page(session: Session, *, offset: int, limit: int, only: str | None = None) -> tuple[list[Site], int]:
    """Return sites by name from `offset` on, and how many there are in all; with `only` just the one of that id."""
    wanted = true() if only is None else col(Site.id) == only
    total = session.exec(select(func.count()).select_from(Site).where(wanted)).one()
    query = select(Site).where(wanted).order_by(col(Site.name), col(Site.id)).offset(offset).limit(limit)
    return list(session.exec(query)), total


def names(session: Session) -> list[tuple[str, str]]:
    """Return the ids and names of all sites, by name."""
    rows = session.execute(
        select_columns(col(Site.id), col(Site.name)).order_by(col(Site.name), col(Site.id))
    )
    return [(site_id, name) for site_id, name in rows]


def touch(session: Session, site_id: str) -> None:
    """Say that the site's data changed: what was computed from an earlier version is out of date."""
    # One statement, so that two writers at once raise it by two.
    raised = update(Site).where(col(Site.id) == site_id).values(data_version=col(Site.data_version) + 1)
    session.execute(raised.execution_options(synchronize_session=False))


def behind(session: Session, made_by: str) -> dict[str, int]:
    """Return the sites, with their data versions, that hold energy and lack a verification of it by `made_by`."""
    return dict(session.execute(_behind(made_by).order_by(col(Site.id))).all())


def is_behind(session: Session, site_id: str, made_by: str) -> bool:
    """Return whether the site is one of those."""
    return session.execute(_behind(made_by).where(col(Site.id) == site_id)).first() is not None


def _behind(made_by: str) -> Select[str, int]:
    heard = or_(*(col(ReadingDay.channel).startswith(name) for name in ENERGY_CHANNELS))
    return (
        select_columns(col(Site.id), col(Site.data_version))
        .outerjoin(
            VerificationRow,
            (col(VerificationRow.site_id) == col(Site.id)) & (col(VerificationRow.window) == DEFAULT_WINDOW),
        )
        .where(exists().where(col(ReadingDay.site_id) == col(Site.id)).where(heard))
        .where(
            or_(
                col(VerificationRow.data_version).is_(None),
                col(VerificationRow.data_version) < col(Site.data_version),
                col(VerificationRow.made_by) != made_by,
            )
        )
    )


def make_owner_link(session: Session, site: Site) -> str:
    """Return a new token for the owner's page; an earlier one ends, and only the digest is kept."""
    token = new_token()
    site.owner_token_hash = digest(token)
    session.add(site)
    session.flush()
    return token


def revoke_owner_link(session: Session, site: Site) -> None:
    """End the owner's link."""
    site.owner_token_hash = None
    session.add(site)
    session.flush()


def by_owner_token(session: Session, token: str) -> Site | None:
    """Return the site whose owner's link carries the token."""
    return session.exec(select(Site).where(col(Site.owner_token_hash) == digest(token))).first()
