"""What is read back is what was sent, in whatever order, pieces, zone and interval it came."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from sqlalchemy import Engine

from service.store import readings, sites
from service.store.database import reading, writing
from service.store.readings import Samples

property_of = settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
"""The database is emptied once for all examples; each makes a site of its own."""

# Both changes of clocks in zones of whole, half and quarter hours; Lord Howe moves its clocks by half an hour.
LOCAL_DAYS = [
    ("Europe/London", date(2026, 3, 29)),
    ("Europe/London", date(2026, 10, 25)),
    ("America/New_York", date(2026, 3, 8)),
    ("America/New_York", date(2026, 11, 1)),
    ("Australia/Lord_Howe", date(2026, 4, 5)),
    ("Australia/Lord_Howe", date(2026, 10, 4)),
    ("Asia/Kolkata", date(2026, 5, 4)),
    ("Asia/Kathmandu", date(2026, 5, 4)),
    ("Pacific/Chatham", date(2026, 9, 27)),
]
INTERVALS = (5, 10, 15, 30, 60)

values_of_a_day = st.lists(st.one_of(st.none(), st.floats(0, 5000, width=32)), min_size=1, max_size=400)


@st.composite
def runs(draw: st.DrawFn, *, serial: str = "a") -> Samples:
    """A unit's readings from some local midnight before a change of clocks, on the zone's own grid."""
    zone, day = draw(st.sampled_from(LOCAL_DAYS))
    interval = draw(st.sampled_from(INTERVALS))
    values = np.array(draw(values_of_a_day), dtype=np.float64)
    midnight = datetime.combine(day - timedelta(days=draw(st.integers(0, 1))), time(), ZoneInfo(zone))
    starts = int(midnight.timestamp()) + 60 * interval * np.arange(values.size, dtype=np.int64)
    return Samples(serial, "energy_wh", interval, starts, values)


@st.composite
def pieces(draw: st.DrawFn, whole: Samples) -> list[Samples]:
    """The readings cut anywhere, in any order, some pieces sent twice, each with its rows in any order."""
    cuts = sorted(draw(st.sets(st.integers(1, max(1, whole.values.size - 1)), max_size=5)))
    parts = [p for p in np.split(np.arange(whole.values.size), cuts) if p.size]
    order = draw(st.permutations([*parts, *draw(st.lists(st.sampled_from(parts), max_size=2))]))
    turned = [draw(st.sampled_from([p, p[::-1], np.roll(p, p.size // 2)])) for p in order]
    return [_part(whole, p) for p in turned]


def _part(whole: Samples, chosen: NDArray[Any]) -> Samples:
    return Samples(
        whole.serial, whole.channel, whole.interval_min, whole.starts[chosen], whole.values[chosen]
    )


def _new_site(engine: Engine) -> str:
    with writing(engine) as session:
        return sites.create(session, {"name": "Mill Lane 4"}).id


def _send(engine: Engine, site_id: str, sent: list[Samples]) -> list[readings.Counts]:
    counts = []
    for one in sent:
        with writing(engine) as session:
            counts.append(readings.write(session, site_id, [one]))
    return counts


def _held(engine: Engine, site_id: str) -> dict[int, float]:
    with reading(engine) as session:
        found = readings.kept(
            session, site_id, start=datetime(2026, 1, 1, tzinfo=UTC), end=datetime(2027, 1, 1, tzinfo=UTC)
        )
    return {
        start: value for s in found for start, value in zip(s.starts.tolist(), s.values.tolist(), strict=True)
    }


def _heard(*sent: Samples) -> dict[int, float]:
    return {
        start: value
        for s in sent
        for start, value in zip(s.starts.tolist(), s.values.tolist(), strict=True)
        if not np.isnan(value)
    }


def _loaded_wh(engine: Engine, site_id: str) -> NDArray[np.float64]:
    with reading(engine) as session:
        found = readings.load(
            session, site_id, start=datetime(2026, 1, 1, tzinfo=UTC), end=datetime(2027, 1, 1, tzinfo=UTC)
        )
    return np.concatenate([s.values for s in found]) if found else np.array([0.0])


@property_of
@given(data=st.data(), whole=runs())
def test_any_split_in_any_order_sent_twice_gives_back_what_was_sent(
    engine: Engine, data: st.DataObject, whole: Samples
) -> None:
    site_id = _new_site(engine)
    sent = data.draw(pieces(whole))
    counts = _send(engine, site_id, sent)

    assert _held(engine, site_id) == _heard(whole)
    assert sum(c.accepted for c in counts) == len(_heard(whole))
    assert sum(c.accepted + c.replaced for c in counts) == sum(len(_heard(s)) for s in sent)
    assert not any(c.changed for c in _send(engine, site_id, sent))


@property_of
@given(whole=runs())
def test_a_series_has_each_value_at_its_start(engine: Engine, whole: Samples) -> None:
    site_id = _new_site(engine)
    _send(engine, site_id, [whole])
    start = datetime.fromtimestamp(int(whole.starts[0]), UTC)
    end = start + timedelta(minutes=whole.interval_min * whole.values.size)
    with reading(engine) as session:
        found = readings.load(session, site_id, start=start, end=end)

    assert len(found) == bool(_heard(whole))
    for series in found:
        assert series.start == start
        np.testing.assert_array_equal(series.values, whole.values)


@property_of
@given(whole=runs(), later=st.sampled_from(INTERVALS), data=st.data())
def test_a_change_of_interval_on_the_way_loses_and_doubles_nothing(
    engine: Engine, whole: Samples, later: int, data: st.DataObject
) -> None:
    site_id = _new_site(engine)
    end = int(whole.starts[-1]) + 60 * whole.interval_min
    after = np.array(data.draw(values_of_a_day), dtype=np.float64)
    second = Samples("a", "energy_wh", later, end + 60 * later * np.arange(after.size), after)
    _send(engine, site_id, data.draw(st.permutations([whole, second])))

    assert _held(engine, site_id) == _heard(whole, second)
    expected = sum(_heard(whole, second).values())
    np.testing.assert_allclose(np.nansum(_loaded_wh(engine, site_id)), expected, rtol=1e-12)


@property_of
@given(whole=runs(), seconds=st.integers(1, 3599), data=st.data())
def test_energy_is_conserved_when_apportioned_to_the_grid(
    engine: Engine, whole: Samples, seconds: int, data: st.DataObject
) -> None:
    shifted = Samples("a", "energy_wh", whole.interval_min, whole.starts + seconds, whole.values)
    site_id, other = _new_site(engine), _new_site(engine)
    _send(engine, site_id, [shifted])
    _send(engine, other, data.draw(pieces(shifted)))

    assert _held(engine, site_id) == _heard(shifted)
    loaded = _loaded_wh(engine, site_id)
    np.testing.assert_allclose(np.nansum(loaded), sum(_heard(shifted).values()), rtol=1e-12)
    np.testing.assert_allclose(_loaded_wh(engine, other), loaded, rtol=1e-12)


@property_of
@given(
    starts=st.lists(st.integers(0, 86_400), min_size=1, max_size=60, unique=True),
    interval=st.sampled_from(INTERVALS),
    value=st.floats(1, 1000, width=32),
)
def test_apportioning_keeps_totals_and_means_of_irregular_starts(
    engine: Engine, starts: list[int], interval: int, value: float
) -> None:
    site_id = _new_site(engine)
    at = np.array(starts, dtype=np.int64) + 1_777_852_800
    values = np.full(at.size, value)
    _send(engine, site_id, [Samples("a", c, interval, at, values) for c in ("energy_wh", "power_w")])
    with reading(engine) as session:
        window = {"start": datetime(2026, 5, 3, tzinfo=UTC), "end": datetime(2026, 5, 7, tzinfo=UTC)}
        energies = readings.load(session, site_id, **window, channels=["energy_wh"])
        powers = readings.load(session, site_id, **window, channels=["power_w"])

    total = sum(float(np.nansum(s.values)) for s in energies)
    np.testing.assert_allclose(total, value * at.size, rtol=1e-12)
    for series in powers:
        np.testing.assert_allclose(series.values[~np.isnan(series.values)], value, rtol=1e-12)
