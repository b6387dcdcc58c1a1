"""Whose turn it is, where of all processes on a database only one may do something at a time.

A turn is a lock that the database itself holds and that ends with its holder, however that ends: an advisory lock on
PostgreSQL, a locked file beside the database on SQLite.
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Self

from sqlalchemy import Connection, Engine, create_engine, text
from sqlalchemy.exc import OperationalError, SQLAlchemyError
from sqlalchemy.pool import NullPool

KEYS = {"listener": 4_720_157}
"""Keys of PostgreSQL's advisory locks."""


class Turn:
    """Somebody's turn, from entering until leaving; `mine` says whether it is that of whoever asks."""

    def __init__(self, engine: Engine, name: str) -> None:
        self._engine, self._name = engine, name
        self._connection: Connection | None = None
        self.mine = False

    def __enter__(self) -> Self:
        """Take the turn if nobody has it."""
        if self._engine.dialect.name == "postgresql":
            self._connection = self._engine.connect().execution_options(isolation_level="AUTOCOMMIT")
            taken = self._connection.execute(
                text("SELECT pg_try_advisory_lock(:key)"), {"key": KEYS[self._name]}
            )
            self.mine = bool(taken.scalar_one())
        else:
            self.mine = self._locked_file()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Give the turn back."""
        if self._connection is not None:
            if self._engine.dialect.name == "postgresql":
                self._give_back(self._connection)
            self._connection.close()
        self.mine = False

    def _give_back(self, connection: Connection) -> None:
        """Give it back at once: left to the end of the connection, the server takes a while to notice."""
        with suppress(SQLAlchemyError):
            connection.execute(text("SELECT pg_advisory_unlock_all()"))
        connection.invalidate()  # in the pool it would go on holding what it may still have

    def check(self) -> None:
        """Raise the database's error if it has ended the turn."""
        if self._connection is not None and self._engine.dialect.name == "postgresql":
            self._connection.execute(text("SELECT 1"))

    def _locked_file(self) -> bool:
        path = Path(str(self._engine.url.database))
        url = f"sqlite:///{path.with_suffix(f'.{self._name}{path.suffix}')}"
        beside = create_engine(
            url, poolclass=NullPool, connect_args={"timeout": 0, "check_same_thread": False}
        )
        self._connection = beside.connect()
        self._connection.connection.driver_connection.isolation_level = None  # type: ignore[union-attr]
        try:
            self._connection.exec_driver_sql("BEGIN EXCLUSIVE")
        except OperationalError:
            return False
        return True
