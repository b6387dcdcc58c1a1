"""Units of one plane with two unlike curves: which of them lie elsewhere, however many they are."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest

from service.verify import divided, run
from service.verify.alignment import WrongPlane
from service.verify.causes import misplaced, swapped
from service.verify.causes.misplaced import Misplaced
from service.verify.result import Verification
from service.verify.run import build_case, some_fit_the_record, verify
from service.verify.search import Turn
from service.verify.window import Window
from tests.verify.conftest import Roof, in_air

Made = Callable[..., Roof]
AIR = 3.0
NEAR_DEG = 10.0


def facing(r: Roof, rows: list[int], tilt_deg: float, azimuth_deg: float) -> Roof:
    """Return the roof on a clear day with some units on a plane that nobody noted."""
    turned = tuple(replace(p, tilt_deg=tilt_deg, azimuth_deg=azimuth_deg) for p in r.site.planes)
    there = in_air(replace(r, site=replace(r.site, planes=turned), energy_wh=r.energy_wh.copy()), AIR)
    r = in_air(r, AIR)
    r.energy_wh[rows] = there.energy_wh[rows]
    return r


def said(result: Verification) -> dict[str, set[str]]:
    """Return by serial what is said of the units, and the site's causes under none."""
    out: dict[str, set[str]] = {}
    for finding in (f for f in result.findings if f.is_fault):
        for serial in finding.serials or ("",):
            out.setdefault(serial, set()).add(finding.cause)
    return out


def wrong(r: Roof, rows: list[int]) -> dict[str, set[str]]:
    return {r.site.units[i].serial: {"wrong_plane"} for i in rows}


@pytest.mark.parametrize("rows", [[1], [1, 4], [0, 1, 2, 4, 6], [0, 2, 3, 4, 5, 6]])
@pytest.mark.parametrize("azimuth_deg", [80.0, 260.0])
def test_units_that_face_elsewhere_are_told_by_the_sun_however_many_they_are(
    roof: Made, rows: list[int], azimuth_deg: float
) -> None:
    r = facing(roof(units=8), rows, 32.0, azimuth_deg)
    result = verify(r.site, r.readings())
    assert said(result) == wrong(r, rows)
    faces = [f.details["azimuth_deg"] for f in result.findings if f.cause == "wrong_plane"]
    assert faces == pytest.approx([azimuth_deg] * len(rows), abs=NEAR_DEG)


@pytest.mark.parametrize("rows", [[0], [1]])
def test_of_two_units_the_one_that_has_the_recorded_planes_curve_lies_on_it(
    roof: Made, rows: list[int]
) -> None:
    r = facing(roof(units=2), rows, 32.0, 70.0)
    assert said(verify(r.site, r.readings())) == wrong(r, rows)


@pytest.mark.parametrize("rows", [[1, 4], [0, 2, 3, 4, 5, 6]])
@pytest.mark.parametrize("hours", [(0.0, 11.0), (12.5, 24.0), (9.0, 14.0)])
def test_units_in_a_shadow_lie_where_they_are_recorded(
    roof: Made, rows: list[int], hours: tuple[float, float]
) -> None:
    r = in_air(roof(units=8), AIR)
    begin, end = (r.interval(h) for h in hours)
    r.energy_wh[rows, begin:end] *= 0.3
    assert "wrong_plane" not in {c for causes in said(verify(r.site, r.readings())).values() for c in causes}


def test_most_of_a_plane_on_another_recorded_one_turn_no_plane(roof: Made) -> None:
    r = in_air(roof(units=12, planes=2), AIR)
    rows = [0, 2, 6, 8]
    r.energy_wh[rows] = r.energy_wh[[1, 3, 5, 7]]
    result = verify(r.site, r.readings())
    assert said(result) == wrong(r, rows)
    assert {f.details["fits"] for f in result.findings if f.cause == "wrong_plane"} == {"west"}


def test_a_plane_all_of_whose_units_face_elsewhere_is_misdescribed(roof: Made) -> None:
    r = facing(roof(units=8), list(range(8)), 35.0, 260.0)
    assert said(verify(r.site, r.readings())) == {"": {"plane_misdescribed"}}


@pytest.mark.parametrize(("azimuth_deg", "fits"), [(260.0, True), (80.0, False)])
def test_a_unit_that_faces_as_a_turned_plane_did_shows_that_it_lies_as_recorded(
    roof: Made, azimuth_deg: float, fits: bool
) -> None:
    r = facing(roof(units=12, planes=2), [0], 25.0, azimuth_deg)
    west, turned = r.site.planes[1], replace(r.site.planes[1], azimuth_deg=310.0)
    site = replace(r.site, planes=(r.site.planes[0], turned))
    r.energy_wh[1::2] = in_air(replace(r, site=site, energy_wh=r.energy_wh.copy()), AIR).energy_wh[1::2]
    case = build_case(site, r.readings())
    wrong = WrongPlane(west, 25.0, 310.0, 40.0, 6.0, 40.0, one_plane=False, rival_minutes=0)
    assert some_fit_the_record(replace(case, alignment=replace(case.alignment, plane=wrong))) is fits


def test_a_unit_that_may_as_well_lie_on_another_plane_says_nothing_of_a_turned_one(
    roof: Made, monkeypatch: pytest.MonkeyPatch
) -> None:
    r = roof(units=12, planes=2)
    south, west = r.site.planes
    case = build_case(r.site, r.readings())
    for azimuth_deg, fits in ((west.azimuth_deg, True), (south.azimuth_deg + 12.0, False)):
        recorded = replace(west, azimuth_deg=azimuth_deg)
        wrong = WrongPlane(recorded, 25.0, 310.0, 40.0, 6.0, 40.0, one_plane=False, rival_minutes=0)
        stray = divided.Divided((divided.Stray(1, 30.0, azimuth_deg - 5.0),))
        monkeypatch.setattr(run, "divided", lambda _, stray=stray: stray)
        assert some_fit_the_record(replace(case, alignment=replace(case.alignment, plane=wrong))) is fits


@pytest.mark.parametrize(("strays", "fits"), [([1], False), ([1, 4], True)])
def test_one_unit_of_many_on_an_only_plane_may_face_as_it_was_recorded_by_chance(
    roof: Made, monkeypatch: pytest.MonkeyPatch, strays: list[int], fits: bool
) -> None:
    r = roof(units=12)
    case = build_case(r.site, r.readings())
    wrong = WrongPlane(r.site.planes[0], 35.0, 260.0, 40.0, 6.0, 40.0, one_plane=True, rival_minutes=0)
    found = divided.Divided(tuple(divided.Stray(i, 35.0, 175.0) for i in strays))
    monkeypatch.setattr(run, "divided", lambda _: found)
    assert some_fit_the_record(replace(case, alignment=replace(case.alignment, plane=wrong))) is fits


@pytest.mark.parametrize(("index", "said_of"), [(0.15, {}), (0.97, {"700000": {"wrong_plane"}})])
def test_an_only_unit_under_a_closed_cover_is_on_no_other_plane(
    roof: Made, index: float, said_of: dict[str, set[str]]
) -> None:
    r = roof(units=8, planes=2, index=index)
    units = (replace(u, plane="south" if i == 0 else "west") for i, u in enumerate(r.site.units))
    r = replace(r, site=replace(r.site, units=tuple(units)))
    r.energy_wh[:] = r.energy_wh[[1, *range(1, 8)]]
    r.energy_wh[2:] = r.energy_wh[[1]]
    assert said(verify(r.site, r.readings())) == said_of


@pytest.mark.parametrize(("exchanged", "strays"), [(True, {0, 1}), (False, set())])
def test_what_less_light_explains_nearly_as_well_is_elsewhere_only_if_exchanged_for_a_sure_one(
    roof: Made, monkeypatch: pytest.MonkeyPatch, exchanged: bool, strays: set[int]
) -> None:
    def of_south(seen: Window, turn: Turn) -> Iterator[float]:
        yield (0.8 if seen.planes[turn.plane].name.endswith("south") else 0.0) * turn.worth

    r = in_air(roof(units=8, planes=2), AIR)
    west = r.energy_wh[1].copy()
    if exchanged:
        r.energy_wh[1] = r.energy_wh[0]
    r.energy_wh[0] = west
    monkeypatch.setattr(divided, "by_less_light", of_south)
    case = build_case(r.site, r.readings())
    assert {s.unit for s in divided.divided(case.of_all or case).strays} == strays


def test_a_stray_whose_light_shade_turns_away_from_every_plane_lies_where_its_curve_fits(
    roof: Made, monkeypatch: pytest.MonkeyPatch
) -> None:
    r = in_air(roof(units=8, planes=2), AIR)
    r.energy_wh[0] = r.energy_wh[1]
    stray = divided.Divided((divided.Stray(0, 30.0, 315.0),))
    monkeypatch.setattr(misplaced, "divided", lambda _: stray)
    (found,) = misplaced.misplaced_units(build_case(r.site, r.readings()))
    assert (found.unit, found.fits) == (0, "west")


def test_of_an_exchanged_pair_the_one_that_has_a_planes_curve_is_told_first(
    roof: Made, monkeypatch: pytest.MonkeyPatch
) -> None:
    r = in_air(roof(units=8, planes=2), AIR)
    shaded, clear = (
        Misplaced(0, "south", "west", 0.1, 0.2, 1.0),
        Misplaced(1, "west", "south", 0.3, 0.01, 1.0),
    )
    monkeypatch.setattr(swapped, "misplaced_units", lambda _: [shaded, clear])
    (finding,) = swapped.find(build_case(r.site, r.readings()), frozenset())
    assert finding.serials == ("700001", "700000")
    assert "recorded on west, has the curve of south" in finding.evidence
