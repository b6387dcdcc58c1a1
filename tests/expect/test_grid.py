from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.expect.grid import Grid

START = datetime(2026, 3, 29, tzinfo=UTC)


@pytest.mark.parametrize(("interval_min", "steps"), [(1, 1), (5, 1), (10, 2), (15, 3), (30, 6), (60, 12)])
def test_an_interval_is_cut_into_steps_of_at_most_five_minutes(interval_min: int, steps: int) -> None:
    grid = Grid(START, interval_min, 7)
    assert grid.steps_per_interval == steps
    assert grid.step_count == 7 * steps
    assert grid.step_hours * steps == pytest.approx(interval_min / 60)


def test_labels_are_utc_and_start_where_the_intervals_start() -> None:
    grid = Grid(START, 15, 3)
    assert [t.isoformat() for t in grid.starts()] == [
        "2026-03-29T00:00:00+00:00",
        "2026-03-29T00:15:00+00:00",
        "2026-03-29T00:30:00+00:00",
    ]
    assert grid.step_starts()[4].isoformat() == "2026-03-29T00:20:00+00:00"
    assert len(grid.step_starts()) == 9
    assert grid.end == START + timedelta(minutes=45)


def test_edges_agree_with_the_labels() -> None:
    grid = Grid(START, 7, 5)
    assert grid.steps_per_interval == 2
    labels = grid.step_starts().as_unit("us").asi8 / 1e6
    np.testing.assert_allclose(grid.step_edges_s()[:-1], labels, atol=1e-6)


def test_sum_and_mean_gather_the_last_axis() -> None:
    grid = Grid(START, 10, 2)
    values = np.array([[1.0, 2.0, 3.0, 4.0], [5.0, 6.0, 7.0, 8.0]])
    np.testing.assert_array_equal(grid.to_intervals(values), [[3.0, 7.0], [11.0, 15.0]])
    np.testing.assert_array_equal(grid.to_intervals(values, "mean"), [[1.5, 3.5], [5.5, 7.5]])


def test_an_unknown_step_makes_its_interval_unknown_and_no_other() -> None:
    gathered = Grid(START, 10, 2).to_intervals(np.array([1.0, np.nan, 3.0, 4.0]))
    np.testing.assert_array_equal(gathered, [np.nan, 7.0])


@given(
    interval_min=st.sampled_from([5, 10, 15, 30, 60]),
    count=st.integers(0, 40),
    leading=st.lists(st.integers(1, 3), max_size=2),
)
def test_gathering_keeps_the_total(interval_min: int, count: int, leading: list[int]) -> None:
    grid = Grid(START, interval_min, count)
    values = np.random.default_rng(count).uniform(0, 10, (*leading, grid.step_count))
    gathered = grid.to_intervals(values)
    assert gathered.shape == (*leading, count)
    np.testing.assert_allclose(gathered.sum(axis=-1), values.sum(axis=-1))


@pytest.mark.parametrize(
    ("start", "interval_min", "count", "word"),
    [
        (datetime(2026, 1, 1), 5, 1, "start"),  # noqa: DTZ001 (a naive time is the point)
        (datetime(2026, 1, 1, tzinfo=timezone(timedelta(hours=1))), 5, 1, "start"),
        (START, 0, 1, "interval_min"),
        (START, 1441, 1, "interval_min"),
        (START, 5, -1, "count"),
    ],
)
def test_a_wrong_grid_is_refused_by_name(start: datetime, interval_min: int, count: int, word: str) -> None:
    with pytest.raises(ValueError, match=word):
        Grid(start, interval_min, count)


def test_values_of_another_length_are_refused() -> None:
    with pytest.raises(ValueError, match="expected 4 fine steps, got 5"):
        Grid(START, 10, 2).to_intervals(np.zeros(5))
