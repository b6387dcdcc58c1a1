"""Changes of site records made on the pages: what, by whom, when, and the record before; undone and made again.

What a change means is intake's business. The caller holds the site's row (`sites.held`) and commits.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import func, select
from sqlmodel import Session, col

from service.store import sites
from service.store.corrections import fingerprint
from service.store.tables import RecordChangeRow, Site


@dataclass(frozen=True)
class Made:
    """One change, without the records.

    `can_undo`: it made the record as it is; `can_redo`: undoing it made the record as it is.
    """

    number: int
    summary: dict[str, Any]
    made_by: str
    made_at: datetime
    undone_by: str | None
    undone_at: datetime | None
    can_undo: bool
    can_redo: bool


def keep(session: Session, site: Site, record: dict[str, Any], *, summary: dict[str, Any], by: str) -> int:
    """Put the record in the place of the site's, and note who did so; return the change's number."""
    number = (_last(session, site.id) or 0) + 1
    row = RecordChangeRow(
        site_id=site.id,
        number=number,
        summary=summary,
        made_by=by,
        made_at=datetime.now(UTC),
        record_before=site.record,
        after_sha256=fingerprint(record),
    )
    sites.replace(session, site, record)
    session.add(row)
    session.flush()
    return number


def of_site(session: Session, site: Site, *, limit: int = 20) -> list[Made]:
    """Return the site's changes, the newest first."""
    columns = [col(getattr(RecordChangeRow, name)) for name in _COLUMNS]
    query = select(*columns).where(col(RecordChangeRow.site_id) == site.id)
    rows = session.execute(query.order_by(col(RecordChangeRow.number).desc()).limit(limit)).all()
    undo, redo = undoable(session, site), redoable(session, site)
    return [Made(**row._asdict(), can_undo=row.number == undo, can_redo=row.number == redo) for row in rows]


def undoable(session: Session, site: Site) -> int | None:
    """Return the number of the change that made the record as it is, None if something else did since."""
    number = _last(session, site.id, col(RecordChangeRow.undone_at).is_(None))
    row = session.get(RecordChangeRow, (site.id, number)) if number else None
    return number if row and row.after_sha256 == fingerprint(site.record) else None


def redoable(session: Session, site: Site) -> int | None:
    """Return the number of the change whose undoing made the record as it is, None if there is none."""
    last = _last(session, site.id, col(RecordChangeRow.undone_at).is_(None)) or 0
    row = session.get(RecordChangeRow, (site.id, last + 1))
    return row.number if row and fingerprint(row.record_before) == fingerprint(site.record) else None


def take_back(session: Session, site: Site, number: int, by: str) -> None:
    """Put the record from before the change back, just as it was."""
    row = session.get_one(RecordChangeRow, (site.id, number))
    row.undone_by, row.undone_at, row.record_after = by, datetime.now(UTC), site.record
    sites.replace(session, site, row.record_before)
    session.add(row)
    session.flush()


def make_again(session: Session, site: Site, number: int) -> None:
    """Put the record that the change had made back, just as it was."""
    row = session.get_one(RecordChangeRow, (site.id, number))
    if row.record_after is None:
        raise ValueError(f"change {number} is not undone")
    sites.replace(session, site, row.record_after)
    row.undone_by = row.undone_at = row.record_after = None
    session.add(row)
    session.flush()


_COLUMNS = ("number", "summary", "made_by", "made_at", "undone_by", "undone_at")


def _last(session: Session, site_id: str, *which: Any) -> int | None:
    query = select(func.max(RecordChangeRow.number)).where(col(RecordChangeRow.site_id) == site_id, *which)
    number: int | None = session.execute(query).scalar_one()
    return number
