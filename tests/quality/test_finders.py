"""Each trouble of readings is found with what it touches, its honest neighbour is not, and a sound roof has none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.quality import clock, gaps, kept_out, night, repeated, sources, spikes, stale
from service.quality.look import look
from service.quality.model import Arrived, KeptOut
from service.store.grids import Samples
from tests.quality.roofs import INTERVAL_MIN, NOON, PER_DAY, START_S, at, changed, kinds, roof

ROOF = roof()
STEP_S = 60 * INTERVAL_MIN


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("step_wh", [0.001, 1.0, 10.0])
def test_a_sound_roof_has_no_trouble(seed: int, step_wh: float) -> None:
    found = look(roof(seed=seed, step_wh=step_wh, silent_at_night=bool(seed % 2)))
    assert kinds(found.findings) == []
    assert found.heard_share == pytest.approx(0.99, abs=0.01)


def test_nothing_is_changed() -> None:
    sent = roof(seed=3)
    before = sent.energy_wh.copy()
    look(sent)
    np.testing.assert_array_equal(sent.energy_wh, before)


# Values that stand still


def test_one_unit_that_stands_still_is_found_with_its_hours() -> None:
    frozen = changed(ROOF, ((2, slice(at(1, 8), at(1, 11))), 31.3))
    (found,) = stale.find(frozen)

    assert (found.kind, found.serials) == ("stale", ("770002",))
    assert found.values == pytest.approx(12, abs=1)
    assert found.numbers["minutes"] == pytest.approx(180, abs=INTERVAL_MIN)
    assert [touch.day for touch in found.touches] == [ROOF.day[at(1, 8)]]


def test_all_units_that_stand_still_at_once_are_one_finding() -> None:
    span = slice(at(1, 8), at(1, 10))
    frozen = changed(ROOF, ((slice(None), span), np.linspace(20, 24, 8)[:, None] * np.ones(8)))
    (found,) = stale.find(frozen)

    assert (found.kind, found.serials) == ("stale_site", ())
    assert found.numbers["minutes"] == 120


def _noons_frozen(*days: int) -> Arrived:
    """Return whole watt-hours of which all units repeat the same for an hour and a half at noon, under a flat sun."""
    values = np.arange(40.0, 48.0)[:, None] * np.ones(6)
    spans = [slice(at(day, 11.25), at(day, 12.75)) for day in days]
    return changed(roof(step_wh=1.0), *(((slice(None), span), values) for span in spans))


def test_all_units_that_repeat_longer_than_ever_stand_still_though_the_sun_hardly_moves() -> None:
    (found,) = stale.find(_noons_frozen(2))
    assert (found.kind, found.numbers["minutes"]) == ("stale_site", 90)


def test_what_comes_again_day_by_day_may_be_the_light() -> None:
    assert stale.find(_noons_frozen(1, 2, 4)) == []


def test_units_at_their_top_are_no_witnesses_for_or_against() -> None:
    frozen = _noons_frozen(2)
    span = slice(at(2, 11.25), at(2, 12.75))
    some = changed(frozen, ((slice(0, 3), span), frozen.highest_wh[:3, None] * np.ones(6)))
    (found,) = stale.find(some)
    assert (found.kind, {touch.serial for touch in found.touches}) == ("stale_site", set(ROOF.serials[3:]))


def test_values_at_a_limit_stand_still_honestly() -> None:
    limited = replace(
        ROOF, energy_wh=np.where(np.isfinite(ROOF.energy_wh), np.minimum(ROOF.energy_wh, 30.0), np.nan)
    )
    assert stale.find(limited) == []


def test_a_coarse_register_repeats_honestly() -> None:
    """Ten watt-hours in steps of 10: where the light is low, equal values follow each other for hours."""
    assert roof(step_wh=10.0).repeats.mean() > 0.1
    assert stale.find(roof(step_wh=10.0)) == []


def test_the_step_of_the_values_is_told() -> None:
    assert set(roof(step_wh=1.0).step_wh) == {1.0}
    assert set(roof(step_wh=0.1).step_wh) == {0.1}
    scaled = roof(step_wh=1.0)
    assert replace(scaled, energy_wh=scaled.energy_wh / 12).step_wh == pytest.approx(1 / 12)


# The same twice


def test_a_unit_with_another_s_readings() -> None:
    twins = changed(ROOF, ((5, slice(None)), ROOF.energy_wh[1]))
    (found,) = repeated.find(twins)

    assert (found.kind, found.serials) == ("repeated_unit", ("770001", "770005"))
    assert found.numbers["days"] == 7


def test_a_day_that_came_twice_touches_the_later_one() -> None:
    day = slice(3 * PER_DAY, 4 * PER_DAY)
    copied = changed(ROOF, ((0, day), ROOF.energy_wh[0, PER_DAY : 2 * PER_DAY]))
    (found,) = repeated.find(copied)

    assert (found.kind, found.serials) == ("repeated_day", ("770000",))
    assert {touch.day for touch in found.touches} == {ROOF.day[3 * PER_DAY]}


def test_units_at_one_limit_are_no_copies() -> None:
    limited = replace(
        ROOF, energy_wh=np.where(np.isfinite(ROOF.energy_wh), np.minimum(ROOF.energy_wh, 15.0), np.nan)
    )
    assert (limited.energy_wh[0] == limited.energy_wh[1]).mean() > 0.2
    assert repeated.find(limited) == []


# Single values


def test_a_spike_is_far_above_all_its_neighbours() -> None:
    (found,) = spikes.find(changed(ROOF, ((4, at(2, 9)), 1.3 * ROOF.rated_wh[4])))

    assert (found.kind, found.serials, found.values) == ("spike", ("770004",), 1)
    assert found.numbers["of_rating"] == pytest.approx(1.3)
    assert found.first == ROOF.moment(at(2, 9))


def test_a_gap_between_clouds_over_all_units_is_no_spike() -> None:
    bright = changed(ROOF, ((slice(None), at(2, 9)), 0.95 * ROOF.rated_wh))
    assert spikes.find(bright) == []


@pytest.mark.parametrize("silence", [np.nan, 0.0])
def test_energy_of_a_gap_in_one_value_is_told_from_a_spike(silence: float) -> None:
    first, end = at(3, 7), at(3, 7.75)
    total = float(np.nansum(ROOF.reference_wh[3, first : end + 1]))
    caught_up = changed(ROOF, ((3, slice(first, end)), silence), ((3, end), total))
    (found,) = spikes.find(caught_up)

    assert (found.kind, found.serials, found.values) == ("catch_up", ("770003",), 1)


# What intake kept out


@pytest.mark.parametrize(
    ("hour", "field", "value", "kind"),
    [
        (12, "energy_wh", -5.0, "negative_day"),
        (0, "energy_wh", -0.2, "negative_night"),
        (12, "energy_wh", 9e5, "too_high"),
        (12, "power_w", None, "too_high"),
        (12, "ac_voltage_v", 4e3, "out_of_range"),
        (12, "counter", None, "counter"),
    ],
)
def test_what_was_kept_out_is_counted_by_kind(hour: int, field: str, value: float | None, kind: str) -> None:
    place = at(1, hour)
    out = KeptOut("770001", START_S + STEP_S * place, field, value, "token gateway")
    without = replace(changed(ROOF, ((1, place), np.nan)), kept_out=(out, out))
    (found,) = kept_out.find(without)

    assert (found.kind, found.serials, found.values) == (kind, ("770001",), 1)
    assert found.names == {"source": "token gateway"}


def test_what_a_good_value_took_the_place_of_is_no_trouble() -> None:
    out = KeptOut("770001", START_S + STEP_S * NOON, "energy_wh", -5.0, "")
    assert kept_out.find(replace(changed(ROOF, ((1, NOON), 12.0)), kept_out=(out,))) == []
    elsewhen = replace(out, at_s=START_S - 1)
    assert kept_out.find(replace(ROOF, kept_out=(elsewhen,))) == []


def test_what_was_kept_out_of_a_stranger_has_its_serial() -> None:
    out = KeptOut("stranger", START_S + STEP_S * NOON, "energy_wh", -5.0, "")
    (found,) = kept_out.find(replace(ROOF, kept_out=(out,)))
    assert (found.serials, found.values, found.touches) == (("stranger",), 1, ())


# By night


def test_output_in_the_dark_of_one_unit() -> None:
    lit = changed(ROOF, ((6, slice(at(2, 21), at(2, 24))), 3.0))
    (found,) = night.find(lit)
    assert (found.kind, found.serials, found.values) == ("night_output", ("770006",), 12)


def test_output_in_the_dark_of_all_units_is_the_clock_s() -> None:
    late = replace(ROOF, energy_wh=np.roll(ROOF.energy_wh, 12, axis=1))
    assert night.find(late) == []


# Gaps


def test_a_gap_of_the_whole_site_with_its_length() -> None:
    (found,) = gaps.find(changed(ROOF, ((slice(None), slice(at(2, 9), at(2, 12))), np.nan)))

    assert (found.kind, found.serials) == ("gap_site", ())
    assert (found.numbers["gaps"], found.numbers["longest_min"]) == (1, 180)
    assert "daily_minute" not in found.numbers
    assert found.energy_share == 0 or 0.02 < found.energy_share < 0.1


def test_a_gap_at_the_same_hour_of_most_days_is_said_to_be_one() -> None:
    noons = [((slice(None), slice(at(day, 12), at(day, 13))), np.nan) for day in range(6)]
    (found,) = gaps.find(changed(ROOF, *noons))
    assert (found.numbers["gaps"], found.numbers["daily_minute"]) == (6, 720)


def test_a_unit_that_misses_more_than_the_others() -> None:
    (found,) = gaps.find(changed(ROOF, ((7, slice(at(1, 8), at(1, 16))), np.nan)))
    assert (found.kind, found.serials, found.names["worst"]) == ("gap_units", ("770007",), "770007")


@pytest.mark.parametrize(("value", "found"), [(50.0, []), (80.0, ["spike"])])
def test_what_a_coarse_register_moves_between_two_values_is_no_spike(value: float, found: list[str]) -> None:
    sent, dawn = roof(step_wh=10.0), at(1, 7)
    around = slice(dawn - 2, dawn + 3)
    moved = changed(sent, ((slice(None), around), 10.0), ((5, around), np.array([20, 20, value, 20, 20])))
    assert kinds(spikes.find(moved)) == found


def test_silence_by_night_and_before_a_unit_was_fitted_is_none() -> None:
    silent = roof(silent_at_night=True)
    fitted = silent.fitted.copy()
    fitted[3, : at(3, 0)] = False
    young = changed(silent, ((3, slice(0, at(3, 10))), np.nan))
    assert gaps.find(replace(young, fitted=fitted)) == []


# The clock


@pytest.mark.parametrize("hours", [1, -1])
@pytest.mark.parametrize("silent", [True, False])
def test_a_step_of_the_clock_is_found_with_its_day(hours: int, silent: bool) -> None:
    sent = roof(silent_at_night=silent)
    at_night = 4 * PER_DAY
    rolled = np.roll(sent.energy_wh[:, at_night:], 4 * hours, axis=1)
    moved = changed(sent, ((slice(None), slice(at_night, None)), rolled))
    (found,) = clock.find(moved)

    assert (found.kind, found.serials) == ("clock_step", ())
    assert found.numbers["minutes"] == pytest.approx(60 * hours, abs=INTERVAL_MIN)
    assert at_night <= (found.first.timestamp() - START_S) / STEP_S < at_night + PER_DAY / 2


# Several sources


def _said(values: float, *, source_interval: int = INTERVAL_MIN, channel: str = "energy_wh") -> Samples:
    starts = START_S + 60 * source_interval * np.arange(40, 44)
    return Samples("770001", channel, source_interval, starts, np.full(4, values))


def test_two_sources_that_differ_are_a_finding_and_by_how_much() -> None:
    said = {"token gateway": [_said(10.0)], "file june.csv": [_said(12.0)]}
    (found,) = sources.find(replace(ROOF, said=said))

    assert (found.kind, found.serials, found.values) == ("two_sources", ("770001",), 4)
    assert found.names == {"one": "file june.csv", "other": "token gateway"}
    assert found.numbers == {"both": 4, "difference_wh": -8}


def test_powers_are_compared_as_energies() -> None:
    said = {"a": [_said(400.0, channel="power_w")], "b": [_said(440.0, channel="power_w")]}
    (found,) = sources.find(replace(ROOF, said=said))
    assert found.numbers["difference_wh"] == pytest.approx(4 * 40 * INTERVAL_MIN / 60)


def test_sources_that_agree_or_speak_of_other_times_are_none() -> None:
    other = replace(_said(99.0), starts=_said(0).starts + 86_400)
    said = {"a": [_said(10.0)], "b": [_said(10.0001)], "c": [other], "d": [_said(5.0, source_interval=5)]}
    assert sources.find(replace(ROOF, said=said)) == []


# Whatever comes


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**32), st.integers(1, 4), st.integers(1, 300), st.sampled_from([5, 15, 60]))
def test_no_readings_break_it(seed: int, units: int, count: int, interval_min: int) -> None:
    rng = np.random.default_rng(seed)
    energy = np.rint(rng.exponential(5, (units, count)) * rng.integers(0, 2, (units, count)))
    energy[rng.random(energy.shape) < rng.random()] = np.nan
    sent = replace(
        roof(units=units, days=1),
        interval_min=interval_min,
        start_s=START_S + 60 * interval_min * int(rng.integers(0, 1000)),
        energy_wh=energy,
        fitted=rng.random(energy.shape) < 0.9,
        plane=rng.integers(0, 3, units),
        elevation_deg=rng.uniform(-40, 60, count),
        day=np.sort(rng.integers(20_000, 20_000 + 1 + count // 100, count)),
    )
    found = look(sent)
    assert 0 <= found.heard_share <= 1
    assert all(
        0 <= one.share <= 1 and 0 <= one.energy_share <= 1 and one.values > 0 for one in found.findings
    )
