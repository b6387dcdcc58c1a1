"""Units of one plane that lose the sun one after another behind a house, and what looks like it and is none."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from service.verify import common_shade, run
from service.verify.common_shade import PlaneShade
from service.verify.parted import UnitEnergies, parted
from service.verify.plane_beam import Beam, PlaneEnergies
from service.verify.run import build_case
from tests.verify.conftest import Roof
from tests.verify.test_common_shade import findings, shaded, spells

HOUSE = (215.0, 240.0)
TURNS = (-4.0, -2.5, -1.0, 0.0, 0.5, 1.5, 3.0, 4.0)
"""By how many degrees later than the plane's middle each unit sees the house: it stands close by."""


def behind_house(bare: Roof, turns: tuple[float, ...] = TURNS, index: np.ndarray | float = 1.0) -> Roof:
    """Return the roof with each unit behind the house as it sees it."""
    low, high = HOUSE
    rows = [shaded(bare, "south", (low + t, high + t), index).energy_wh[i] for i, t in enumerate(turns)]
    return replace(bare, energy_wh=np.stack(rows))


def shades(roof: Roof) -> tuple[PlaneShade, ...]:
    return build_case(roof.site, roof.readings()).shades


def edges(roof: Roof, monkeypatch: pytest.MonkeyPatch) -> tuple[int, int]:
    """Return at how many bins units of the roof lose the sun one after another, and regain it."""
    seen: list[tuple[np.ndarray, np.ndarray]] = []

    def kept(
        energies: PlaneEnergies, plane: str, beam: Beam, units: UnitEnergies
    ) -> tuple[np.ndarray, np.ndarray]:
        seen.append(parted(energies, plane, beam, units))
        return seen[-1]

    monkeypatch.setattr(common_shade, "parted", kept)
    build_case(roof.site, roof.readings())
    return int(seen[-1][0].sum()), int(seen[-1][1].sum())


def passing(bare: Roof) -> np.ndarray:
    """Return clear-sky indices (T,): two clouds in each morning, and two in the evening."""
    index = np.full(bare.grid.count, 1.0)
    for day in range(bare.grid.count * bare.grid.interval_min // 1440):
        for begin in (8.0, 10.0, 16.0, 17.5):
            index[bare.interval(begin, day) : bare.interval(begin + 1.0, day)] = 0.2
    return index


def test_a_house_close_by_shows_on_one_day_since_its_shadow_moves_over_the_plane(
    roof: Callable[..., Roof],
) -> None:
    bare = roof(units=8)
    index = passing(bare)
    found = findings(behind_house(bare, TURNS, index))
    assert [(f.cause, f.plane, len(f.serials)) for f in found] == [("shaded", "south", 8)]
    assert findings(behind_house(bare, (0.0,) * 8, index)) == ()


def test_without_a_cloud_that_takes_all_at_once_the_clocks_of_the_units_may_be_apart(
    roof: Callable[..., Roof], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert edges(behind_house(roof(units=8)), monkeypatch) == (0, 0)


@pytest.mark.parametrize("interval_min", [5, 15])
def test_its_edges_are_where_the_sun_goes_and_where_it_comes_back(
    roof: Callable[..., Roof], monkeypatch: pytest.MonkeyPatch, interval_min: int
) -> None:
    bare = roof(units=8, interval_min=interval_min)
    begins, ends = edges(behind_house(bare, TURNS, passing(bare)), monkeypatch)
    assert 1 <= begins <= 4
    assert 1 <= ends <= 4


def test_a_cloud_s_edge_and_a_far_hill_s_take_all_units_at_once(
    roof: Callable[..., Roof], monkeypatch: pytest.MonkeyPatch
) -> None:
    bare = roof(units=8, days=3)
    clouds = shaded(bare, "south", (0.0, 1.0), spells(bare, [(7, 9), (10, 12), (13, 15)]))
    assert edges(clouds, monkeypatch) == (0, 0)
    assert edges(shaded(bare, "south", HOUSE), monkeypatch) == (0, 0)


def test_a_branch_that_trips_as_a_cloud_comes_does_not_lose_the_sun_one_unit_after_another(
    roof: Callable[..., Roof], monkeypatch: pytest.MonkeyPatch
) -> None:
    bare = roof(units=8)
    tripped = shaded(bare, "south", (0.0, 1.0), np.minimum(spells(bare, [(12, 14)]), passing(bare)))
    at = bare.interval(12)
    tripped.energy_wh[:4, at - 1] *= 0.5
    tripped.energy_wh[:4, at] = 0.0
    monkeypatch.setattr(run, "outages", lambda energy, *_: np.zeros(energy.shape, dtype=bool))
    assert edges(tripped, monkeypatch) == (0, 0)
    assert shades(tripped) == ()


@pytest.mark.parametrize(
    "clouds", [[(7, 9), (10, 12), (13, 15), (8.5, 10.5), (15, 16.5)], [(13, 15)]], ids=["days", "a day"]
)
def test_units_in_clouds_whose_clocks_are_minutes_apart_prove_no_house(
    roof: Callable[..., Roof], clouds: list[tuple[float, float]]
) -> None:
    bare = roof(units=8, days=len(clouds))
    late = shaded(bare, "south", (0.0, 1.0), spells(bare, clouds))
    late.energy_wh[::2] = np.roll(late.energy_wh[::2], 1, axis=1)
    assert shades(late) == ()


@pytest.mark.parametrize(
    ("rows", "always", "before_clouds"), [([3], 1.0, 0.5), ([3, 5], 0.9, 0.8)], ids=["one", "two, weak"]
)
def test_a_unit_with_a_fault_of_its_own_and_two_that_are_never_whole_part_no_plane(
    roof: Callable[..., Roof],
    monkeypatch: pytest.MonkeyPatch,
    rows: list[int],
    always: float,
    before_clouds: float,
) -> None:
    bare = roof(units=8, days=2)
    mixed = shaded(bare, "south", (0.0, 1.0), passing(bare))
    level = np.ones(bare.grid.count)  # what the afternoon tells
    for day in range(2):
        level[bare.interval(7.0, day) : bare.interval(12.0, day)] = always
        level[bare.interval(8.0, day) - 2 : bare.interval(8.0, day)] = before_clouds
    mixed.energy_wh[rows] *= level
    assert edges(mixed, monkeypatch) == (0, 0)


def test_the_steps_of_a_register_are_no_shadow(
    roof: Callable[..., Roof], monkeypatch: pytest.MonkeyPatch
) -> None:
    bare = roof(units=8, days=3)
    clouds = shaded(bare, "south", (0.0, 1.0), np.where(np.arange(bare.grid.count) // 7 % 2, 1.0, 0.2))
    counted = np.floor((np.cumsum(clouds.energy_wh, axis=1) / 4) + np.arange(8)[:, None] / 8) * 4
    whole = replace(clouds, energy_wh=np.diff(counted, axis=1, prepend=0.0))
    assert edges(whole, monkeypatch) == (0, 0)
