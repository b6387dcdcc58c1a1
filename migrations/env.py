"""Alembic's entry point: runs on the connection that `service.store.migrate` hands over, else on its own."""

from __future__ import annotations

from alembic import context
from sqlalchemy import Connection

from service.settings import Settings
from service.store.database import make_engine
from service.store.tables import metadata


def run(connection: Connection) -> None:
    """Run the migrations in the caller's transaction."""
    context.configure(
        connection=connection,
        target_metadata=metadata,
        render_as_batch=True,
        transactional_ddl=True,
        compare_type=True,
    )
    with context.begin_transaction():
        context.run_migrations()


def main() -> None:
    """Use the connection handed over, or open one for a developer at the `alembic` command."""
    connection = context.config.attributes.get("connection")
    if connection is not None:
        run(connection)
        return
    engine = make_engine(Settings().database_url).execution_options(write=True)
    with engine.begin() as own:
        run(own)


main()
