"""The migrations make exactly the tables of `tables.py`, on both databases."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime
from pathlib import Path

from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy import Engine, inspect, text
from sqlmodel import col, select

from service.store import assignments, listed, migrate
from service.store.database import make_engine, reading, writing
from service.store.tables import ApiToken, ListedSite, Site, User, metadata
from service.store.tokens import CODE_LENGTH, ID_LETTERS


def test_migrations_and_tables_agree(engine: Engine) -> None:
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []


def test_constraint_names_follow_the_convention(engine: Engine) -> None:
    found = inspect(engine)
    for table in metadata.sorted_tables:
        checks = {c["name"] for c in found.get_check_constraints(table.name)}
        assert all(str(name).startswith(f"ck_{table.name}_") for name in checks), table.name
        assert found.get_pk_constraint(table.name)["name"] == f"pk_{table.name}"
        for foreign in found.get_foreign_keys(table.name):
            column, referred = foreign["constrained_columns"][0], foreign["referred_table"]
            assert foreign["name"] == f"fk_{table.name}_{column}_{referred}"
    assert {c["name"] for c in found.get_check_constraints("reading_day")} == {
        "ck_reading_day_interval",
        "ck_reading_day_offset",
    }


def test_upgrade_twice_changes_nothing(engine: Engine) -> None:
    assert migrate.is_current(engine)
    migrate.upgrade(engine)
    assert migrate.is_current(engine)


def test_new_database_is_not_current(tmp_path: Path) -> None:
    engine = make_engine(f"sqlite:///{tmp_path / 'new.sqlite'}")
    assert not migrate.is_current(engine)
    migrate.upgrade(engine)
    assert migrate.is_current(engine)
    with engine.connect() as connection:
        assert connection.scalar(text("PRAGMA foreign_keys")) == 1
        assert connection.scalar(text("PRAGMA journal_mode")) == "wal"


def test_sites_survive_the_newer_tables(tmp_path: Path) -> None:
    engine = make_engine(f"sqlite:///{tmp_path / 'earlier.sqlite'}")
    with engine.begin() as connection:
        command.upgrade(migrate._config(connection), "0001")
        connection.execute(
            text(
                "INSERT INTO site (id, name, record, data_version, created_at) "
                "VALUES ('a', 'Mill Lane 4', '{}', 3, '2026-05-04')"
            )
        )
    assert not migrate.is_current(engine)
    migrate.upgrade(engine)
    with engine.connect() as connection:
        assert connection.execute(text("SELECT id, data_version FROM site")).all() == [("a", 3)]
        code = connection.scalar(text("SELECT code FROM site"))
        assert len(code) == CODE_LENGTH
        assert set(code) <= set(ID_LETTERS)
        assert connection.scalar(text("SELECT count(*) FROM correction")) == 0


BEFORE_ACCESS = "0003"


def test_accounts_tokens_and_what_installers_see_survive_the_access_rules(engine: Engine) -> None:
    writer = engine.execution_options(write=True)
    with writer.connect() as connection, migrate._unchecked_foreign_keys(connection), connection.begin():
        command.downgrade(migrate._config(connection), BEFORE_ACCESS)
        for row in _BEFORE_ACCESS_ROWS:
            connection.execute(text(row))
    migrate.upgrade(engine)
    with reading(engine) as session:
        ana, bo = session.exec(select(User).order_by(col(User.name)))
        assert (ana.role, ana.password_hash, ana.session_epoch, ana.disabled_at) == (
            "installer",
            "x",
            0,
            None,
        )
        assert [site.id for site in assignments.sites_of(session, ana)] == ["a", "b"]
        assert assignments.sites_of(session, bo) == []
        token = session.exec(select(ApiToken)).one()
        assert (token.name, token.site_id, token.read_only, token.last_used_at) == (
            "gateway",
            None,
            False,
            None,
        )


_BEFORE_ACCESS_ROWS = (
    "INSERT INTO site (id, name, record, data_version, created_at) "
    "VALUES ('a', 'Mill Lane', '{}', 3, '2026-05-04'), ('b', 'Mill Lane', '{}', 3, '2026-05-04')",
    "INSERT INTO account (name, role, password_hash, created_at) "
    "VALUES ('Ana', 'installer', 'x', '2026-05-04'), ('Bo', 'office', 'x', '2026-05-04')",
    "INSERT INTO api_token (name, token_hash, created_at) VALUES ('gateway', 'y', '2026-05-04')",
)


def test_earlier_sites_come_into_the_list_as_new_ones_do(tmp_path: Path) -> None:
    engine = make_engine(f"sqlite:///{tmp_path / 'earlier.sqlite'}")
    records = [
        {
            "name": "Dated",
            "timezone": "Europe/London",
            "commissioned_on": "2026-05-04",
            "units": [{"serial": "Ab1"}],
        },
        {"name": "Undated", "timezone": "Pacific/Auckland", "units": []},
    ]
    insert = (
        "INSERT INTO site (id, name, record, data_version, created_at) VALUES (:id, :name, :record, 0, :at)"
    )
    with engine.begin() as connection:
        command.upgrade(migrate._config(connection), "0003")
        for number, record in enumerate(records):
            row = {"id": f"s{number}", "name": record["name"], "record": json.dumps(record)}
            connection.execute(text(insert), {**row, "at": "2026-05-06 20:00:00.000000"})
    migrate.upgrade(engine)
    with writing(engine) as session:
        filled = {row.site_id: row.model_dump() for row in session.exec(select(ListedSite))}
        for site in session.exec(select(Site)):
            listed.keep(session, site)
        session.expire_all()
        assert {row.site_id: row.model_dump() for row in session.exec(select(ListedSite))} == filled
    assert filled["s0"]["first_day"] == date(2026, 5, 4)
    assert filled["s1"]["first_day"] == date(2026, 5, 7), "where the site is, it was the next day already"
    assert filled["s1"]["week_ends_at"] == datetime(2026, 5, 13, 12, tzinfo=UTC)


def test_downgrade_leaves_nothing(tmp_path: Path) -> None:
    engine = make_engine(f"sqlite:///{tmp_path / 'down.sqlite'}")
    migrate.upgrade(engine)
    with engine.begin() as connection:
        command.downgrade(migrate._config(connection), "base")
    assert inspect(engine).get_table_names() == ["alembic_version"]


def test_foreign_keys_are_off_while_tables_are_rebuilt(tmp_path: Path) -> None:
    # With them on, dropping the old `site` in a batch rebuild deletes every reading.
    engine = make_engine(f"sqlite:///{tmp_path / 'fk.sqlite'}")
    with engine.connect() as connection, migrate._unchecked_foreign_keys(connection), connection.begin():
        assert connection.scalar(text("PRAGMA foreign_keys")) == 0
    with engine.connect() as connection:
        assert connection.scalar(text("PRAGMA foreign_keys")) == 1
