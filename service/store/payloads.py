"""What was sent, as it came. By it nothing is lost, and what was made of it can be made again."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy.dialects import postgresql, sqlite
from sqlmodel import Session, col, select

from service.store.tables import Payload

NOTED = "noted"
"""What was noticed about counters, without readings."""


@dataclass(frozen=True)
class Sent:
    """A body with its content type; `kind` is what it was sent as (`readings`, `weather`), `source` who sent it."""

    kind: str
    content_type: str
    body: bytes
    source: str = ""

    @property
    def sha256(self) -> str:
        """Return the digest by which it is kept: of the content type (it may say the interval) and the body."""
        return hashlib.sha256(f"{self.kind}\n{self.content_type}\n".encode() + self.body).hexdigest()


def keep(
    session: Session, site_id: str, sent: Sent, problems: Sequence[dict[str, Any]], *, changed: bool
) -> None:
    """Keep what was sent, once. If it `changed` the readings it counts as received now, else as before.

    So the payloads in the order of their times make the readings that are held.
    """
    row = {
        "site_id": site_id,
        "sha256": sent.sha256,
        "received_at": datetime.now(UTC),
        "kind": sent.kind,
        "content_type": sent.content_type,
        "body": zlib.compress(sent.body, 1),
        "problems": list(problems),
        "source": sent.source,
        "problem_count": len(problems),
    }
    dialect = postgresql if session.get_bind().dialect.name == "postgresql" else sqlite
    insert = dialect.insert(Payload).values(row)
    keys = ["site_id", "sha256"]
    latest = {name: insert.excluded[name] for name in ("received_at", "problems", "source", "problem_count")}
    if changed:
        session.execute(insert.on_conflict_do_update(index_elements=keys, set_=latest))
    else:
        session.execute(insert.on_conflict_do_nothing(index_elements=keys))


def of_site(session: Session, site_id: str) -> list[Sent]:
    """Return what was sent to the site in the order in which it counts."""
    query = select(Payload).where(col(Payload.site_id) == site_id).order_by(col(Payload.received_at))
    return [Sent(p.kind, p.content_type, zlib.decompress(p.body), p.source) for p in session.exec(query)]


@dataclass(frozen=True)
class Listed:
    """Problems of one batch of readings, as intake listed them, and who sent it."""

    source: str
    problems: list[dict[str, Any]]


def problems_since(session: Session, site_id: str, moment: datetime) -> list[Listed]:
    """Return the problems of the batches of readings that were received from that moment on."""
    query = select(Payload.source, Payload.problems).where(
        col(Payload.site_id) == site_id,
        col(Payload.problem_count) > 0,
        col(Payload.received_at) >= moment,
        col(Payload.kind).in_(("readings", NOTED)),
    )
    return [Listed(source, list(problems)) for source, problems in session.exec(query)]
