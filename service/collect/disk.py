"""The outbox's file: opened, locked against a second collector, and set aside where it is damaged."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

SCHEMA = 2
APPLICATION = 0x59504F42
"""Marks the file as an outbox."""
BUSY_S = 20.0
SPARE = 1.25
"""What is read may fill the outbox up to its limit; laying it out and noting what was sent may go so far beyond."""

TABLES = """
CREATE TABLE sample (serial TEXT, kind TEXT, at INTEGER, value REAL NOT NULL, source TEXT NOT NULL,
    fresh INTEGER NOT NULL, PRIMARY KEY (serial, kind, at)) WITHOUT ROWID;
CREATE INDEX sample_fresh ON sample (serial, at) WHERE fresh;
CREATE TABLE held (session TEXT, on_us INTEGER, serial TEXT, kind TEXT, value REAL NOT NULL, source TEXT NOT NULL,
    PRIMARY KEY (session, serial, kind, on_us)) WITHOUT ROWID;
CREATE TABLE unit_day (serial TEXT, day INTEGER, rested_since INTEGER, cleared INTEGER NOT NULL DEFAULT 0,
    PRIMARY KEY (serial, day)) WITHOUT ROWID;
CREATE TABLE reading (serial TEXT, interval_min INTEGER, start INTEGER, channel TEXT, value REAL NOT NULL,
    state TEXT NOT NULL DEFAULT 'due', reason TEXT,
    PRIMARY KEY (serial, interval_min, start, channel)) WITHOUT ROWID;
CREATE INDEX reading_due ON reading (start, interval_min, serial) WHERE state = 'due';
CREATE INDEX reading_odd ON reading (state, start) WHERE state NOT IN ('due', 'sent');
CREATE TABLE aside (serial TEXT, kind TEXT, at INTEGER, reason TEXT NOT NULL, due INTEGER NOT NULL DEFAULT 0,
    PRIMARY KEY (serial, kind, at)) WITHOUT ROWID;
CREATE TABLE file (digest TEXT PRIMARY KEY, source TEXT NOT NULL, name TEXT NOT NULL, size INTEGER NOT NULL, body BLOB,
    state TEXT NOT NULL DEFAULT 'due', told TEXT, taken_at INTEGER NOT NULL, tried_at INTEGER, tried_as TEXT);
CREATE TABLE source (name TEXT PRIMARY KEY, heard_at INTEGER, trouble TEXT, trouble_at INTEGER);
CREATE TABLE fact (name TEXT PRIMARY KEY, value TEXT NOT NULL);
"""


CHANGES = {1: "ALTER TABLE aside ADD COLUMN due INTEGER NOT NULL DEFAULT 0;"}
"""What makes an outbox of an earlier version one of the next."""


class OutboxError(Exception):
    """The outbox cannot be used; the message says why and what to do."""


@contextmanager
def alone(path: Path) -> Iterator[None]:
    """Hold the outbox for this process: a lock that ends with it, however it ends."""
    path.parent.mkdir(parents=True, exist_ok=True)
    held = sqlite3.connect(_lock_file(path), timeout=2, isolation_level=None)
    try:
        held.execute("BEGIN EXCLUSIVE")
    except sqlite3.OperationalError:
        held.close()
        raise OutboxError(
            f"A collector runs on {path} already; stop it first, or give this one an outbox of its own."
        ) from None
    try:
        yield
    finally:
        held.close()


def is_held(path: Path) -> bool:
    """Return whether a collector runs on the outbox."""
    lock = _lock_file(path)
    if not lock.exists():
        return False
    asking = sqlite3.connect(f"{lock.absolute().as_uri()}?mode=ro", uri=True, timeout=0, isolation_level=None)
    try:
        asking.execute("SELECT count(*) FROM sqlite_master").fetchall()
    except sqlite3.OperationalError:
        return True
    finally:
        asking.close()
    return False


def _lock_file(path: Path) -> Path:
    return path.with_name(f"{path.name}.lock")


def opened(path: Path, largest_mb: int) -> tuple[sqlite3.Connection, str | None]:
    """Return the outbox, made if there is none, and what became of a damaged one."""
    try:
        return _ready(path, largest_mb), None
    except sqlite3.DatabaseError as error:
        if isinstance(error, sqlite3.OperationalError):
            raise OutboxError(
                f"The outbox {path} cannot be opened ({error}); correct the path, its permissions, "
                "or make room on the disk."
            ) from None
    aside = _set_aside(path)
    said = (
        f"The outbox was damaged and was set aside as {aside}. What it held and had not sent yet is missing; keep "
        "that file, and check disk and power supply of this machine."
    )
    return _ready(path, largest_mb), said


def _ready(path: Path, largest_mb: int) -> sqlite3.Connection:
    connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
    try:
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")
        _check(connection, path)
        page = connection.execute("PRAGMA page_size").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count={int(largest_mb * 1_000_000 * SPARE) // page}")
    except BaseException:
        connection.close()
        raise
    return connection


def _check(connection: sqlite3.Connection, path: Path) -> None:
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    application = connection.execute("PRAGMA application_id").fetchone()[0]
    empty = not connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    if empty and not version:
        connection.executescript(
            f"BEGIN IMMEDIATE; {TABLES} PRAGMA user_version={SCHEMA}; PRAGMA application_id={APPLICATION}; COMMIT;"
        )
    elif application != APPLICATION:
        raise OutboxError(f"{path} is another program's file; give outbox a path of its own.")
    elif version not in (SCHEMA, *CHANGES):
        raise OutboxError(f"{path} was made by another version of this program; update the older of the two.")
    elif connection.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
        raise sqlite3.DatabaseError("damaged")
    for old in range(version or SCHEMA, SCHEMA):
        connection.executescript(f"BEGIN IMMEDIATE; {CHANGES[old]} PRAGMA user_version={old + 1}; COMMIT;")


def _set_aside(path: Path) -> Path:
    stamp = f"{datetime.now(UTC):%Y%m%dT%H%M%S}"
    aside = path.with_name(f"{path.name}.damaged-{stamp}")
    for end in ("-wal", "-shm", ""):
        part = path.with_name(path.name + end)
        if part.exists():
            part.rename(aside.with_name(aside.name + end))
    return aside


@contextmanager
def looked_at(path: Path) -> Iterator[sqlite3.Connection]:
    """Give the outbox for reading only, whether or not a collector runs on it; OutboxError if it cannot be read."""
    read_only = f"{path.absolute().as_uri()}?mode=ro"
    try:
        connection = sqlite3.connect(read_only, uri=True, timeout=BUSY_S, isolation_level=None)
        try:
            connection.execute("PRAGMA query_only=ON")
            yield connection
        finally:
            connection.close()
    except sqlite3.DatabaseError as error:
        raise OutboxError(
            f"The outbox {path} cannot be read ({error}); ask as the user whom the collector runs as. A damaged one is "
            "set aside when the collector is started again."
        ) from None
