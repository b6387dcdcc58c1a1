"""What time it is: how exactly two clocks are compared, when the other's is taken, and marks in place of a time."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta

import pytest

from service.collect import clock
from service.collect.clock import REPAIRED_S, Clock, Compared, compared, compared_before, is_mark, on_s


@pytest.mark.parametrize("ahead_s", [-3600.0, 0.0, 7.0, 86_400.0])
@pytest.mark.parametrize("trip_s", [0.0, 4.0])
def test_the_difference_lies_within_the_error_that_is_told(ahead_s: float, trip_s: float) -> None:
    """The answer is made anywhere between question and answer, and its date is cut to the second (RFC 9110, 6.6.1)."""
    now, here = on_s(), datetime.now(UTC)
    for share in (0.0, 0.5, 1.0):
        made = here - timedelta(seconds=ahead_s) - timedelta(seconds=trip_s * (1 - share))
        found = compared(made.replace(microsecond=0), now - trip_s, now)
        assert abs(found.ahead_s - ahead_s) <= found.error_s + 0.01
        assert found.error_s == trip_s / 2 + 0.5


def test_a_clock_that_is_a_little_off_is_left_alone() -> None:
    made = Clock()
    made.doubt(Compared(ahead_s=REPAIRED_S - 1, error_s=0.5, on_s=on_s(), at=datetime.now(UTC)))
    assert abs(made.now() - datetime.now(UTC)) < timedelta(seconds=1)


def test_of_a_clock_that_is_far_off_the_services_time_is_taken() -> None:
    made, true = Clock(), datetime(2026, 6, 14, 12, tzinfo=UTC)
    made.doubt(Compared(ahead_s=-1.7e9, error_s=0.5, on_s=on_s() - 30, at=true))
    assert abs(made.now() - (true + timedelta(seconds=30))) < timedelta(seconds=1)
    assert abs(made.at(on_s() - 90) - (true - timedelta(seconds=60))) < timedelta(seconds=1)


def test_before_the_first_comparison_there_are_marks() -> None:
    made = Clock()
    assert not is_mark(made.now()), "whoever does not doubt it has a clock"
    made.doubt(None)
    first = made.now()
    time.sleep(0.02)
    assert is_mark(first)
    assert timedelta(milliseconds=15) < made.now() - first < timedelta(seconds=2)
    assert made.latest().year == 2100
    made.trust()
    assert not is_mark(made.now())


def test_a_comparison_is_kept_over_a_restart() -> None:
    found = Compared(1.5, 0.6, 12.25, datetime(2026, 6, 14, 12, 0, 0, 500_000, tzinfo=UTC))
    assert compared_before(found.as_json()) == found
    assert compared_before(None) is None


def test_the_session_is_the_time_since_switching_on() -> None:
    assert clock.session() == clock.session()
    assert len(clock.session()) > 20
