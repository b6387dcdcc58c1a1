"""Between which azimuths a loss lies, north included: in the south the noon sun passes through it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from service.expect.site import Plane
from service.verify.case import Case
from service.verify.causes.shaded import _shared_by_two, _span
from service.verify.common_shade import PlaneShade


@pytest.mark.parametrize(("first", "last"), [(100, 140), (340, 380), (170, 190)])
def test_the_span_holds_the_middle_of_the_loss_and_goes_through_north_where_the_sun_does(
    first: int, last: int
) -> None:
    azimuth = np.arange(first, last + 1, dtype=float)
    low, high = _span(azimuth % 360, np.ones(len(azimuth)))
    tenth = (last - first) / 10
    assert low == pytest.approx((first + tenth) % 360, abs=1)
    assert high == pytest.approx((last - tenth) % 360, abs=1)


def test_only_planes_whose_own_loss_is_said_tell_what_stands_before_the_whole_site() -> None:
    where = np.ones(10, dtype=bool)
    shades = tuple(PlaneShade(name, (93.0, 104.0), where, 5, 40.0) for name in ("east", "west"))
    planes = [
        Plane(name="east", tilt_deg=33, azimuth_deg=95),
        Plane(name="west", tilt_deg=33, azimuth_deg=275),
    ]
    case = cast(
        Case, SimpleNamespace(shades=shades, day=SimpleNamespace(site=SimpleNamespace(planes=planes)))
    )

    assert _shared_by_two(case, {"east", "west"}) == shades
    assert _shared_by_two(case, {"east"}) is None
