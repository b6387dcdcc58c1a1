"""Light that no sky gives refutes an only plane's record; what explains it is its facing or its clock."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import pytest

from service.verify import alignment, beyond_sky
from service.verify.result import Finding, Verification
from service.verify.run import verify
from service.verify.window import window
from tests.verify.conftest import Roof
from tests.verify.test_alignment import with_plane

OFF_DEG = 120.0
SITE_CAUSES = {"clock_shift", "plane_misdescribed"}


def told(result: Verification) -> list[Finding]:
    return [f for f in result.findings if f.cause in SITE_CAUSES]


@pytest.fixture
def nothing_else_tells(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(alignment, "doubtful", lambda _: False)
    monkeypatch.setattr(alignment, "believed_clock", lambda *_: False)
    monkeypatch.setattr(alignment, "believed_plane", lambda *_: False)
    monkeypatch.setattr(alignment, "_signs_of", lambda _: None)


@pytest.mark.parametrize("planes", [1, 2])
@pytest.mark.parametrize(("off_deg", "refuted"), [(0.0, False), (OFF_DEG, True)])
def test_light_beyond_any_sky_refutes_the_record_of_an_only_plane(
    roof: Callable[..., Roof], planes: int, off_deg: float, refuted: bool
) -> None:
    r = roof(index=1.0, planes=planes)
    seen = window(with_plane(r, "south", azimuth_deg=170 - off_deg), r.readings(), scale=1.0)
    assert seen is not None
    assert (beyond_sky.share_beyond(seen, 0, seen.by_record) >= beyond_sky.REFUTES) is refuted
    assert beyond_sky.refutes_record(seen) is (refuted and planes == 1)


@pytest.mark.usefixtures("nothing_else_tells")
@pytest.mark.parametrize("interval_min", [5, 60])
def test_a_plane_that_no_sky_lights_so_faces_elsewhere(roof: Callable[..., Roof], interval_min: int) -> None:
    r = roof(index=1.0, interval_min=interval_min)
    assert told(verify(r.site, r.readings())) == []
    [found] = told(verify(with_plane(r, "south", azimuth_deg=170 - OFF_DEG), r.readings()))
    assert found.cause == "plane_misdescribed"
    assert "of the light would be beyond what any sky gives" in found.evidence
    assert found.details["azimuth_deg"] == pytest.approx(170, abs=6)


@pytest.mark.usefixtures("nothing_else_tells")
def test_a_clock_that_leaves_no_such_light_is_said_before_a_turn_that_explains_less(
    roof: Callable[..., Roof],
) -> None:
    r = roof(index=1.0, ac_rated_w=400.0)
    late = replace(r.readings(), start=r.grid.start - timedelta(hours=3))
    [found] = told(verify(r.site, late))
    assert (found.cause, found.details["minutes"]) == ("clock_shift", -180)
    assert "of the light would be beyond what any sky gives" in found.evidence
