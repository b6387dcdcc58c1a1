"""Photos from the roof as they are kept: JPEG, already re-encoded. What a photo may be is intake's business."""

from __future__ import annotations

from datetime import UTC, datetime

from sqlmodel import Session

from service.store.tables import Photo
from service.store.tokens import new_id


def keep(session: Session, site_id: str, jpeg: bytes, *, width: int, height: int, by: str) -> str:
    """Keep a photo; return its id."""
    photo = Photo(
        site_id=site_id,
        id=new_id(),
        kept_at=datetime.now(UTC),
        kept_by=by,
        width=width,
        height=height,
        jpeg=jpeg,
    )
    session.add(photo)
    session.flush()
    return photo.id


def find(session: Session, site_id: str, photo_id: str) -> Photo | None:
    """Return the site's photo of that id, None if there is none."""
    return session.get(Photo, (site_id, photo_id))
