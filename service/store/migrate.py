"""Brings a database to this version's schema, and says if it is there; the steps are in `migrations/`."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, text

from service.paths import migrations_dir

MIGRATION_LOCK = 4_720_155
"""Key of the PostgreSQL advisory lock that lets one process migrate while the others wait."""


def upgrade(engine: Engine) -> None:
    """Bring the schema to the newest version; safe to run again and from several processes at once."""
    writer = engine.execution_options(write=True)
    with writer.connect() as connection, _unchecked_foreign_keys(connection), connection.begin():
        if connection.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": MIGRATION_LOCK})
        command.upgrade(_config(connection), "head")
        _check_foreign_keys(connection)


def is_current(engine: Engine) -> bool:
    """Return whether the schema is the one that this version needs."""
    with engine.connect() as connection:
        found = MigrationContext.configure(connection).get_current_heads()
    return set(found) == set(ScriptDirectory.from_config(_config()).get_heads())


def _config(connection: Connection | None = None) -> Config:
    config = Config()
    config.set_main_option("script_location", str(migrations_dir()).replace("%", "%%"))
    config.attributes["connection"] = connection
    return config


@contextmanager
def _unchecked_foreign_keys(connection: Connection) -> Iterator[None]:
    # SQLite alters a table by rebuilding it; with foreign keys on, dropping the old one deletes child rows.
    # The pragma does nothing inside a transaction, so it goes to the driver before SQLAlchemy begins one.
    if connection.dialect.name != "sqlite":
        yield
        return
    driver = connection.connection.driver_connection
    assert driver is not None  # noqa: S101 - a connection that is open has one; for the type checker
    driver.execute("PRAGMA foreign_keys=OFF")
    try:
        yield
    finally:
        driver.execute("PRAGMA foreign_keys=ON")


def _check_foreign_keys(connection: Connection) -> None:
    if connection.dialect.name != "sqlite":
        return
    orphans = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
    if orphans:
        raise RuntimeError(f"Migration undone: it would leave rows without their parent: {orphans[:5]}")
