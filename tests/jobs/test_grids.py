"""Resampling onto a common grid: totals and means are kept, and a gap is never filled."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.jobs.grids import CommonGrid, common_grid, filled, on_grid
from service.store.readings import Series

NOON = datetime(2026, 6, 1, 12, tzinfo=UTC)


def _series(values: list[float], interval_min: int, start: datetime = NOON) -> Series:
    return Series("101", "energy_wh", start, interval_min, np.array(values, dtype=np.float64))


def test_same_grid_passes_through_unchanged() -> None:
    series = _series([0.0, 0.1, np.nan, 7.3, 0.0], 5)
    grid = common_grid([series])
    assert grid == CommonGrid(int(NOON.timestamp()), 300, 5)
    np.testing.assert_allclose(on_grid(series, grid, summed=True), series.values, rtol=1e-12, atol=1e-12)


def test_finer_is_summed_or_averaged_and_missing_where_any_part_is() -> None:
    fine = _series([1, 2, 3, 4, np.nan, 6], 5)
    grid = CommonGrid(int(NOON.timestamp()), 900, 2)
    np.testing.assert_allclose(on_grid(fine, grid, summed=True), [6, np.nan])
    np.testing.assert_allclose(on_grid(fine, grid, summed=False), [2, np.nan])


def test_coarser_evidence_is_spread() -> None:
    coarse = _series([240.0, 230.0], 15)
    grid = CommonGrid(int(NOON.timestamp()), 300, 6)
    np.testing.assert_allclose(on_grid(coarse, grid, summed=False), [240] * 3 + [230] * 3)
    np.testing.assert_allclose(on_grid(coarse, grid, summed=True), [80] * 3 + [230 / 3] * 3)


def test_shifted_phase_is_apportioned_by_overlap() -> None:
    shifted = _series([10, 20, 30], 5, NOON + timedelta(minutes=2))
    grid = CommonGrid(int(NOON.timestamp()), 300, 3)
    np.testing.assert_allclose(
        on_grid(shifted, grid, summed=True), [np.nan, 0.4 * 10 + 0.6 * 20, 0.4 * 20 + 0.6 * 30]
    )


@pytest.mark.parametrize(
    ("intervals", "common"), [((5, 5), 5), ((5, 15), 15), ((10, 15), 30), ((15, 60), 60), ((5, 10, 15), 30)]
)
def test_interval_is_the_coarsest_into_which_all_fit(intervals: tuple[int, ...], common: int) -> None:
    grid = common_grid([_series([1.0] * 12, i) for i in intervals])
    assert grid is not None
    assert grid.interval_min == common


def test_grid_runs_from_first_to_last_heard_in_the_most_common_phase() -> None:
    quarter = timedelta(minutes=15)  # half-hours in a zone of +05:45
    series = [
        _series([np.nan, 1, 1, np.nan], 30, NOON + quarter),
        _series([1, 1], 30, NOON + quarter),
        _series([1, 1], 30, NOON),
    ]
    grid = common_grid(series)
    assert grid is not None
    assert grid.start == NOON - quarter
    assert grid.edges()[-1] == (NOON + timedelta(minutes=105)).timestamp()


def test_nothing_heard_makes_no_grid() -> None:
    assert common_grid([]) is None
    assert common_grid([_series([np.nan, np.nan], 5)]) is None


def test_filled_takes_the_second_only_where_the_first_is_silent() -> None:
    found = filled(np.array([1, np.nan, np.nan]), np.array([9, 2, np.nan]))
    np.testing.assert_array_equal(found, [1, 2, np.nan])


@given(
    st.lists(st.floats(0, 1000, width=32), min_size=1, max_size=60),
    st.sampled_from([5, 10, 15, 30, 60]),
    st.sampled_from([5, 10, 15, 30, 60]),
    st.integers(0, 59),
)
def test_no_energy_is_made_or_lost_where_all_is_covered(
    values: list[float], source: int, target: int, shift: int
) -> None:
    series = _series(values, source, NOON + timedelta(minutes=shift))
    first = int(NOON.timestamp())
    grid = CommonGrid(first, target * 60, 80)
    found = on_grid(series, grid, summed=True)
    heard = ~np.isnan(found)
    # Cells are covered in one run without holes; what is left out are the part-covered cells at its ends.
    assert np.count_nonzero(np.diff(heard.astype(int))) <= 2
    largest = max(values) * max(1, target / source)
    assert np.nansum(found) <= sum(values) * (1 + 1e-9) + 1e-9
    if heard.sum() < grid.count and heard.any() and shift + len(values) * source < 80 * target:
        assert np.nansum(found) >= sum(values) - 2 * largest - 1e-6
