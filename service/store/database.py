"""Engine, sessions, and whether the schema is the one this version needs."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, create_engine, event
from sqlmodel import Session

SQLITE_BUSY_MS = 20_000


def make_engine(url: str) -> Engine:
    """Return an engine for SQLite (WAL, foreign keys on) or PostgreSQL."""
    if not url.startswith("sqlite"):
        return create_engine(url, pool_pre_ping=True)
    path = url.removeprefix("sqlite:///")
    if path:
        Path(path).parent.mkdir(parents=True, exist_ok=True)
    engine = create_engine(url, connect_args={"check_same_thread": False, "timeout": SQLITE_BUSY_MS / 1000})
    event.listen(engine, "connect", _prepare_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _prepare_sqlite(connection: Any, _record: object) -> None:
    connection.isolation_level = None  # the driver's own BEGIN comes too late; _begin_sqlite says it
    cursor = connection.cursor()
    cursor.execute("PRAGMA journal_mode=WAL")
    cursor.execute("PRAGMA synchronous=NORMAL")
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.execute(f"PRAGMA busy_timeout={SQLITE_BUSY_MS}")
    cursor.close()


def _begin_sqlite(connection: Any) -> None:
    durable = connection.get_execution_options().get("durable", False)
    if connection.info.get("durable", False) != durable:
        connection.exec_driver_sql(f"PRAGMA synchronous={'FULL' if durable else 'NORMAL'}")
        connection.info["durable"] = durable
    # A deferred transaction that turns into a write fails at once when another has written:
    # take the lock first.
    write = connection.get_execution_options().get("write", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


@contextmanager
def reading(engine: Engine) -> Iterator[Session]:
    """Give a session for reading; nothing that it does is kept."""
    with Session(engine, expire_on_commit=False) as session:
        yield session


@contextmanager
def writing(engine: Engine, *, durable: bool = False) -> Iterator[Session]:
    """Give a session for one unit of work: committed as a whole when the block ends, or not at all.

    What is `durable` outlasts a power cut, as all of PostgreSQL's work does; on SQLite that is a wait for the disk.
    """
    options = engine.execution_options(write=True, durable=durable)
    with Session(options, expire_on_commit=False) as session, session.begin():
        yield session
