"""Registers that count on are told from those that cut each value, by like units' steps."""

import numpy as np
import pytest

from service.verify.register import counts_on
from service.verify.run import build_case
from tests.verify.conftest import counted_on


def dim(roof):
    """Return a roof of one plane under a closed cover, whose units make some Wh in five minutes."""
    return roof(units=6, index=0.12)


@pytest.mark.parametrize(("kept", "expected"), [(counted_on, True), (np.floor, False), (np.round, False)])
def test_values_that_go_up_and_down_at_unlike_times_are_counted_on(roof, kept, expected):
    r = dim(roof)
    r.energy_wh[:] = kept(r.energy_wh)
    case = build_case(r.site, r.readings())
    assert counts_on(case.measured_wh, case.day, case.resolution_wh) is expected


def test_a_unit_that_lacks_a_third_does_not_make_cut_values_look_counted_on(roof):
    r = dim(roof)
    r.energy_wh[0] *= 2 / 3
    r.energy_wh[:] = np.floor(r.energy_wh)
    case = build_case(r.site, r.readings())
    assert not counts_on(case.measured_wh, case.day, case.resolution_wh)


def test_few_values_tell_nothing_of_the_register(roof):
    r = dim(roof)
    r.energy_wh[:] = counted_on(r.energy_wh)
    case = build_case(r.site, r.readings())
    few = case.measured_wh.copy()
    few[:, 4:] = np.nan
    assert not counts_on(few, case.day, case.resolution_wh)
