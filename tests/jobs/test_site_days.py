"""The days since commissioning: kept as they are verified, due again when their data changes, worked out when old."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from sqlalchemy import Engine

from service.intake.record import as_stored, read_record
from service.intake.take import take_readings
from service.jobs import site_days, verification
from service.jobs.queue import make_queue
from service.settings import Settings
from service.store import site_days as kept
from service.store import sites
from service.store.database import reading, writing
from service.store.site_days import Day
from service.store.tables import Site
from tests.jobs.roof import START, bell, record

DAY = timedelta(days=1)
FIRST = date(2026, 6, 1)
ROUNDING = 1e-3
"""Relative: curves hold energies to a thousandth of a watt-hour, readings have single precision."""


@pytest.fixture
def site_id(engine: Engine) -> str:
    with writing(engine) as session:
        return sites.create(session, as_stored(read_record(record()))).id


def take(engine: Engine, site_id: str, days: int, *, start: datetime = START, **by_serial: float) -> None:
    """Send days as a program does, of which each unit made some share."""
    shares = by_serial or {"u101": 1.0, "u102": 1.0, "u103": 1.0}
    table = {serial[1:]: (share * bell(days)).tolist() for serial, share in shares.items()}
    body = {"interval_min": 15, "start": start.isoformat(), "energy_wh": table}
    take_readings(engine, site_id, json.dumps(body).encode(), "application/json")


def known(engine: Engine, site_id: str) -> list[Day]:
    with reading(engine) as session:
        return kept.since(session, site_id, date.min)


def due(engine: Engine, site_id: str) -> list[date]:
    with reading(engine) as session:
        return kept.due(session, site_id, verification.MADE_BY)


def work_all_out(engine: Engine, site_id: str) -> int:
    rounds = 0
    while due(engine, site_id):
        verification.work_out_days(engine, site_id)
        rounds += 1
        assert rounds < 20, "days stay due"
    return rounds


def test_a_batch_makes_its_days_due_and_a_verification_keeps_them(engine: Engine, site_id: str) -> None:
    take(engine, site_id, 3)
    assert due(engine, site_id) == [
        FIRST,
        FIRST + DAY,
        FIRST + 2 * DAY,
        FIRST + 3 * DAY,
    ]  # an hour more by summer time
    assert known(engine, site_id) == []
    found = verification.verify_site(engine, site_id)
    assert found is not None
    days = known(engine, site_id)
    assert [day.day for day in days] == [FIRST, FIRST + DAY, FIRST + 2 * DAY]
    assert [day.measured_wh for day in days] == pytest.approx([3 * bell(1).sum()] * 3, rel=ROUNDING)
    assert sum(day.expected_wh for day in days) == pytest.approx(
        sum(unit.expected_wh or 0.0 for unit in found.units), rel=ROUNDING
    )
    assert {day.sky for day in days} == {found.sky.source}
    work_all_out(engine, site_id)
    assert known(engine, site_id) == days


def test_hours_not_heard_count_in_neither_figure(engine: Engine, site_id: str) -> None:
    take(engine, site_id, 2, u101=1.0, u102=1.0)
    take(engine, site_id, 1, u103=1.0)
    verification.verify_site(engine, site_id)
    first, second = known(engine, site_id)
    assert first.possible_wh == pytest.approx(first.expected_wh)
    assert second.expected_wh == pytest.approx(second.possible_wh * 2 / 3, rel=0.02)
    assert second.measured_wh == pytest.approx(first.measured_wh * 2 / 3, rel=ROUNDING)


def test_old_days_are_worked_out_a_stretch_at_a_time(engine: Engine, site_id: str) -> None:
    take(engine, site_id, 40)
    verification.verify_site(engine, site_id)
    newest = known(engine, site_id)
    assert 13 <= len(newest) <= 15
    assert len(due(engine, site_id)) >= 40 - len(newest)
    assert work_all_out(engine, site_id) == 2
    days = known(engine, site_id)
    assert [day.day for day in days] == [FIRST + n * DAY for n in range(40)]
    assert [day.measured_wh for day in days] == pytest.approx([3 * bell(1).sum()] * 40, rel=ROUNDING)


def test_the_first_day_of_a_rolling_window_does_not_cut_what_was_known(engine: Engine, site_id: str) -> None:
    take(engine, site_id, 14)
    verification.verify_site(engine, site_id)
    work_all_out(engine, site_id)
    before = {day.day: day.measured_wh for day in known(engine, site_id)}
    half_a_day = {
        "interval_min": 15,
        "start": (START + 14 * DAY).isoformat(),
        "energy_wh": {"101": bell(1)[:48].tolist()},
    }
    take_readings(engine, site_id, json.dumps(half_a_day).encode(), "application/json")
    verification.verify_site(engine, site_id)
    after = {day.day: day.measured_wh for day in known(engine, site_id)}
    assert {day: after[day] for day in before} == pytest.approx(before, rel=ROUNDING)
    assert len(after) == 15


def test_new_data_of_an_old_day_and_a_changed_record_make_days_due(engine: Engine, site_id: str) -> None:
    take(engine, site_id, 30)
    verification.verify_site(engine, site_id)
    work_all_out(engine, site_id)
    take(engine, site_id, 1, u101=0.5)
    assert due(engine, site_id) == [FIRST, FIRST + DAY]
    assert len(known(engine, site_id)) == 30, "figures stay until there are better ones"
    work_all_out(engine, site_id)
    assert known(engine, site_id)[0].measured_wh == pytest.approx(2.5 * bell(1).sum(), rel=ROUNDING)
    with writing(engine) as session:
        site = session.get_one(Site, site_id)
        sites.replace(session, site, {**site.record, "elevation_m": 100.0})
    assert len(due(engine, site_id)) >= 30


def test_figures_of_data_that_changed_meanwhile_are_not_kept(
    engine: Engine, site_id: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    take(engine, site_id, 2)
    real, shares = verification.verify, iter((0.9, 0.8))

    def data_comes_meanwhile(*inputs: Any) -> Any:
        take(engine, site_id, 1, u101=next(shares))
        return real(*inputs)

    monkeypatch.setattr(verification, "verify", data_comes_meanwhile)
    verification.verify_site(engine, site_id)
    verification.work_out_days(engine, site_id)
    assert known(engine, site_id) == []
    assert FIRST in due(engine, site_id)


def test_days_without_anything_heard_are_settled(engine: Engine, site_id: str) -> None:
    with writing(engine) as session:
        kept.want(session, site_id, [FIRST - 400 * DAY, FIRST])
    assert work_all_out(engine, site_id) == 2
    assert known(engine, site_id) == []


def test_sweep_works_old_days_out_after_what_is_new(engine: Engine, settings: Settings, site_id: str) -> None:
    jobs = make_queue(settings, engine)
    jobs.huey.storage.flush_all()
    take(engine, site_id, 20)
    names = []
    for _ in range(3):
        jobs.sweep()
        jobs.sweep()
        while jobs.huey.pending_count():
            task = jobs.huey.dequeue()
            names.append(task.name)
            jobs.huey.execute(task)
    jobs.huey.storage.close()
    assert names == ["verify", "days"]
    assert due(engine, site_id) == []
    assert len(known(engine, site_id)) == 20


def test_a_site_that_goes_takes_its_days_along(engine: Engine, site_id: str) -> None:
    take(engine, site_id, 1)
    with writing(engine) as session:
        sites.delete(session, session.get_one(Site, site_id))
    with reading(engine) as session:
        assert kept.sites_due(session, verification.MADE_BY, 9) == []


def test_stretch_ends_at_midnight_through_a_change_of_clocks() -> None:
    zone = ZoneInfo("Europe/London")
    start, end = site_days.stretch([date(2026, 3, 28), date(2026, 3, 29), date(2026, 4, 20)], zone)
    assert (start, end) == (datetime(2026, 3, 28, tzinfo=UTC), datetime(2026, 3, 29, 23, tzinfo=UTC))
    assert [d.day for d in site_days.filled([], start, end, zone)] == [date(2026, 3, 28), date(2026, 3, 29)]


def test_many_days_are_written_at_once(engine: Engine, site_id: str) -> None:
    days = [Day(FIRST + n * DAY, 1.0, 2.0, 3.0, "array") for n in range(450)]
    with writing(engine) as session:
        kept.keep(session, site_id, days, "this code")
        kept.keep(session, site_id, days[:1], "that code")
    assert known(engine, site_id) == days
    assert np.sum([d.measured_wh for d in days]) == 450
    with reading(engine) as session:
        assert kept.due(session, site_id, "this code") == [FIRST]
