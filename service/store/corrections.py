"""Corrections that were accepted: what, by whom, when, and the record before, so that each can be taken back.

What a correction means is intake's business. The caller holds the site's row (`sites.held`) and commits.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import func, select
from sqlmodel import Session, col

from service.store import sites
from service.store.tables import CorrectionRow, Site
from service.store.tokens import digest


@dataclass(frozen=True)
class Accepted:
    """One correction as it was accepted, without the records.

    `stands` if it is the last that was not undone and the site's record is what it made.
    """

    number: int
    correction: dict[str, Any]
    changes: list[dict[str, Any]]
    accepted_by: str
    accepted_at: datetime
    undone_by: str | None
    undone_at: datetime | None
    stands: bool


def fingerprint(record: dict[str, Any]) -> str:
    """Return a digest that two records share if they are equal."""
    return digest(json.dumps(record, sort_keys=True, separators=(",", ":")))


def keep(
    session: Session,
    site: Site,
    record: dict[str, Any],
    *,
    correction: dict[str, Any],
    changes: Sequence[dict[str, Any]],
    by: str,
) -> Accepted:
    """Put the corrected record in the place of the site's, and note who did so."""
    row = CorrectionRow(
        site_id=site.id,
        number=_last_number(session, site.id, undone=True) + 1,
        correction=correction,
        changes=list(changes),
        accepted_by=by,
        accepted_at=datetime.now(UTC),
        record_before=site.record,
        after_sha256=fingerprint(record),
    )
    sites.replace(session, site, record)
    session.add(row)
    session.flush()
    return _accepted(session, site, row)


def find(session: Session, site: Site, number: int) -> Accepted | None:
    """Return the correction of that number, None if there is none."""
    row = session.get(CorrectionRow, (site.id, number))
    return _accepted(session, site, row) if row else None


def of_site(session: Session, site: Site) -> list[Accepted]:
    """Return all that were accepted on the site, the newest first."""
    last, now = _last_number(session, site.id, undone=False), fingerprint(site.record)
    columns = [col(getattr(CorrectionRow, name)) for name in _COLUMNS]
    query = select(*columns).where(col(CorrectionRow.site_id) == site.id)
    rows = session.execute(query.order_by(col(CorrectionRow.number).desc()))
    return [_shown(row, stands=row.number == last and row.after_sha256 == now) for row in rows]


def take_back(session: Session, site: Site, number: int, by: str) -> Accepted:
    """Put the record from before the correction back, just as it was, and note who did so."""
    row = session.get_one(CorrectionRow, (site.id, number))
    sites.replace(session, site, row.record_before)
    row.undone_by, row.undone_at = by, datetime.now(UTC)
    session.add(row)
    session.flush()
    return _accepted(session, site, row)


_COLUMNS = (
    "number", "correction", "changes", "accepted_by", "accepted_at", "undone_by", "undone_at", "after_sha256"
)  # fmt: skip


def _accepted(session: Session, site: Site, row: CorrectionRow) -> Accepted:
    is_last = row.number == _last_number(session, site.id, undone=False)
    return _shown(row, stands=is_last and row.after_sha256 == fingerprint(site.record))


def _shown(row: Any, *, stands: bool) -> Accepted:
    return Accepted(**{name: getattr(row, name) for name in _COLUMNS[:-1]}, stands=stands)


def _last_number(session: Session, site_id: str, *, undone: bool) -> int:
    """Return the last correction's number, 0 without any; those that were undone count if so asked."""
    query = select(func.max(CorrectionRow.number)).where(col(CorrectionRow.site_id) == site_id)
    if not undone:
        query = query.where(col(CorrectionRow.undone_at).is_(None))
    return session.execute(query).scalar_one() or 0
