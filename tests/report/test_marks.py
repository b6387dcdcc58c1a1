"""Small drawings: where a number ends up on paper."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.report import marks
from service.report.days import Profile

FRAME = marks.Frame(left=0, top=0, width=240, height=100, first_min=0, last_min=1440, peak_w=200.0)


def profile(measured: list[float], expected: list[float]) -> Profile:
    return Profile(60, np.array(measured), np.array(expected))


def points(path: str) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in re.findall(r"([\d.]+),([\d.]+)", path)]


def test_a_course_lies_in_the_middle_of_its_steps_and_at_its_height() -> None:
    drawn = marks.course(profile([100.0] * 24, [200.0] * 24), FRAME)
    assert points(drawn.due)[0] == (5.0, 0.0)
    assert points(drawn.made)[0] == (5.0, 50.0)
    assert points(drawn.made)[-2:] == [(235.0, 100.0), (5.0, 100.0)]
    assert drawn.made.endswith("Z")
    assert drawn.unheard == ""


def test_what_was_not_heard_is_a_gap_and_not_a_zero() -> None:
    measured = [100.0] * 24
    measured[10:12] = [np.nan, np.nan]
    drawn = marks.course(profile(measured, [200.0] * 24), FRAME)
    assert drawn.made.count("M") == 2
    assert drawn.unheard == "M100.0,100.0H120.0"


def test_silence_at_night_is_no_silence() -> None:
    drawn = marks.course(profile([np.nan] * 6 + [1.0] * 18, [0.0] * 6 + [1.0] * 18), FRAME)
    assert drawn.unheard == ""


def test_nothing_is_drawn_outside_the_window() -> None:
    outside = [np.nan] * 10
    measured = [*outside, 50.0, 50.0, np.nan, np.nan, *outside]
    drawn = marks.course(profile(measured, [*outside, *[100.0] * 4, *outside]), FRAME)
    assert points(drawn.due) == [(105.0, 50.0), (115.0, 50.0), (125.0, 50.0), (135.0, 50.0)]
    assert points(drawn.made) == [(105.0, 75.0), (115.0, 75.0), (115.0, 100.0), (105.0, 100.0)]
    assert drawn.unheard == "M120.0,100.0H140.0"


def test_a_step_alone_is_seen() -> None:
    outside = [np.nan] * 10
    alone = [*outside, 100.0, *outside, *[np.nan] * 3]
    drawn = marks.course(profile(alone, alone), FRAME)
    assert points(drawn.due) == [(100.0, 50.0), (110.0, 50.0)]
    assert points(drawn.made) == [(100.0, 50.0), (110.0, 50.0), (110.0, 100.0), (100.0, 100.0)]


def test_power_beyond_the_frame_stays_within_it() -> None:
    drawn = marks.course(profile([500.0] * 24, [200.0] * 24), FRAME)
    assert min(y for _, y in points(drawn.made)) == 0


def test_dots_share_one_scale() -> None:
    inside = marks.dot(0.98, 0.96, 1.0)
    assert inside is not None
    assert inside.low < inside.x < inside.high
    assert inside.high == marks.scale_x(1.0)
    assert inside.beyond == ""
    below, above = marks.dot(0.1, 0.09, 0.11), marks.dot(1.4, None, None)
    assert below is not None
    assert above is not None
    assert (below.beyond, below.x) == ("below", 0)
    assert (above.beyond, above.x) == ("above", marks.SCALE_WIDTH)
    assert marks.dot(None, None, None) is None


@given(st.floats(min_value=1e-3, max_value=1e7))
def test_ticks_are_few_and_round(peak: float) -> None:
    found = marks.ticks(peak)
    assert 2 <= len(found) <= 5
    assert found[0] == 0
    assert found[-1] <= peak * (1 + 1e-6)
    step = found[1]
    mantissa = step / 10 ** np.floor(np.log10(step) + 1e-9)
    assert min(abs(mantissa - round_one) for round_one in (1, 2, 2.5, 5)) < 1e-6


@pytest.mark.parametrize("peak", [0.0, float("nan"), float("inf")])
def test_no_peak_no_ticks_but_zero(peak: float) -> None:
    assert marks.ticks(peak) == [0.0]
