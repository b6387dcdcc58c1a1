"""How readings are kept and given back: grids, replacement, loose starts, the span held."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from sqlalchemy import Engine, event

from service.store import readings, sites
from service.store.database import reading, writing
from service.store.readings import Counts, Samples, Series

MIDNIGHT = datetime(2026, 5, 4, tzinfo=UTC)
DAY = timedelta(days=1)


@pytest.fixture
def site_id(engine: Engine) -> str:
    with writing(engine) as session:
        return sites.create(session, {"name": "Mill Lane 4"}).id


def samples(
    values: Any,
    *,
    start: datetime = MIDNIGHT,
    interval: int = 15,
    serial: str = "a",
    channel: str = "energy_wh",
    starts: Any = None,
) -> Samples:
    """Return samples on a grid from `start` on, or at `starts` seconds after it."""
    array = np.array(values, dtype=np.float64)
    after = np.arange(array.size) * interval * 60 if starts is None else np.array(starts)
    return Samples(serial, channel, interval, int(start.timestamp()) + after.astype(np.int64), array)


def write(engine: Engine, site_id: str, *sent: Samples) -> Counts:
    """Keep samples."""
    with writing(engine) as session:
        return readings.write(session, site_id, sent)


def load(engine: Engine, site_id: str, start: datetime, end: datetime, **more: Any) -> list[Series]:
    """Load series."""
    with reading(engine) as session:
        return readings.load(session, site_id, start=start, end=end, **more)


def _held_wh(engine: Engine, site_id: str) -> float:
    return sum(float(np.nansum(s.values)) for s in load(engine, site_id, MIDNIGHT - DAY, MIDNIGHT + 9 * DAY))


def test_a_series_covers_the_window_with_nan_where_not_heard(engine: Engine, site_id: str) -> None:
    write(engine, site_id, samples([1, np.nan, 3], start=MIDNIGHT + timedelta(hours=1)))
    (found,) = load(engine, site_id, MIDNIGHT, MIDNIGHT + timedelta(hours=2))

    assert (found.serial, found.channel, found.start, found.interval_min) == ("a", "energy_wh", MIDNIGHT, 15)
    assert found.start.tzinfo is UTC
    assert found.values.dtype == np.float64
    np.testing.assert_array_equal(found.values, [np.nan] * 4 + [1, np.nan, 3, np.nan])


def test_a_window_holds_the_starts_from_its_start_to_before_its_end(engine: Engine, site_id: str) -> None:
    write(engine, site_id, samples(range(8)))
    (found,) = load(engine, site_id, MIDNIGHT + timedelta(minutes=16), MIDNIGHT + timedelta(minutes=75))

    assert found.start == MIDNIGHT + timedelta(minutes=30)
    assert found.values.tolist() == [2, 3, 4]


def test_nothing_heard_in_the_window_is_no_series(engine: Engine, site_id: str) -> None:
    write(engine, site_id, samples([1]))

    assert load(engine, site_id, MIDNIGHT + timedelta(minutes=1), MIDNIGHT + DAY) == []


def test_channels_can_be_chosen(engine: Engine, site_id: str) -> None:
    write(
        engine,
        site_id,
        samples([1]),
        samples([2], channel="power_w"),
        samples([3], channel="signal_pct"),
        samples([4, 5], channel="signal_pct", serial="b", starts=[7, 1000]),
    )
    found = load(engine, site_id, MIDNIGHT, MIDNIGHT + DAY, channels=["signal_pct", "energy_wh"])

    assert [(s.serial, s.channel) for s in found] == [
        ("a", "energy_wh"),
        ("a", "signal_pct"),
        ("b", "signal_pct"),
    ]


@pytest.mark.parametrize(("interval", "offset"), [(60, 30), (30, 15), (60, 45), (5, 2), (15, 14)])
def test_a_grid_beside_the_full_interval_is_kept_as_it_is(
    engine: Engine, site_id: str, interval: int, offset: int
) -> None:
    start = MIDNIGHT + timedelta(minutes=offset)
    write(engine, site_id, samples([1, 2, 3], start=start, interval=interval))
    (found,) = load(engine, site_id, MIDNIGHT, MIDNIGHT + timedelta(hours=4))

    assert found.start == start
    assert found.values[:3].tolist() == [1, 2, 3]


def test_a_change_of_interval_gives_two_series(engine: Engine, site_id: str) -> None:
    write(engine, site_id, samples([1] * 4, interval=15))
    write(engine, site_id, samples([2] * 12, interval=5, start=MIDNIGHT + timedelta(hours=1)))
    found = load(engine, site_id, MIDNIGHT, MIDNIGHT + timedelta(hours=2))

    assert [(s.interval_min, np.nansum(s.values)) for s in found] == [(5, 24), (15, 4)]


@pytest.mark.parametrize(
    ("first", "second", "replaced", "total"),
    [
        pytest.param((5, 12, 0), (15, 4, 0), 4, 4, id="longer intervals cover the shorter"),
        pytest.param((15, 4, 0), (5, 12, 0), 4, 12, id="shorter intervals of the same starts"),
        pytest.param((15, 4, 0), (5, 1, 0), 1, 4, id="one short interval takes the long one's start"),
        pytest.param((15, 4, 0), (5, 1, 5), 0, 5, id="another start replaces nothing"),
        pytest.param((60, 2, 0), (60, 1, 30), 0, 3, id="another phase replaces nothing"),
        pytest.param((5, 12, 45), (60, 1, 45), 1, 1, id="over midnight or not"),
    ],
)
def test_what_a_value_of_another_interval_replaces(
    engine: Engine, site_id: str, first: Any, second: Any, replaced: int, total: float
) -> None:
    for interval, count, minutes in (first, second):
        late = MIDNIGHT + timedelta(hours=23, minutes=minutes)
        counts = write(engine, site_id, samples([1] * count, interval=interval, start=late))

    assert (counts.accepted, counts.replaced) == (second[1] - replaced, replaced)
    assert _held_wh(engine, site_id) == total


def test_a_row_whose_values_all_went_is_deleted(engine: Engine, site_id: str) -> None:
    write(engine, site_id, samples([1] * 3, interval=5))
    write(engine, site_id, samples([1], interval=15))
    found = load(engine, site_id, MIDNIGHT, MIDNIGHT + DAY)

    assert [s.interval_min for s in found] == [15]
    with reading(engine) as session:
        assert readings.held_span(session, site_id) == (MIDNIGHT, MIDNIGHT + timedelta(minutes=15))


def test_odd_seconds_are_kept_and_apportioned_by_overlap(engine: Engine, site_id: str) -> None:
    write(engine, site_id, samples([6, 12], start=MIDNIGHT + timedelta(minutes=7, seconds=30)))
    (found,) = load(engine, site_id, MIDNIGHT, MIDNIGHT + timedelta(hours=1))

    assert found.start == MIDNIGHT
    np.testing.assert_array_equal(found.values, [3, 9, 6, np.nan])
    with reading(engine) as session:
        (kept,) = readings.kept(session, site_id, start=MIDNIGHT, end=MIDNIGHT + DAY)
    assert kept.starts.tolist() == [int(MIDNIGHT.timestamp()) + s for s in (450, 1350)]
    assert kept.values.tolist() == [6, 12]


def test_a_reading_a_few_seconds_off_makes_no_dip_beside_a_gap(engine: Engine, site_id: str) -> None:
    seconds = [7, 907, 2707]
    write(engine, site_id, samples([10, 10, 10], starts=seconds))
    (found,) = load(engine, site_id, MIDNIGHT, MIDNIGHT + timedelta(hours=1))

    # 7 s of the second reading reach into a third cell that nothing else covers: they stay where the rest is.
    shift = 10 * 7 / 900
    np.testing.assert_allclose(found.values, [10 - shift, 10 + shift, np.nan, 10], rtol=1e-12)


def test_means_are_weighted_by_time(engine: Engine, site_id: str) -> None:
    sent = samples([300, 300, 600], channel="power_w", start=MIDNIGHT + timedelta(minutes=3, seconds=45))
    write(engine, site_id, sent)
    (found,) = load(engine, site_id, MIDNIGHT, MIDNIGHT + timedelta(hours=1))

    np.testing.assert_allclose(found.values, [300, 300, 525, np.nan], rtol=1e-12)


def test_loose_readings_join_the_grid_of_the_same_interval(engine: Engine, site_id: str) -> None:
    write(engine, site_id, samples([1, 2]))
    write(engine, site_id, samples([10], start=MIDNIGHT + timedelta(minutes=30, seconds=1)))
    (found,) = load(engine, site_id, MIDNIGHT, MIDNIGHT + timedelta(minutes=45))

    np.testing.assert_allclose(found.values, [1, 2, 10])


def test_a_wandering_phase_is_loose_and_one_change_of_phase_is_not(engine: Engine, site_id: str) -> None:
    wandering = [0, 6 * 60, 11 * 60, 15 * 60, 22 * 60]
    write(engine, site_id, samples([1] * 5, interval=5, starts=wandering))
    write(engine, site_id, samples([1] * 4, interval=5, starts=[0, 300, 720, 1020], serial="b"))
    found = load(engine, site_id, MIDNIGHT, MIDNIGHT + timedelta(minutes=30))

    assert [(s.serial, s.start.minute) for s in found] == [("a", 0), ("b", 0), ("b", 2)]
    assert float(np.nansum(found[0].values)) == pytest.approx(5)


def test_a_loose_reading_is_replaced_by_its_start(engine: Engine, site_id: str) -> None:
    write(engine, site_id, samples([1, 2, 3], starts=[7, 1000, 2000]))
    counts = write(engine, site_id, samples([5], starts=[1000]))

    assert counts == Counts(0, 1, True)
    assert _held_wh(engine, site_id) == pytest.approx(9)


def test_not_heard_replaces_nothing(engine: Engine, site_id: str) -> None:
    write(engine, site_id, samples([1, 2]))

    assert write(engine, site_id, samples([np.nan, np.nan])) == Counts(0, 0, False)
    assert _held_wh(engine, site_id) == 3


def test_held_span_reaches_from_the_first_start_to_the_last_end(engine: Engine, site_id: str) -> None:
    with reading(engine) as session:
        assert readings.held_span(session, site_id) is None
    write(engine, site_id, samples([np.nan, 1], interval=60, start=MIDNIGHT + timedelta(minutes=30)))
    write(engine, site_id, samples([1, np.nan], start=MIDNIGHT + 2 * DAY, serial="b"))
    write(engine, site_id, samples([1], starts=[7], start=MIDNIGHT + 3 * DAY, serial="c"))

    with reading(engine) as session:
        assert readings.held_span(session, site_id) == (
            MIDNIGHT + timedelta(minutes=90),
            MIDNIGHT + 3 * DAY + timedelta(minutes=15, seconds=7),
        )


def test_a_site_week_takes_one_query_to_read_and_few_to_write(engine: Engine, site_id: str) -> None:
    week = [samples([1] * 672, serial=str(unit)) for unit in range(24)]
    statements: list[str] = []

    def note(_: Any, __: Any, statement: str, *___: Any) -> None:
        statements.append(statement)

    event.listen(engine, "before_cursor_execute", note)
    try:
        write(engine, site_id, *week)
        written = [s for s in statements if not s.startswith("BEGIN")]
        statements.clear()
        load(engine, site_id, MIDNIGHT, MIDNIGHT + 7 * DAY)
        loaded = [s for s in statements if not s.startswith("BEGIN")]
    finally:
        event.remove(engine, "before_cursor_execute", note)

    assert [s.split()[0] for s in written] == ["SELECT", "INSERT"]
    assert [s.split()[0] for s in loaded] == ["SELECT"]


def test_weather_of_a_plane_with_any_name(engine: Engine, site_id: str) -> None:
    with writing(engine) as session:
        sent = samples([5, 6], serial="", channel="poa_w_m2:roof~", interval=30)
        readings.write_weather(session, site_id, [sent])
    with reading(engine) as session:
        (found,) = readings.load_weather(session, site_id, start=MIDNIGHT, end=MIDNIGHT + timedelta(hours=1))

    assert (found.channel, found.values.tolist()) == ("poa_w_m2:roof~", [5, 6])
