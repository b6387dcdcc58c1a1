"""Verifications as made, by site and window, each with its data version and who made it: a string for the code.

What is in them is for `verify`, and who made them for `jobs`.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import delete
from sqlalchemy.dialects import postgresql, sqlite
from sqlmodel import Session, col, select

from service.store.sites import DEFAULT_WINDOW
from service.store.tables import VerificationRow

WINDOWS_KEPT = 24
"""Windows kept per site beside the default one: they are a cache, and asking must not fill the disk."""


@dataclass(frozen=True)
class Summary:
    """What a list of sites shows without opening the result."""

    verdict: str
    lost_wh_per_day: float
    units_heard: int
    units_fitted: int
    window_start: datetime | None = None
    window_end: datetime | None = None


@dataclass(frozen=True)
class Kept:
    """A verification's JSON, the data version it was made from, and by whom."""

    data_version: int
    made_by: str
    made_at: datetime
    verification_json: bytes


def save(
    session: Session,
    site_id: str,
    window: str,
    data_version: int,
    verification_json: bytes,
    *,
    made_by: str,
    summary: Summary,
) -> None:
    """Keep the verification of a window, unless one made from newer data is there already."""
    values = {
        "site_id": site_id,
        "window": window,
        "data_version": data_version,
        "made_by": made_by,
        "made_at": datetime.now(UTC),
        "verdict": summary.verdict,
        "lost_wh_per_day": summary.lost_wh_per_day,
        "units_heard": summary.units_heard,
        "units_fitted": summary.units_fitted,
        "window_start": summary.window_start,
        "window_end": summary.window_end,
        "result": zlib.compress(verification_json),
    }
    dialect = postgresql if session.get_bind().dialect.name == "postgresql" else sqlite
    insert = dialect.insert(VerificationRow).values(values)
    changed = {name: insert.excluded[name] for name in values if name not in ("site_id", "window")}
    session.execute(
        insert.on_conflict_do_update(
            index_elements=["site_id", "window"],
            set_=changed,
            where=col(VerificationRow.data_version) <= insert.excluded.data_version,
        )
    )
    if window != DEFAULT_WINDOW:
        _forget_oldest(session, site_id)


def load(session: Session, site_id: str, window: str) -> Kept | None:
    """Return the verification of a window, current or not, None if there is none."""
    row = session.get(VerificationRow, (site_id, window), populate_existing=True)
    return Kept(row.data_version, row.made_by, row.made_at, zlib.decompress(row.result)) if row else None


def _forget_oldest(session: Session, site_id: str) -> None:
    own = (col(VerificationRow.site_id) == site_id) & (col(VerificationRow.window) != DEFAULT_WINDOW)
    newest = (
        select(VerificationRow.window)
        .where(own)
        .order_by(col(VerificationRow.made_at).desc())
        .limit(WINDOWS_KEPT)
    )
    kept = list(session.exec(newest))
    session.execute(delete(VerificationRow).where(own & col(VerificationRow.window).not_in(kept)))
