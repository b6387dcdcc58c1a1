"""The correction that goes with a serial off the record: only where it can be one slip of one unit."""

import json

import numpy as np

from service.intake.correction import as_sent, read_correction
from service.verify.causes.not_on_record import mistyped
from service.verify.run import verify


def _corrections(r):
    found = verify(r.site, r.readings()).findings
    return {f.serials[0]: f.details.get("correction") for f in found if f.cause == "not_on_record"}


def test_a_slip_of_one_unit_is_proposed_in_the_form_that_is_accepted(roof):
    r = roof()
    r.strangers["700040"] = r.energy_wh[4].copy()
    r.energy_wh[4] = np.nan
    proposed = _corrections(r)["700040"]
    assert proposed == {"kind": "serial", "recorded": "700004", "heard": "700040"}
    assert as_sent(read_correction(json.loads(json.dumps(proposed)))) == proposed


def test_a_stranger_beside_a_full_roof_is_no_slip(roof):
    r = roof()
    r.strangers["700040"] = r.energy_wh[4].copy()
    assert _corrections(r) == {"700040": None}


def test_a_unit_that_has_left_the_roof_is_not_renamed(roof, changed):
    r = roof()
    gone = {**vars(r.site.units[4]), "active_until": r.grid.start.date()}
    units = (*r.site.units[:4], type(r.site.units[4])(**gone), *r.site.units[5:])
    r = changed(r, site=type(r.site)(**{**vars(r.site), "units": units}))
    r.strangers["700040"] = r.energy_wh[4].copy()
    r.energy_wh[4] = np.nan
    assert _corrections(r) == {"700040": None}


def test_two_that_may_be_the_same_slip_are_for_people_to_tell_apart():
    # Both strangers are one character from the silent serial, and one stranger from two silent ones.
    assert mistyped(["123457", "123458"], ["123456"], []) == {}
    assert mistyped(["123456"], ["123457", "123458"], []) == {}
    assert mistyped(["123457", "999958"], ["123456", "999959"], []) == {
        "123457": "123456",
        "999958": "999959",
    }
    assert mistyped(["123457"], ["123999"], ["123456"]) == {}, "a heard serial is nearer"
