"""Failures are counted for all processes, for a while, and without keeping who failed."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from sqlalchemy import Engine, update
from sqlmodel import col, func, select

from service.store import tries
from service.store.database import reading, writing
from service.store.tables import FailedTries


def _age(engine: Engine) -> None:
    with writing(engine) as session:
        for row in session.exec(select(FailedTries)):
            row.since -= tries.WINDOW + timedelta(seconds=1)


def _rows(engine: Engine) -> int:
    with reading(engine) as session:
        return session.exec(select(func.count()).select_from(FailedTries)).one()


def test_so_many_and_no_more_until_the_window_is_over(engine: Engine) -> None:
    assert [tries.may_try(engine, {"a": 2}) for _ in range(4)] == [True, True, False, False]
    assert tries.may_try(engine, {"b": 2})
    assert not tries.may_try(engine, {"a": 2, "b": 2})
    _age(engine)
    assert tries.is_open(engine, "a", 2)
    assert tries.failed(engine, "a") == 1


def test_a_refused_try_counts_for_nobody(engine: Engine) -> None:
    assert [tries.may_try(engine, {"a": 1, "b": 3}) for _ in range(3)] == [True, False, False]
    assert [tries.may_try(engine, {"b": 3}) for _ in range(3)] == [True, True, False]


def test_what_worked_is_no_failure(engine: Engine) -> None:
    for _ in range(5):
        assert tries.may_try(engine, {"a": 1})
        tries.worked(engine, ["a"])
    tries.worked(engine, ["a", "never seen"])
    assert [tries.may_try(engine, {"a": 1}) for _ in range(2)] == [True, False]


def test_the_old_are_forgotten_and_nobody_is_kept_by_name(engine: Engine) -> None:
    for caller in ("192.0.2.1", "192.0.2.2"):
        tries.failed(engine, caller)
    with reading(engine) as session:
        assert "192.0.2" not in str(session.exec(select(FailedTries)).all())
    _age(engine)
    tries.failed(engine, "192.0.2.3")
    assert _rows(engine) == 1


@pytest.mark.parametrize("limit", [3])
def test_many_at_once_are_no_way_round_the_limit(engine: Engine, limit: int) -> None:
    with ThreadPoolExecutor(8) as pool:
        allowed = list(pool.map(lambda _: tries.may_try(engine, {"a": limit, "b": 100}), range(16)))
    assert sum(allowed) == limit


def test_a_window_that_is_over_starts_anew(engine: Engine) -> None:
    tries.failed(engine, "a")
    with writing(engine) as session:
        session.execute(update(FailedTries).values(count=col(FailedTries.count) + 50))
    _age(engine)
    assert tries.failed(engine, "a") == 1
