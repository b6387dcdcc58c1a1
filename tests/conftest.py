"""Fixtures for every room: a migrated database of each kind, empty for each test, and the application."""

from __future__ import annotations

import gc
import os
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import pytest
from argon2.profiles import CHEAPEST
from fastapi.testclient import TestClient
from pydantic import SecretStr
from sqlalchemy import Engine, create_engine, make_url, text
from sqlalchemy.exc import OperationalError

from service.settings import PREFIX, Settings
from service.store import accounts
from service.store.database import make_engine, writing
from service.store.migrate import upgrade
from service.store.tables import metadata

POSTGRES_URL = os.environ.get(
    "YIELDPROOF_TEST_POSTGRES_URL", "postgresql://postgres@127.0.0.1:5432/postgres"
).replace("postgresql://", "postgresql+psycopg://", 1)


def pytest_configure() -> None:
    """Let workers, which take this over, use one thread each: those of linear algebra would wait for each other's."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


@pytest.fixture(autouse=True)
def _no_settings_from_outside(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [n for n in os.environ if n.startswith(PREFIX)]:
        monkeypatch.delenv(name)
    monkeypatch.setitem(Settings.model_config, "env_file", None)


@pytest.fixture(autouse=True, scope="session")
def _passwords_are_hashed_cheaply() -> None:
    accounts.HASHING = CHEAPEST


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out the second database where a module says that it makes no difference: time is short on two cores."""
    needless = [item for item in items if item.get_closest_marker("one_database") and _is_on_postgres(item)]
    if needless:
        config.hook.pytest_deselected(items=needless)
        left_out = set(needless)
        items[:] = [item for item in items if item not in left_out]


def pytest_collection_finish() -> None:
    """Leave what was collected out of Python's own search for waste, half a million objects, and search less often."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 100)


def _is_on_postgres(item: pytest.Item) -> bool:
    call = getattr(item, "callspec", None)
    return call is not None and call.params.get("_migrated_engine") == "postgresql"


@contextmanager
def _sqlite_url(folder: Path) -> Iterator[str]:
    yield f"sqlite:///{folder / 'yieldproof.sqlite'}"


@contextmanager
def _postgres_url(worker: str) -> Iterator[str]:
    name = f"yieldproof_test_{worker}_{os.getpid()}"
    server = create_engine(POSTGRES_URL, isolation_level="AUTOCOMMIT")
    try:
        with server.connect() as connection:
            connection.execute(text(f"CREATE DATABASE {name}"))
            # Of a power cut no test tells: to wait for the disk at each commit is time spent for nothing.
            connection.execute(text(f"ALTER DATABASE {name} SET synchronous_commit = off"))
    except OperationalError as error:
        reason = f"no PostgreSQL answers at {make_url(POSTGRES_URL)}: {error.orig}"
        pytest.fail(reason) if os.environ.get("CI") == "true" else pytest.skip(reason)
    yield make_url(POSTGRES_URL).set(database=name).render_as_string(hide_password=False)
    with server.connect() as connection:
        connection.execute(text(f"DROP DATABASE {name} WITH (FORCE)"))
    server.dispose()


@pytest.fixture(scope="session", params=["sqlite", "postgresql"])
def _migrated_engine(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Engine]:
    worker = os.environ.get("PYTEST_XDIST_WORKER", "main")
    database = (
        _sqlite_url(tmp_path_factory.mktemp("db")) if request.param == "sqlite" else _postgres_url(worker)
    )
    with database as url:
        engine = make_engine(url)
        upgrade(engine)
        yield engine
        engine.dispose()


@pytest.fixture
def engine(_migrated_engine: Engine) -> Engine:
    """An empty database with this version's schema; every test that asks runs on SQLite and on PostgreSQL.

    Those of modules marked `one_database` run on SQLite only.
    """
    empty(_migrated_engine)
    return _migrated_engine


def empty(engine: Engine) -> None:
    """Delete all rows of all tables; asking first which have any takes a fraction of deleting from each."""
    with writing(engine) as session:
        held = session.connection()
        filled = set(held.exec_driver_sql(_filled_tables()).scalars())
        for table in reversed(metadata.sorted_tables):
            if table.name in filled:
                held.execute(table.delete())


@cache
def _filled_tables() -> str:
    names = [table.name for table in metadata.sorted_tables]
    return " UNION ALL ".join(f"SELECT '{n}' WHERE EXISTS (SELECT 1 FROM \"{n}\")" for n in names)  # noqa: S608 - our own names


@pytest.fixture
def settings(engine: Engine) -> Settings:
    """Settings for that database, without a worker."""
    return Settings(
        database_url=engine.url.render_as_string(hide_password=False),
        secret_key=SecretStr("0123456789abcdef" * 4),
        run_worker=False,
    )


@pytest.fixture
def client(settings: Settings, engine: Engine) -> Iterator[TestClient]:
    """The application, asked with a valid API token."""
    from service.web.app import create_app  # noqa: PLC0415 - the many tests without it start faster

    with writing(engine) as session:
        token = accounts.create_token(session, "test")
    with TestClient(create_app(settings, engine=engine)) as test_client:
        test_client.headers["Authorization"] = f"Bearer {token}"
        yield test_client
