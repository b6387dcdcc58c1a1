"""Who changed what and when: every change to a record, a finding or an account, for ever.

The caller notes in the transaction that makes the change, so that there is never one without the other.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlmodel import Session, col, select

from service.store.tables import AuditRow


def note(session: Session, who: str, action: str, *, site_id: str | None = None, **details: Any) -> None:
    """Keep that somebody did something, `action` in words like `record.replaced` or `unit.mended`."""
    row = AuditRow(at=datetime.now(UTC), who=who, action=action, site_id=site_id, details=details)
    session.add(row)
    session.flush()


def latest(
    session: Session, *, site_id: str | None = None, before: int | None = None, limit: int = 100
) -> list[AuditRow]:
    """Return what was noted, the newest first, of one site or of all; `before` is the last page's last id."""
    query = select(AuditRow).order_by(col(AuditRow.id).desc()).limit(limit)
    if site_id is not None:
        query = query.where(col(AuditRow.site_id) == site_id)
    if before is not None:
        query = query.where(col(AuditRow.id) < before)
    return list(session.exec(query))
