"""Files brought from other programs: their bytes in pieces, and how far each has come; not what is in them.

Whoever works on a file claims it, and says now and then that it still does; a silent claim is open to others.
"""

from __future__ import annotations

import json
import secrets
import zlib
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Literal, NamedTuple

from sqlalchemy import Engine, delete, func, or_, update
from sqlalchemy import select as select_columns
from sqlmodel import Session, col, select

from service.store.database import reading
from service.store.tables import Upload, UploadPiece

Kind = Literal["sent", "rejected"]

AT_WORK = ("looking", "taking")
OPEN = ("asks", "ready")
SILENT = timedelta(minutes=3)
"""A worker that has said nothing for so long is gone."""
MOST_TRIES = 3
HIGHEST_FIRST_TURN = 1 << 30
"""The first turn is drawn: the number of a file that was removed comes again, work on it must not."""
KEPT_DAYS = {"coming": 1, "asks": 14, "ready": 14, "failed": 14, "done": 90}
"""How long a file is kept after its last change, with the rows that were rejected."""


class Key(NamedTuple):
    """Names a file; `turn` is the work that is wanted of it."""

    site_id: str
    number: int
    turn: int


def key_of(upload: Upload) -> Key:
    """Return the file's name and the work that is wanted."""
    return Key(upload.site_id, upload.number, upload.turn)


# A file comes


def begin(session: Session, site_id: str, *, name: str, by: str) -> Upload:
    """Begin a file; the caller holds the site's row, so that no two have one number."""
    last = session.exec(select(func.max(Upload.number)).where(col(Upload.site_id) == site_id)).one()
    now = datetime.now(UTC)
    upload = Upload(
        site_id=site_id,
        number=(last or 0) + 1,
        name=name,
        sent_by=by,
        sent_at=now,
        changed_at=now,
        state="coming",
        turn=secrets.randbelow(HIGHEST_FIRST_TURN),
    )
    session.add(upload)
    session.flush()
    return upload


def keep_piece(session: Session, upload: Upload, kind: Kind, part: int, raw: bytes) -> None:
    """Keep a piece, in the place of one that is kept as this part."""
    body = zlib.compress(raw, 1)
    session.merge(UploadPiece(site_id=upload.site_id, number=upload.number, kind=kind, part=part, body=body))


def pieces(engine: Engine, upload: Upload, kind: Kind) -> Iterator[bytes]:
    """Give the pieces in their order, one in memory at a time."""
    part = 0
    while True:
        with reading(engine) as session:
            piece = session.get(UploadPiece, (upload.site_id, upload.number, kind, part))
        if piece is None:
            return
        yield zlib.decompress(piece.body)
        part += 1


def drop_pieces(session: Session, upload: Upload, kind: Kind) -> None:
    """Drop the pieces of a kind."""
    session.execute(
        delete(UploadPiece).where(
            col(UploadPiece.site_id) == upload.site_id,
            col(UploadPiece.number) == upload.number,
            col(UploadPiece.kind) == kind,
        )
    )


def keep_rejected(session: Session, upload: Upload, part: int, rows: Sequence[Sequence[Any]]) -> None:
    """Keep some of the rejected rows."""
    keep_piece(session, upload, "rejected", part, json.dumps(rows).encode())


def rejected(engine: Engine, upload: Upload) -> Iterator[list[Any]]:
    """Give the rejected rows one by one."""
    for piece in pieces(engine, upload, "rejected"):
        yield from json.loads(piece)


# What is wanted of it


def want(session: Session, upload: Upload, state: str, **values: Any) -> Key:
    """Have the file looked at or taken in, whatever was wanted before."""
    upload.state, upload.turn, upload.changed_at = state, upload.turn + 1, datetime.now(UTC)
    upload.worked_at, upload.tries, upload.seen, upload.total, upload.errors = None, 0, 0, 0, []
    for name, value in values.items():
        setattr(upload, name, value)
    session.add(upload)
    session.flush()
    return key_of(upload)


def claim(session: Session, key: Key) -> Upload | None:
    """Return the file for working on it, None if nothing is wanted of it now or somebody else works on it."""
    now = datetime.now(UTC)
    silent = or_(col(Upload.worked_at).is_(None), col(Upload.worked_at) < now - SILENT)
    claimed = session.execute(
        update(Upload)
        .where(*_is(key), col(Upload.state).in_(AT_WORK), silent)
        .values(worked_at=now, tries=Upload.tries + 1)
    )
    if claimed.rowcount == 0:  # type: ignore[attr-defined]
        return None
    return session.get(Upload, (key.site_id, key.number), populate_existing=True)


def tell(session: Session, key: Key, **values: Any) -> bool:
    """Note a sign of life with values; return whether the work is still wanted."""
    told = session.execute(update(Upload).where(*_is(key)).values(worked_at=datetime.now(UTC), **values))
    return bool(told.rowcount)  # type: ignore[attr-defined]


def leave(session: Session, key: Key) -> None:
    """Give the claim back: somebody else may try."""
    session.execute(update(Upload).where(*_is(key)).values(worked_at=None))


def finish(session: Session, key: Key, state: str, **values: Any) -> bool:
    """Note what came of the work, unless other work is wanted by now; return whether it was noted."""
    told = session.execute(
        update(Upload)
        .where(*_is(key))
        .values(state=state, worked_at=None, changed_at=datetime.now(UTC), **values)
    )
    return bool(told.rowcount)  # type: ignore[attr-defined]


def _is(key: Key) -> tuple[Any, ...]:
    return (
        col(Upload.site_id) == key.site_id,
        col(Upload.number) == key.number,
        col(Upload.turn) == key.turn,
    )


# What there is


def get(session: Session, site_id: str, number: int) -> Upload | None:
    """Return a file of the site."""
    return session.get(Upload, (site_id, number), populate_existing=True)


def held(session: Session, site_id: str, number: int) -> Upload | None:
    """Return a file of the site for changing what is wanted of it; nobody else does meanwhile."""
    return session.get(Upload, (site_id, number), with_for_update=True, populate_existing=True)


def of_site(session: Session, site_id: str, limit: int = 20) -> list[Upload]:
    """Return the site's files that have come, the newest first."""
    query = select(Upload).where(col(Upload.site_id) == site_id, col(Upload.state) != "coming")
    return list(session.exec(query.order_by(col(Upload.number).desc()).limit(limit)))


def waiting(session: Session) -> list[Key]:
    """Return the files on which work is wanted that nobody does."""
    silent = or_(col(Upload.worked_at).is_(None), col(Upload.worked_at) < datetime.now(UTC) - SILENT)
    query = select_columns(col(Upload.site_id), col(Upload.number), col(Upload.turn))
    return [Key(*row) for row in session.execute(query.where(col(Upload.state).in_(AT_WORK), silent))]


def remove(session: Session, site_id: str, number: int) -> None:
    """Remove a file with its pieces; what was stored of it stays."""
    session.execute(delete(Upload).where(col(Upload.site_id) == site_id, col(Upload.number) == number))


def remove_alike(session: Session, upload: Upload) -> None:
    """Remove other files of the same bytes that wait for somebody's word: a program sends one again and again."""
    session.execute(
        delete(Upload).where(
            col(Upload.site_id) == upload.site_id,
            col(Upload.number) != upload.number,
            col(Upload.sha256) == upload.sha256,
            col(Upload.sent_by) == upload.sent_by,
            col(Upload.state).in_((*OPEN, "failed")),
        )
    )


def remove_old(session: Session) -> None:
    """Remove the files that nobody has touched for long."""
    now = datetime.now(UTC)
    for state, days in KEPT_DAYS.items():
        old = col(Upload.changed_at) < now - timedelta(days=days)
        session.execute(delete(Upload).where(col(Upload.state) == state, old))
