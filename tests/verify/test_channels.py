"""Further channels sharpen a cause that the energies have named; without them every result is the same as before."""

import warnings
from dataclasses import replace

import numpy as np
import pytest
from pvlib import pvsystem

from service.verify.causes import channels
from service.verify.run import verify

DC_V, AC_V = 34.0, 240.0
CEC_EVERY = 400
"""One in so many of the CEC library's modules is looked at."""


def with_channels(roof, **values):
    """Return the roof's readings with further channels; a scalar stands for all units and intervals."""
    full = {name: np.broadcast_to(v, roof.energy_wh.shape).copy() for name, v in values.items()}
    return replace(roof.readings(), channels=full)


def dc_voltage(roof):
    """Return a healthy roof's DC voltages, (U, T): up by day, each unit a little its own."""
    volts = np.where(roof.energy_wh.max(axis=0) > 0, DC_V, 0.0) * np.ones(roof.energy_wh.shape)
    return volts * (1 + 0.01 * np.sin(np.arange(len(volts))))[:, None]


def the_finding(result, cause, serial=None):
    found = [f for f in result.findings if f.cause == cause and (serial is None or serial in f.serials)]
    assert len(found) == 1, [f"{f.cause} {f.serials}" for f in result.findings]
    return found[0]


def test_healthy_voltages_and_signals_find_nothing(roof):
    r = roof(planes=2)
    sent = with_channels(
        r, dc_voltage_v=dc_voltage(r), ac_voltage_v=AC_V, signal_pct=15.0, temperature_c=41.0
    )
    assert verify(r.site, sent) == verify(r.site, r.readings())
    assert verify(r.site, sent).findings == ()


def test_channels_that_say_nothing_change_nothing(roof):
    r = roof()
    r.energy_wh[3] = 0.0
    r.energy_wh[5] *= 0.66
    r.energy_wh[8] = np.nan
    empty = with_channels(r, dc_voltage_v=np.nan, ac_voltage_v=np.nan, signal_pct=np.nan, frequency_hz=np.nan)
    result = verify(r.site, r.readings())
    assert {f.cause for f in result.findings} == {"no_output", "substring_out", "not_reporting"}
    assert verify(r.site, empty) == result


def dead_unit(roof, *, dc=None, ac=None):
    r = roof()
    r.energy_wh[3, r.interval(11) :] = 0.0
    volts, mains = dc_voltage(r), np.full(r.energy_wh.shape, AC_V)
    if dc is not None:
        volts[3, r.interval(11) :] = dc
    if ac is not None:
        mains[3, r.interval(11) :] = ac
    return r, volts, mains


def test_a_dead_unit_without_dc_voltage_is_sent_to_the_dc_plugs(roof):
    r, volts, mains = dead_unit(roof, dc=0.4)
    finding = the_finding(
        verify(r.site, with_channels(r, dc_voltage_v=volts, ac_voltage_v=mains)), "no_output"
    )
    assert finding.details["side"] == "dc"
    assert finding.advice.startswith("DC plugs first, isolated")
    assert "its DC voltage is 0 V, that of units like it 34 V" in finding.evidence


@pytest.mark.parametrize(("ac", "side"), [(None, "unit"), (0.0, "ac"), (12.0, "ac")])
def test_a_dead_unit_with_dc_voltage_is_sent_to_the_ac_side_or_the_unit(roof, ac, side):
    r, volts, mains = dead_unit(roof, dc=39.0, ac=ac)
    finding = the_finding(
        verify(r.site, with_channels(r, dc_voltage_v=volts, ac_voltage_v=mains)), "no_output"
    )
    assert finding.details["side"] == side
    assert finding.advice == channels.ADVICE[side]


def test_dc_voltage_alone_acquits_the_dc_plugs(roof):
    r, volts, _ = dead_unit(roof, dc=39.0)
    finding = the_finding(verify(r.site, with_channels(r, dc_voltage_v=volts)), "no_output")
    assert finding.details["side"] == "not_dc"


def test_half_a_voltage_tells_no_side(roof):
    r, volts, _ = dead_unit(roof, dc=16.0)
    finding = the_finding(verify(r.site, with_channels(r, dc_voltage_v=volts)), "no_output")
    assert "side" not in finding.details
    assert finding.advice == the_finding(verify(r.site, r.readings()), "no_output").advice


def test_a_unit_alone_on_its_plane_is_held_against_the_same_module_elsewhere(roof, changed):
    r, volts, _ = dead_unit(roof, dc=0.0)
    units = tuple(replace(u, plane="west" if u.serial == "700003" else "south") for u in r.site.units)
    planes = (*r.site.planes, replace(r.site.planes[0], name="west", azimuth_deg=180.0))
    r = changed(r, site=replace(r.site, units=units, planes=planes))
    finding = the_finding(verify(r.site, with_channels(r, dc_voltage_v=volts)), "no_output")
    assert finding.details["side"] == "dc"


@pytest.mark.parametrize(("other_dies", "side"), [(True, "ac"), (False, "dc")])
def test_inputs_of_one_unit_that_are_metered_apart(roof, changed, other_dies, side):
    r = roof()
    names = {"700003": "88001/1", "700004": "88001/2"}
    units = tuple(replace(u, serial=names.get(u.serial, u.serial)) for u in r.site.units)
    r = changed(r, site=replace(r.site, units=units))
    r.energy_wh[3, r.interval(11) :] = 0.0
    if other_dies:
        r.energy_wh[4, r.interval(11) :] = 0.0
    finding = the_finding(verify(r.site, r.readings()), "no_output", "88001/1")
    assert finding.details["side"] == side
    assert finding.advice == channels.ADVICE[side]
    assert "other input" in finding.evidence


def test_a_substring_is_surer_with_its_voltage_down_by_the_same_share(roof):
    r = roof()
    r.energy_wh[2] *= 0.66
    volts = dc_voltage(r)
    volts[2] *= 0.655
    plain = the_finding(verify(r.site, r.readings()), "substring_out")
    finding = the_finding(verify(r.site, with_channels(r, dc_voltage_v=volts)), "substring_out")
    assert finding.confidence > plain.confidence
    assert "DC voltage is 0.66 of like units' (22 of 34 V), down by the same share" in finding.evidence


def test_a_third_less_power_at_full_voltage_is_no_substring(roof):
    r = roof()
    r.energy_wh[2] *= 0.66
    result = verify(r.site, with_channels(r, dc_voltage_v=dc_voltage(r)))
    finding = the_finding(result, "low_output")
    assert finding.serials == ("700002",)
    assert finding.confidence < the_finding(verify(r.site, r.readings()), "substring_out").confidence
    assert "no substring is missing" in finding.evidence
    assert [u.causes for u in result.units if u.serial == "700002"] == [("low_output",)]


def test_modules_joined_in_an_unknown_way_are_not_acquitted_by_their_voltage(roof, changed):
    r = roof(ac_rated_w=700.0)
    r = changed(r, site=replace(r.site, units=tuple(replace(u, module_count=2) for u in r.site.units)))
    r.energy_wh[2] *= 0.83
    finding = the_finding(verify(r.site, with_channels(r, dc_voltage_v=dc_voltage(r))), "substring_out")
    plain = the_finding(verify(r.site, r.readings()), "substring_out")
    assert finding.confidence == plain.confidence
    assert "DC voltage is" in finding.evidence


def tripping(roof, changed, *, before_v):
    r = roof(index=0.95)
    units = tuple(replace(u, branch="AB"[i % 2]) for i, u in enumerate(r.site.units))
    r = changed(r, site=replace(r.site, units=units))
    mains = AC_V + 8 * r.energy_wh / r.energy_wh.max()
    for hour in (11.0, 11.75, 12.5, 13.25):
        at = r.interval(hour)
        r.energy_wh[0::2, at : at + 2] *= 0.3
        mains[0::2, at : at + 2] = AC_V - 2
        mains[10, at - 1] = before_v
    return r, mains


def test_a_trip_with_the_voltage_near_its_highest_is_surer(roof, changed):
    r, mains = tripping(roof, changed, before_v=254.0)
    plain = the_finding(verify(r.site, r.readings()), "voltage_trip")
    finding = the_finding(verify(r.site, with_channels(r, ac_voltage_v=mains)), "voltage_trip")
    assert finding.confidence > plain.confidence
    assert "the AC voltage was 254 V at 700010" in finding.evidence
    assert finding.evidence.endswith("near its highest.")


def test_a_trip_at_a_low_voltage_is_doubted(roof, changed):
    r, mains = tripping(roof, changed, before_v=238.0)
    for hour in (11.0, 11.75, 12.5, 13.25):
        mains[0::2, r.interval(hour) - 1] = 238.0
    plain = the_finding(verify(r.site, r.readings()), "voltage_trip")
    finding = the_finding(verify(r.site, with_channels(r, ac_voltage_v=mains)), "voltage_trip")
    assert finding.confidence < plain.confidence
    assert finding.evidence.endswith("not high.")


@pytest.mark.parametrize(("mains", "side"), [(0.0, "ac"), (238.0, "unit")])
def test_a_dead_branch_with_and_without_mains(roof, changed, mains, side):
    r = roof()
    units = tuple(replace(u, branch="AB"[i % 2]) for i, u in enumerate(r.site.units))
    r = changed(r, site=replace(r.site, units=units))
    volts = np.full(r.energy_wh.shape, AC_V)
    r.energy_wh[0::2, r.interval(11) :] = 0.0
    volts[0::2, r.interval(11) :] = mains
    finding = the_finding(verify(r.site, with_channels(r, ac_voltage_v=volts)), "branch_out")
    assert finding.details["side"] == side
    assert finding.advice.startswith("Look at branch A" if side == "ac" else "The branch is live")


@pytest.mark.parametrize(("dc", "side"), [(0.5, "dc"), (38.0, "not_dc")])
def test_drop_outs_with_and_without_dc_voltage(roof, dc, side):
    r = roof()
    volts = dc_voltage(r)
    for hour in (9.0, 10.5, 13.0):
        out = slice(r.interval(hour), r.interval(hour + 0.4))
        r.energy_wh[6, out], volts[6, out] = 0.0, dc
    finding = the_finding(verify(r.site, with_channels(r, dc_voltage_v=volts)), "intermittent")
    assert finding.details["side"] == side


@pytest.mark.parametrize(
    ("own", "others", "says", "gateway"),
    [
        (12.0, 70.0, "Its signal was 12 % only", True),
        (85.0, 70.0, "Its signal was good, 85 %", False),
        (np.nan, 18.0, "those that are heard is 18 % only", True),
        (np.nan, 70.0, None, False),
    ],
)
def test_a_silent_units_signal_says_where_to_look(roof, own, others, says, gateway):
    r = roof()
    r.energy_wh[4] = np.nan
    signal = np.full(r.energy_wh.shape, others)
    signal[4] = np.nan
    signal[4, :100] = own
    plain = the_finding(verify(r.site, r.readings()), "not_reporting")
    finding = the_finding(verify(r.site, with_channels(r, signal_pct=signal)), "not_reporting")
    assert ("gateway first" in finding.advice) is gateway
    assert finding.evidence == plain.evidence if says is None else says in finding.evidence


def single_diode(module, light_w_m2):
    """Return the module's single-diode parameters (CEC model) at 25 degC."""
    names = ("alpha_sc", "a_ref", "I_L_ref", "I_o_ref", "R_sh_ref", "R_s", "Adjust")
    return pvsystem.calcparams_cec(light_w_m2, 25.0, *(module[n] for n in names))


def test_voltage_bounds_hold_over_the_cec_library():
    """Single-diode curves of the CEC module library in pvlib; bypass diodes conduct at -0.5 V (usual, from memory)."""
    library = pvsystem.retrieve_sam("cecmod")
    silicon = [n for n in library.columns if "c-Si" in library[n].Technology and 50 <= library[n].N_s <= 72]
    assert len(silicon[::CEC_EVERY]) > 20
    for name in silicon[::CEC_EVERY]:
        full = pvsystem.max_power_point(*single_diode(library[name], 1000.0))
        for light in (667.0, 333.0):  # a loss of one third and of two that leaves every substring at work
            less = pvsystem.max_power_point(*single_diode(library[name], light))
            assert less["v_mp"] / full["v_mp"] > channels.UNCHANGED
        curve = single_diode(library[name], 1000.0)
        current = np.linspace(0.0, 0.999 * curve[0], 2000)
        for lost in (1, 2):
            left = pvsystem.v_from_i(current, *curve) * (3 - lost) / 3 - 0.5 * lost
            best = int(np.argmax(left * current))
            assert left[best] / full["v_mp"] == pytest.approx(1 - lost / 3, abs=channels.VOLTAGE_NEARNESS)
            assert left[best] / full["v_mp"] < channels.UNCHANGED


@pytest.mark.parametrize("seed", range(10))
def test_any_channels_get_an_answer(roof, seed):
    rng = np.random.default_rng(seed)
    r = roof(planes=2)
    shape = r.energy_wh.shape
    r.energy_wh[rng.integers(0, 12, 3), r.interval(rng.uniform(5, 15)) :] = 0.0
    r.energy_wh[rng.integers(0, 12)] = np.nan
    r.energy_wh[rng.integers(0, 12)] *= rng.choice([0.66, 0.33])
    names = ("dc_voltage_v", "ac_voltage_v", "frequency_hz", "temperature_c", "signal_pct")
    values = {n: np.where(rng.random(shape) < 0.5, np.nan, rng.uniform(-10, 300, shape)) for n in names}
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        result = verify(r.site, with_channels(r, **values))
    plain = verify(r.site, r.readings())
    assert {f.serials for f in result.findings} == {f.serials for f in plain.findings}
    assert all(0 < f.confidence <= 1 for f in result.findings)
