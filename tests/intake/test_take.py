"""Taking a batch in: all or nothing, safe to repeat, and kept as it came."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import pytest
from sqlalchemy import Engine, func, select

from service.intake.batch import COUNTER, counter_noted
from service.intake.parse import CSV_TYPE, PARQUET_TYPE
from service.intake.problems import Refused
from service.intake.record import as_stored, read_record
from service.intake.take import (
    FROM_HERE_PARQUET,
    Import,
    NoSuchSite,
    Receipt,
    take_readings,
    take_samples,
    take_weather,
)
from service.store import payloads, readings, sites
from service.store.database import reading, writing
from service.store.grids import Samples, moment
from service.store.tables import Payload, ReadingDay, WeatherDay
from tests.intake.roof import JSON, SERIALS, START, record, table


@pytest.fixture
def site_id(engine: Engine) -> str:
    with writing(engine) as session:
        return sites.create(session, as_stored(read_record(record()))).id


def _take(engine: Engine, site_id: str, data: Any) -> Receipt:
    return take_readings(engine, site_id, json.dumps(data).encode(), JSON)


def _held(engine: Engine, site_id: str) -> dict[tuple[str, str, int], list[float]]:
    with reading(engine) as session:
        found = readings.kept(session, site_id, start=moment(0), end=moment(4_000_000_000))
    return {(s.serial, s.channel, s.interval_min): s.values.tolist() for s in found}


def _version(engine: Engine, site_id: str) -> int:
    with reading(engine) as session:
        site = sites.get(session, site_id)
        assert site is not None
        return site.data_version


def _sent(engine: Engine, site_id: str) -> list[bytes]:
    with reading(engine) as session:
        return [sent.body for sent in payloads.of_site(session, site_id)]


def _rows(engine: Engine, model: Any) -> int:
    with reading(engine) as session:
        return session.execute(select(func.count()).select_from(model)).scalar_one()


def test_new_values_are_accepted_and_nulls_count_as_neither(engine: Engine, site_id: str) -> None:
    receipt = _take(engine, site_id, table(1, None, 2))

    assert (receipt.accepted, receipt.replaced, receipt.rejected) == (2, 0, 0)
    assert _held(engine, site_id) == {(SERIALS[0], "energy_wh", 5): [1, 2]}


def test_a_batch_sent_twice_changes_nothing(engine: Engine, site_id: str) -> None:
    _take(engine, site_id, table(1, None, 2))
    held, version = _held(engine, site_id), _version(engine, site_id)

    receipt = _take(engine, site_id, table(1, None, 2))

    assert (receipt.accepted, receipt.replaced, receipt.changed) == (0, 2, False)
    assert (_held(engine, site_id), _version(engine, site_id)) == (held, version)
    assert len(_sent(engine, site_id)) == 1


def test_a_later_value_replaces_and_a_null_does_not(engine: Engine, site_id: str) -> None:
    _take(engine, site_id, table(1, 2, 3))
    receipt = _take(engine, site_id, table(5, None, 3, 4))

    assert (receipt.accepted, receipt.replaced) == (1, 2)
    assert _held(engine, site_id) == {(SERIALS[0], "energy_wh", 5): [5, 2, 3, 4]}


def test_a_value_kept_out_does_not_replace(engine: Engine, site_id: str) -> None:
    _take(engine, site_id, table(1, 2))
    receipt = _take(engine, site_id, table(-1, 3))

    assert (receipt.replaced, receipt.rejected) == (1, 1)
    assert _held(engine, site_id) == {(SERIALS[0], "energy_wh", 5): [1, 3]}


def test_of_a_start_given_twice_the_last_counts(engine: Engine, site_id: str) -> None:
    rows = [{"serial": "x", "start": START, "energy_wh": value} for value in (1, 2)]
    receipt = _take(engine, site_id, {"interval_min": 5, "readings": rows})

    assert (receipt.accepted, receipt.replaced) == (1, 1)
    assert _held(engine, site_id) == {("x", "energy_wh", 5): [2]}


def test_the_version_rises_with_each_change(engine: Engine, site_id: str) -> None:
    before = _version(engine, site_id)
    _take(engine, site_id, table(1))
    _take(engine, site_id, table(2))

    assert _version(engine, site_id) == before + 2


def test_a_mistyped_value_keeps_nothing(engine: Engine, site_id: str) -> None:
    with pytest.raises(Refused):
        _take(engine, site_id, table(1, "2"))  # type: ignore[arg-type]

    assert _held(engine, site_id) == {}
    assert _sent(engine, site_id) == []


def test_a_failure_on_the_way_keeps_nothing(
    engine: Engine, site_id: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise RuntimeError("power cut")

    version = _version(engine, site_id)
    monkeypatch.setattr(sites, "touch", fail)
    with pytest.raises(RuntimeError, match="power cut"):
        _take(engine, site_id, table(1))

    assert _held(engine, site_id) == {}
    assert _sent(engine, site_id) == []
    assert _version(engine, site_id) == version


def test_what_was_sent_is_kept_as_it_came_with_its_problems(engine: Engine, site_id: str) -> None:
    body = json.dumps(table(1, -1, 1e9), indent=3).encode()
    receipt = take_readings(engine, site_id, body, JSON)

    assert _sent(engine, site_id) == [body]
    with reading(engine) as session:
        assert session.execute(select(Payload.problems)).scalar_one() == receipt.problems
    assert len(receipt.problems) == 2


def test_from_whom_a_batch_came_is_kept(engine: Engine, site_id: str) -> None:
    bodies = {values: json.dumps(table(*values)).encode() for values in ((1, -1), (2, 2), (3, 3))}
    take_readings(engine, site_id, bodies[1, -1], JSON, source="token gateway")
    take_readings(engine, site_id, bodies[2, 2], JSON, imported=Import("Ana Ribeiro", "june.csv"))
    take_readings(engine, site_id, bodies[3, 3], JSON)

    with reading(engine) as session:
        kept = session.execute(
            select(Payload.source, Payload.problem_count).order_by(Payload.received_at)
        ).all()
    assert kept == [("token gateway", 1), ("file june.csv", 0), ("", 0)]


def test_what_was_noticed_about_counters_is_kept_among_the_problems(engine: Engine, site_id: str) -> None:
    at = int(moment(1_777_852_800).timestamp())
    sent = [Samples(SERIALS[0], "energy_wh", 5, np.array([at]), np.array([3.0]))]
    noted = [counter_noted(SERIALS[0], at, "the counter began anew")]
    receipt = take_samples(engine, site_id, sent, source="file june.csv", noted=noted)

    assert (receipt.accepted, receipt.rejected) == (1, 0)
    with reading(engine) as session:
        (listed,) = payloads.problems_since(session, site_id, moment(0))
        later = payloads.problems_since(session, site_id, moment(4_000_000_000))
    assert listed.source == "file june.csv"
    assert [(p["serial"], p["field"], p["start"]) for p in listed.problems] == [
        (SERIALS[0], COUNTER, "2026-05-04T00:00:00+00:00")
    ]
    assert later == []


def test_what_was_sent_makes_what_is_held_once_more(engine: Engine, site_id: str) -> None:
    csv = f"serial,start,energy_wh\nx,{START},9\n".encode()
    for values in ([1, 2], [3, 4], [1, 2]):
        _take(engine, site_id, table(*values))
    take_readings(engine, site_id, csv, CSV_TYPE, 5)
    take_readings(engine, site_id, csv, CSV_TYPE, 30)
    with writing(engine) as session:
        other = sites.create(session, as_stored(read_record(record()))).id
    with reading(engine) as session:
        sent = payloads.of_site(session, site_id)

    for one in sent:
        parameter = one.content_type.partition("interval_min=")[2]
        take_readings(engine, other, one.body, one.content_type, int(parameter) if parameter else None)

    assert len(sent) == 4
    assert _held(engine, other) == _held(engine, site_id)
    assert _held(engine, other)[SERIALS[0], "energy_wh", 5] == [1, 2]


def test_many_samples_are_kept_so_that_they_can_be_read_again(engine: Engine, site_id: str) -> None:
    starts, dice = 1_777_852_800 + 300 * np.arange(FROM_HERE_PARQUET), np.random.default_rng(1)
    sent = [Samples(s, "energy_wh", 5, starts, dice.uniform(0, 20, starts.size)) for s in SERIALS[:2]]
    sent.append(
        Samples(SERIALS[0], "power_w", 15, starts[::3], np.round(dice.uniform(0, 200, starts[::3].size), 1))
    )
    take_samples(engine, site_id, sent, source="file june.csv")
    with writing(engine) as session:
        other = sites.create(session, as_stored(read_record(record()))).id
    with reading(engine) as session:
        (kept,) = payloads.of_site(session, site_id)
    receipt = take_readings(engine, other, kept.body, kept.content_type)

    assert kept.content_type == PARQUET_TYPE
    assert receipt.accepted == sum(s.values.size for s in sent)
    assert _held(engine, other) == _held(engine, site_id)


def test_a_serial_not_on_record_is_kept(engine: Engine, site_id: str) -> None:
    receipt = _take(engine, site_id, table(energy_wh={"999": [1]}))

    assert receipt.accepted == 1
    assert ("999", "energy_wh", 5) in _held(engine, site_id)


def test_two_sites_may_have_the_same_serials(engine: Engine, site_id: str) -> None:
    with writing(engine) as session:
        other = sites.create(session, as_stored(read_record(record()))).id
    _take(engine, site_id, table(1))
    _take(engine, other, table(2))

    assert _held(engine, site_id) == {(SERIALS[0], "energy_wh", 5): [1]}


def test_no_site_no_readings(engine: Engine) -> None:
    with pytest.raises(NoSuchSite):
        _take(engine, "nosuchsite", table(1))


def test_deleting_a_site_deletes_all_that_it_holds(engine: Engine, site_id: str) -> None:
    _take(engine, site_id, table(1))
    take_weather(engine, site_id, json.dumps({"interval_min": 5, "start": START, "ghi_w_m2": [1]}).encode())
    assert [_rows(engine, m) for m in (ReadingDay, WeatherDay, Payload)] == [1, 1, 2]

    with writing(engine) as session:
        site = sites.get(session, site_id)
        assert site is not None
        sites.delete(session, site)

    assert [_rows(engine, m) for m in (ReadingDay, WeatherDay, Payload)] == [0, 0, 0]


def test_a_batch_over_too_many_days_is_refused(engine: Engine, site_id: str) -> None:
    rows = [
        {"serial": str(i), "start": f"20{y:02}-01-01T00:00:00Z", "energy_wh": 1}
        for i in range(1001)
        for y in range(60)
    ]
    with pytest.raises(Refused, match="60060 days of units and channels, more than 60000; split it"):
        _take(engine, site_id, {"interval_min": 60, "readings": rows})


def test_batches_at_once_lose_nothing(engine: Engine, site_id: str) -> None:
    batches = [{"interval_min": 5, "readings": [_row(i, cell) for i in range(3)]} for cell in range(24)]
    with ThreadPoolExecutor(8) as pool:
        receipts = list(pool.map(lambda batch: _take(engine, site_id, batch), batches))

    assert sum(r.accepted for r in receipts) == 72
    held = _held(engine, site_id)
    assert [held[serial, "energy_wh", 5] for serial in SERIALS] == [list(range(24))] * 3
    assert _version(engine, site_id) == 24


def _row(unit: int, cell: int) -> dict[str, Any]:
    minute = f"2026-05-04T{10 + cell // 12}:{cell % 12 * 5:02}:00+00:00"
    return {"serial": SERIALS[unit], "start": minute, "energy_wh": cell}


def test_weather_is_taken_by_the_same_rules(engine: Engine, site_id: str) -> None:
    data = {"interval_min": 15, "start": START, "ghi_w_m2": [1, 5000], "poa_w_m2": {"south roof": [7, 8]}}
    first = take_weather(engine, site_id, json.dumps(data).encode())
    again = take_weather(engine, site_id, json.dumps(data).encode())

    assert (first.accepted, first.rejected, first.changed) == (3, 1, True)
    assert (again.replaced, again.changed) == (3, False)
    with reading(engine) as session:
        found = readings.load_weather(
            session, site_id, start=moment(1_777_849_200), end=moment(1_777_852_800)
        )
    held = {s.channel: s.values for s in found}
    assert held["poa_w_m2:south roof"][:2].tolist() == [7, 8]
    assert np.isnan(held["ghi_w_m2"][1:]).all()
