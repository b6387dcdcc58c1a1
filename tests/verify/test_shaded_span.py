"""Between which azimuths a loss lies, north included: in the south the noon sun passes through it."""

from __future__ import annotations

import numpy as np
import pytest

from service.verify.causes.shaded import _span


@pytest.mark.parametrize(("first", "last"), [(100, 140), (340, 380), (170, 190)])
def test_the_span_holds_the_middle_of_the_loss_and_goes_through_north_where_the_sun_does(
    first: int, last: int
) -> None:
    azimuth = np.arange(first, last + 1, dtype=float)
    low, high = _span(azimuth % 360, np.ones(len(azimuth)))
    tenth = (last - first) / 10
    assert low == pytest.approx((first + tenth) % 360, abs=1)
    assert high == pytest.approx((last - tenth) % 360, abs=1)
