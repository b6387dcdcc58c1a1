"""A level that no single sign proves to be a limit is said where all signs together leave nothing else."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from service.verify.causes import curtailed
from service.verify.limit_odds import LIKELIER, WEIGHTS, DayPower, LimitSigns, limit_signs
from service.verify.result import Finding
from service.verify.run import build_case, verify
from tests.verify.conftest import Roof

WIDTHS, LEVELS = (0.002, 0.006, 0.012), (0.25, 0.93)
LIMIT = 0.6
SIGNS = LimitSigns(
    level=0.6,
    width=0.006,
    at=np.arange(12),
    crowd=40.0,
    change=12.0,
    returns=3,
    still=4.0,
    strong=1.0,
    days=1,
    held=1,
)


def day_of(power: np.ndarray, clear: np.ndarray) -> DayPower:
    return DayPower(power, clear, np.arange(len(power)))


def between_clouds(limit: float, seed: int = 1) -> DayPower:
    """Return a day of five minutes between clouds, held to a limit."""
    clear = 0.9 * np.sin(np.linspace(0.2, np.pi - 0.2, 120))
    shares = np.random.default_rng(seed).uniform(0.3, 1.05, 40).repeat(3)
    return day_of(np.minimum(clear * shares, limit), clear)


def signs_of(*days: DayPower) -> LimitSigns:
    found = limit_signs(days, widths=WIDTHS, minutes=5, levels=LEVELS)
    assert found is not None
    return found


def held_to(r: Roof, share: float) -> Roof:
    """Hold a roof to a share of its peak."""
    total = r.energy_wh.sum(axis=0)
    r.energy_wh *= np.minimum(1.0, share * total.max() / np.maximum(total, 1e-9))
    return r


def limits(r: Roof) -> list[Finding]:
    return [f for f in verify(r.site, r.readings()).findings if f.cause == "curtailed"]


def test_each_measure_has_its_weight() -> None:
    assert set(WEIGHTS) == {"", *SIGNS.measures}
    assert SIGNS.log_odds > LIKELIER


@pytest.mark.parametrize(
    "less", [{"crowd": 3.0}, {"change": 1.0}, {"returns": 1, "still": 1.0, "strong": 0.0}]
)
def test_signs_that_say_little_leave_no_limit_likelier(less: dict[str, float]) -> None:
    assert replace(SIGNS, **less).log_odds < LIKELIER  # type: ignore[arg-type]


def test_the_level_that_readings_crowd_at_is_found() -> None:
    day = between_clouds(LIMIT)
    found = signs_of(day)
    assert found.level == pytest.approx(LIMIT, rel=WIDTHS[-1])
    assert set(np.flatnonzero(day.power == LIMIT)) <= set(found.at)
    assert found.log_odds > LIKELIER
    assert signs_of(between_clouds(9.0)).log_odds < LIKELIER


@pytest.mark.parametrize(("spread", "width"), [(0.0, 0.002), (0.005, 0.006), (0.011, 0.012)])
def test_a_level_is_as_wide_as_its_readings_lie_apart(spread: float, width: float) -> None:
    day = between_clouds(LIMIT)
    uneven = np.random.default_rng(3).uniform(1 - spread, 1 + spread, len(day.power))
    assert signs_of(replace(day, power=day.power * uneven)).width == width


def test_readings_that_lie_close_say_more_than_as_many_in_a_wider_level() -> None:
    assert replace(SIGNS, width=0.002).log_odds > SIGNS.log_odds > replace(SIGNS, width=0.012).log_odds


def test_a_day_that_passes_the_level_says_nothing_of_it() -> None:
    held, free = between_clouds(LIMIT), between_clouds(9.0, seed=2)
    alone, both = signs_of(held), signs_of(held, replace(free, place=free.place + 288))
    assert (both.days, both.held) == (2, 1)
    assert both.level == alone.level
    assert both.log_odds < alone.log_odds


def test_days_at_one_level_are_counted_together() -> None:
    one, two = between_clouds(LIMIT), between_clouds(LIMIT, seed=2)
    both = signs_of(one, replace(two, place=two.place + 288))
    assert both.held == 2
    assert both.crowd > max(signs_of(one).crowd, signs_of(two).crowd)
    assert both.returns > max(signs_of(one).returns, signs_of(two).returns)


def test_light_that_does_not_change_leaves_the_crowd_nothing_to_say() -> None:
    day = between_clouds(LIMIT)
    even = day_of(day.power, np.full(len(day.power), 0.8))
    assert signs_of(even).measures["crowd_in_change"] == 0.0


def test_readings_that_do_not_follow_one_another_do_not_stand_still() -> None:
    day = between_clouds(LIMIT)
    assert signs_of(day).still > 0
    assert signs_of(replace(day, place=2 * day.place)).still == 0.0


@pytest.mark.parametrize("power", [np.full(3, 0.5), np.full(9, 0.1), np.full(9, 0.99), np.zeros(0)])
def test_a_day_without_a_level_shows_nothing(power: np.ndarray) -> None:
    days = [day_of(power, np.full(len(power), 0.9))]
    assert limit_signs(days, widths=WIDTHS, minutes=5, levels=LEVELS) is None


@pytest.mark.parametrize(("change", "told"), [(9.0, True), (4.9, False)])
def test_no_odds_tell_a_limit_in_light_that_hardly_changes(
    roof: Callable[..., Roof], monkeypatch: pytest.MonkeyPatch, change: float, told: bool
) -> None:
    monkeypatch.setattr(curtailed, "bounded", lambda _: None)
    r = held_to(roof(days=3, index=1.0), 0.8)
    signs = curtailed.signs_of(build_case(r.site, r.readings()))
    assert signs is not None
    monkeypatch.setattr(curtailed, "signs_of", lambda _: replace(signs, change=change))
    assert bool(limits(r)) is told


def test_what_stands_near_the_clear_sky_s_level_for_too_short_to_prove_a_limit_may_be_one_by_all_signs(
    roof: Callable[..., Roof],
) -> None:
    """What is 6 % brighter than the model stands near the model's top, and clouds take the afternoon."""
    r = roof(planes=2, index=1.0)
    clouds = slice(r.interval(13), r.interval(16))
    shares = np.resize([0.4, 0.9, 1.0, 0.5], clouds.stop - clouds.start)
    r.energy_wh[:, clouds] *= shares
    r.energy_wh *= 1.06
    assert limits(r) == []
    held_to(r, 0.86)
    case = build_case(r.site, r.readings())
    assert curtailed.bounded(case) is None
    total = r.energy_wh.sum(axis=0)
    signs, found = curtailed.signs_of(case), limits(r)
    assert signs is not None
    assert [f.details["limit_w"] for f in found] == [pytest.approx(total.max() * 12, rel=0.02)]
    assert found[0].confidence == pytest.approx(min(1 / (1 + np.exp(-signs.log_odds)), curtailed.SURE))
    stands = total[case.day.positions] > 0.999 * total.max()
    assert curtailed.held(case)[stands].mean() > 0.95


@pytest.mark.parametrize(("level", "told"), [(0.88, False), (0.84, False), (0.74, True)])
def test_one_stand_no_longer_than_a_top_is_no_limit_where_a_veil_may_leave_so_much(
    roof: Callable[..., Roof], level: float, told: bool
) -> None:
    r = roof(index=1.0, ac_rated_w=480.0)
    total = r.energy_wh.sum(axis=0)
    stand = slice(r.interval(11.25), r.interval(11.25) + 23)
    limit = level * total[stand].max()
    below = np.resize([0.97, 0.93, 0.95, 0.9, 0.96, 0.92], len(total))
    left = below * np.minimum(1.0, limit / np.maximum(total, 1e-9))
    left[stand] = limit / total[stand]
    r.energy_wh *= left
    assert bool(limits(r)) is told


@pytest.mark.parametrize(("share", "told"), [(1.0, False), (0.95, False), (0.8, True)])
def test_a_top_is_no_limit_by_all_signs_together(
    roof: Callable[..., Roof], monkeypatch: pytest.MonkeyPatch, share: float, told: bool
) -> None:
    monkeypatch.setattr(curtailed, "bounded", lambda _: None)
    assert bool(limits(held_to(roof(days=3, index=1.0), share))) is told


@pytest.mark.parametrize(("units", "told"), [(12, True), (2, False)])
def test_a_register_that_widens_the_level_leaves_nothing_to_weigh(
    roof: Callable[..., Roof], monkeypatch: pytest.MonkeyPatch, units: int, told: bool
) -> None:
    monkeypatch.setattr(curtailed, "bounded", lambda _: None)
    r = held_to(roof(units=units, days=3, index=1.0), 0.75)
    r.energy_wh[:] = np.floor(r.energy_wh)
    assert bool(limits(r)) is told


def test_one_plane_that_stands_still_is_no_limit_on_the_site(
    roof: Callable[..., Roof], monkeypatch: pytest.MonkeyPatch
) -> None:
    r = roof(planes=2, days=3, index=0.97)
    for day in range(3):
        r.energy_wh[:, r.interval(12, day) : r.interval(13, day)] *= np.resize([0.4, 0.9, 1.0, 0.5], 12)
    west = [u.plane == "west" for u in r.site.units]
    r.energy_wh[west] = np.minimum(r.energy_wh[west], 0.3 * 350 / 12)
    assert limits(r) == []
    monkeypatch.setattr(curtailed, "MOST_BY_ONE", 1.0)
    assert len(limits(r)) == 1
