"""How often somebody failed to come in, counted in the database: the limit holds for all processes together.

A caller is kept as a digest for one span, `WINDOW`, from the first failure on, and forgotten after it. What a caller
is, and how many failures are too many, is the web's business.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

from sqlalchemy import Engine, case, delete, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlmodel import Session, col

from service.store.database import reading, writing
from service.store.tables import FailedTries
from service.store.tokens import digest

WINDOW = timedelta(minutes=5)

Limits = dict[str, int]
"""How often each caller may fail within the window."""


def may_try(engine: Engine, limits: Limits) -> bool:
    """Count a try of all these callers and return whether it may be made; `worked` takes it back.

    It is counted before it is made, so that many tries at once are no way round the limit.
    """
    if not all(is_open(engine, caller, limit) for caller, limit in limits.items()):
        return False
    counts = {caller: failed(engine, caller) for caller in sorted(limits)}
    return all(counts[caller] <= limit for caller, limit in limits.items())


def worked(engine: Engine, callers: Iterable[str]) -> None:
    """Take the last try of these callers back: it was no failure."""
    with writing(engine) as session:
        for key in sorted(map(digest, callers)):
            taken_back = update(FailedTries).where(col(FailedTries.caller) == key, col(FailedTries.count) > 0)
            session.execute(taken_back.values(count=col(FailedTries.count) - 1))


def is_open(engine: Engine, caller: str, limit: int) -> bool:
    """Return whether the caller has failed less often than `limit` within the window."""
    with reading(engine) as session:
        row = session.get(FailedTries, digest(caller))
    return row is None or row.count < limit or row.since <= _long_ago()


def failed(engine: Engine, caller: str) -> int:
    """Count a failure, and return how many there were in the caller's window."""
    with writing(engine) as session:
        count = _raised(session, digest(caller))
    if count == 1:
        forget_old(engine)
    return count


def forget_old(engine: Engine) -> None:
    """Forget those whose window is over."""
    with writing(engine) as session:
        session.execute(delete(FailedTries).where(col(FailedTries.since) <= _long_ago()))


def _raised(session: Session, key: str) -> int:
    dialect = postgresql if session.get_bind().dialect.name == "postgresql" else sqlite
    insert = dialect.insert(FailedTries).values(caller=key, since=datetime.now(UTC), count=1)
    goes_on = col(FailedTries.since) > _long_ago()
    raised = insert.on_conflict_do_update(
        index_elements=["caller"],
        set_={
            "since": case((goes_on, col(FailedTries.since)), else_=insert.excluded.since),
            "count": case((goes_on, col(FailedTries.count) + 1), else_=1),
        },
    )
    return int(session.execute(raised.returning(col(FailedTries.count))).scalar_one())


def _long_ago() -> datetime:
    return datetime.now(UTC) - WINDOW
