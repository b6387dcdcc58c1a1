"""A unit replaced within a day: its place is verified through, and neither is accused of the other's silence."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from service.jobs.assemble import _active
from service.jobs.grids import CommonGrid
from service.verify.inputs import Readings
from service.verify.result import Verification
from service.verify.run import verify
from tests.fleet.replaced import Change, make_change

PER_DAY = 288
WINDOWS = {
    "before and after": (0, 4 * PER_DAY),
    "until that evening": (0, 2 * PER_DAY + 270),
    "that day": (2 * PER_DAY, 3 * PER_DAY),
    "from the change on": (2 * PER_DAY + 144, 4 * PER_DAY),
    "afterwards": (3 * PER_DAY, 4 * PER_DAY),
}


def _verified(change: Change, first: int = 0, last: int | None = None) -> Verification:
    """Return what the record with both makes of the readings in these intervals."""
    held = change.readings
    grid = CommonGrid(int(held.start.timestamp()), 300, held.count)
    energy = _active(change.changed, grid, held.energy_wh.copy())[:, first:last]
    return verify(change.changed, Readings(held.start + first * timedelta(minutes=5), 5, energy))


@pytest.mark.parametrize("seed", [0, 1])
@pytest.mark.parametrize("window", WINDOWS)
def test_two_sound_units_in_turn_are_not_accused(seed: int, window: str) -> None:
    change = make_change(seed, sky="clear")
    found = _verified(change, *WINDOWS[window])
    assert [f for f in found.findings if f.is_fault] == []
    units = {u.serial: u for u in found.units}
    assert units[change.new].heard_share > 0.9
    assert units[change.new].performance_index == pytest.approx(1, abs=0.06)
    assert (change.old in units) == (window in ("before and after", "until that evening"))


def test_expected_is_the_olds_until_the_day_and_the_news_from_it() -> None:
    change = make_change(1, sky="clear")
    found = _verified(change)
    assert found.curves is not None
    old, new = (np.array(found.curves.expected_wh[s]) for s in (change.old, change.new))
    at = 2 * PER_DAY
    assert old[:at].sum() > 0
    assert old[at:].sum() == 0
    assert new[:at].sum() == 0
    assert new[at + PER_DAY :].sum() > 0
    both = old + new
    neighbour = next(
        np.array(row) for s, row in found.curves.expected_wh.items() if s not in (change.old, change.new)
    )
    assert both[at + PER_DAY :].sum() == pytest.approx(neighbour[at + PER_DAY :].sum(), rel=0.01)
    assert both[:at].sum() == pytest.approx(neighbour[:at].sum(), rel=0.01)


def test_a_dead_old_unit_is_found_in_its_own_time_only() -> None:
    change = make_change(1, sky="clear", was=0.0)
    accused = {s for f in _verified(change).findings if f.is_fault for s in f.serials}
    assert accused == {change.old}
    assert not any(f.is_fault for f in _verified(change, *WINDOWS["that day"]).findings)


def test_a_new_unit_that_is_not_heard_is_found_on_that_day_and_later() -> None:
    change = make_change(1, sky="clear")
    mute = change.readings.energy_wh.copy()
    mute[-1] = np.nan
    silent = replace(change, readings=replace(change.readings, energy_wh=mute))
    for window in ("before and after", "that day", "afterwards"):
        found = _verified(silent, *WINDOWS[window])
        assert [(f.cause, f.serials) for f in found.findings if f.is_fault] == [
            ("not_reporting", (change.new,))
        ]


def test_a_new_unit_with_gaps_after_its_first_reading_is_still_found() -> None:
    change = make_change(1, sky="clear")
    gappy = change.readings.energy_wh.copy()
    gappy[-1, 3 * PER_DAY + 120 : 3 * PER_DAY + 170] = np.nan
    found = _verified(replace(change, readings=replace(change.readings, energy_wh=gappy)))
    assert [(f.cause, f.serials) for f in found.findings if f.is_fault] == [("data_gap", (change.new,))]
