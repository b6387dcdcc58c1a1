"""From samples to intervals: against pandas and numpy, and whatever the order and the number of deliveries."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.intake.export.counter import BEGAN_ANEW
from service.intake.live.intervals import REACH, Odd, closed, intervals, touched
from service.intake.live.model import Sample
from service.store.grids import Samples

START = datetime(2026, 6, 14, 10, tzinfo=UTC)
NOON = START.timestamp()
STORED = {"rtol": 1e-9, "atol": 1e-6}
"""Far below what is stored of a value, which is a float of 32 bits."""


def sample(kind: str, minute: float, value: float, serial: str = "1") -> Sample:
    return Sample(serial, kind, START + timedelta(minutes=minute), value)


def by_minute(found: Sequence[Samples]) -> dict[float, float]:
    assert len(found) <= 1
    return {
        (s - NOON) / 60: v
        for one in found
        for s, v in zip(one.starts.tolist(), one.values.tolist(), strict=True)
    }


def test_power_is_the_mean_of_straight_lines() -> None:
    # Reference: pandas interpolates each second by time and takes the mean of the middles of the seconds.
    rng = np.random.default_rng(5)
    seconds = np.sort(rng.choice(3600, 90, replace=False))
    watts = rng.uniform(0, 300, 90)
    found = intervals([sample("power_w", s / 60, w) for s, w in zip(seconds, watts, strict=True)], 5)
    halves = pd.Series(watts, index=START + pd.to_timedelta(seconds, unit="s"))
    grid = pd.date_range(START + timedelta(seconds=0.5), periods=3600, freq="s")
    lines = halves.reindex(halves.index.union(grid)).interpolate("time", limit_area="inside").reindex(grid)
    expected = lines.resample("5min").mean()
    assert [f.channel for f in found] == ["power_w"]
    np.testing.assert_array_equal(
        found[0].starts, expected.index.astype("int64") // 10 ** (9 if expected.index.unit == "ns" else 6)
    )
    np.testing.assert_allclose(found[0].values, expected, rtol=1e-9)


def test_power_is_not_heard_over_a_gap_or_with_too_little_cover() -> None:
    # The lines go from 10:00 to 10:07 and from 10:17 to 10:20; between lie ten minutes, more than 1.5 intervals.
    found = intervals([sample("power_kw", m, v) for m, v in ((0, 0.1), (7, 0.1), (17, 0.2), (20, 0.2))], 5)
    assert by_minute(found) == pytest.approx({0: 100, 15: 200})
    further = intervals(
        [sample("power_kw", m, v) for m, v in ((0, 0.1), (7, 0.1), (17, 0.1), (20, 0.1))], 5, gap_min=10
    )
    assert by_minute(further) == pytest.approx({0: 100, 5: 100, 10: 100, 15: 100})


def test_lone_value_is_no_power_of_an_interval() -> None:
    assert intervals([sample("power_w", 2, 100)], 5) == []
    assert intervals([], 5) == []


def test_counter_is_cut_at_the_borders() -> None:
    # By hand: 10 Wh from 10:00 to 10:10, 3 Wh from 10:10 to 10:13, 7 Wh from 10:13 to 10:20.
    found = intervals(
        [sample("counter_wh", m, v) for m, v in ((0, 1000), (10, 1010), (13, 1013), (20, 1020))], 5
    )
    assert [f.channel for f in found] == ["energy_wh"]
    assert by_minute(found) == pytest.approx({0: 5, 5: 5, 10: 5, 15: 5})


def test_counter_that_was_silent_longer_than_an_hour_is_rejected_and_told() -> None:
    told: list[Odd] = []
    counted = [sample("counter_kwh", m, v) for m, v in ((0, 1.0), (60, 1.12), (125, 1.2), (130, 1.205))]
    found = by_minute(intervals(counted, 5, odd=told.append))
    assert found == pytest.approx({**dict.fromkeys(range(0, 60, 5), 10.0), 125: 5.0})
    assert [(t.at, "silent for 1.1 h" in t.reason) for t in told] == [(START + timedelta(minutes=125), True)]


def test_counter_over_resets_rollovers_and_leaps() -> None:
    told: list[Odd] = []
    shown = (99_990, 99_995, 5, 10, 2, 7, 90_000, 12, -1, 17)
    counted = [sample("counter_wh", 5 * i, v) for i, v in enumerate(shown)]
    found = by_minute(intervals(counted, 5, rated_w=400, odd=told.append))
    # From 12 to 17 lie ten minutes, since what stood between them cannot be.
    assert found == pytest.approx({0: 5, 5: 10, 10: 5, 15: 2, 20: 5, 30: 12, 35: 2.5, 40: 2.5})
    assert [((t.at - START).seconds // 60, t.reason) for t in told] == [
        (40, "a counter cannot be negative"),
        (20, BEGAN_ANEW),
        (30, "the counter jumps by more than the inverter can give"),
        (35, BEGAN_ANEW),
    ]


@pytest.mark.parametrize(("made", "asleep"), [(0, True), (33, True), (34, False)])
def test_a_silence_in_which_next_to_nothing_was_made_is_a_night(made: float, asleep: bool) -> None:
    told: list[Odd] = []
    intervals(
        [sample("counter_wh", m, v) for m, v in ((0, 7), (100, 7 + made))], 5, rated_w=400, odd=told.append
    )
    assert [t.asleep for t in told] == [asleep]


@pytest.mark.parametrize(("label", "minute"), [("start", 10), ("end", 5)])
def test_energies_lie_by_their_label(label: str, minute: int) -> None:
    assert by_minute(intervals([sample("energy_kwh", 10, 0.0125)], 5, label=label)) == {minute: 12.5}


def test_channels_are_means() -> None:
    found = intervals([sample("temperature_c", m, v) for m, v in ((0, 20), (1, 23), (4.9, 26), (11, 30))], 5)
    assert [f.channel for f in found] == ["temperature_c"]
    assert by_minute(found) == pytest.approx({0: 23, 10: 30})


def test_only_whole_intervals_within_the_span_are_given() -> None:
    samples = [sample("counter_wh", m, m) for m in range(0, 61, 3)] + [
        sample("temperature_c", m, 20) for m in range(60)
    ]
    samples += [sample("energy_wh", m, 1, "2") for m in range(0, 60, 5)]
    found = intervals(samples, 5, start=START + timedelta(minutes=7), end=START + timedelta(minutes=24))
    assert [((f.starts - NOON) // 60).tolist() for f in found] == [[10, 15], [10, 15], [10, 15]]


def test_intervals_are_closed_one_interval_after_their_end() -> None:
    assert closed(START + timedelta(minutes=9, seconds=59), 5) == START
    assert closed(START + timedelta(minutes=10), 5) == START + timedelta(minutes=5)
    assert closed(START + timedelta(minutes=5), 5, wait_min=0) == START + timedelta(minutes=5)


def test_clock_that_is_years_off_takes_no_time() -> None:
    odd = Sample("1", "temperature_c", datetime(2001, 1, 1, tzinfo=UTC), 20.0)
    found = intervals([odd, *(sample("temperature_c", m, 20) for m in range(10))], 5)
    assert [f.starts.size for f in found] == [3]


def test_only_what_may_have_changed_is_given() -> None:
    samples = [sample("counter_wh", m, m) for m in range(0, 61, 4)]
    changed = (START + timedelta(minutes=24), START + timedelta(minutes=32))
    assert list(by_minute(intervals(samples, 5, changed=changed))) == [20, 25, 30, 35]
    assert list(by_minute(intervals(samples, 5, changed=changed, end=START + timedelta(minutes=33)))) == [
        20,
        25,
    ]


# Whatever the order and the number of deliveries

MINUTES = st.lists(st.integers(0, 240).map(lambda half: half / 2), min_size=2, max_size=30, unique=True)


@st.composite
def sent(draw: st.DrawFn) -> list[Sample]:
    found = []
    for kind in draw(
        st.lists(
            st.sampled_from(["power_w", "counter_wh", "energy_wh", "temperature_c"]), min_size=1, unique=True
        )
    ):
        total = 0.0
        for minute in sorted(draw(MINUTES)):
            value = draw(st.floats(0, 40))
            total += value
            # a counter and energies of one unit would be two answers to one question
            found.append(sample(kind, minute, total if kind == "counter_wh" else value, serial=kind))
    return found


def laid(found: Sequence[Samples]) -> dict[tuple[str, str, int], float]:
    return {
        (s.serial, s.channel, t): v
        for s in found
        for t, v in zip(s.starts.tolist(), s.values.tolist(), strict=True)
    }


@settings(max_examples=40, deadline=None)
@given(sent(), st.randoms(use_true_random=False), st.sampled_from([5, 15, 60]))
def test_order_and_repetition_change_nothing(samples: list[Sample], random, minutes: int) -> None:
    shuffled = random.sample(samples, len(samples)) + random.choices(samples, k=5)
    once, again = laid(intervals(samples, minutes)), laid(intervals(shuffled, minutes))
    assert once == again


@settings(max_examples=40, deadline=None)
@given(sent(), st.randoms(use_true_random=False), st.integers(1, 6), st.sampled_from([5, 15]))
def test_batches_that_overlap_and_come_late_lead_to_the_same(
    samples: list[Sample], random, parts: int, minutes: int
) -> None:
    """Each batch has the intervals that it may have changed worked out anew from what is held around it."""
    held: dict[tuple[str, str, datetime], Sample] = {}
    kept: dict[tuple[str, str, int], float] = {}
    order = random.sample(samples, len(samples))
    size = -(-len(order) // parts)
    for at in range(0, len(order), size):
        batch = order[max(0, at - 3) : at + size]
        held |= {(s.serial, s.kind, s.at): s for s in batch}
        changed = (min(s.at for s in batch), max(s.at for s in batch))
        around = [s for s in held.values() if changed[0] - REACH <= s.at <= changed[1] + REACH]
        start, end = touched(changed, minutes)
        found = laid(intervals(around, minutes, changed=changed))
        assert all(start.timestamp() <= at <= end.timestamp() - 60 * minutes for _, _, at in found)
        kept |= found
    whole = laid(intervals(samples, minutes))
    assert kept.keys() == whole.keys()
    np.testing.assert_allclose([kept[k] for k in whole], list(whole.values()), **STORED)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 3600), st.floats(0, 1000)), min_size=1, max_size=40),
    st.integers(0, 3599),
)
def test_counters_keep_their_total(steps: list[tuple[int, float]], first: int) -> None:
    # What is made from border to border is the difference of the counter there (numpy.interp between readings).
    at = np.cumsum([first, *(s for s, _ in steps)])
    total = np.cumsum([1e5, *(wh for _, wh in steps)])
    found = intervals([sample("counter_wh", a / 60, v) for a, v in zip(at, total, strict=True)], 5)
    begin, end = -(-int(at[0]) // 300) * 300, int(at[-1]) // 300 * 300
    made = sum(float(f.values.sum()) for f in found)
    expected = np.interp(end, at, total) - np.interp(begin, at, total) if end > begin else 0.0
    assert made == pytest.approx(expected, rel=1e-9, abs=1e-6)
