"""Units of the benchmark on another plane than recorded, of which the recorded one hardly sees the sun."""

from __future__ import annotations

import pytest

from service.verify.run import verify
from tests.bench import stranger
from tests.bench.fleet import site


@pytest.mark.parametrize(("seed", "cause"), [(840, "wrong_plane"), (433, "swapped"), (264, "swapped")])
def test_a_unit_far_brighter_than_its_plane_s_others_is_on_another(seed: int, cause: str) -> None:
    made = site(seed, "1d")
    there = {s for s, faults in made.faults.items() if any(f.cause == cause for f in faults)}
    found = [f for f in verify(made.site, made.readings).findings if f.cause in ("wrong_plane", "swapped")]
    assert {s for f in found for s in f.serials} == there
    assert {f.cause for f in found} == {cause}


def test_what_is_bright_beside_a_dead_branch_alone_is_on_its_plane() -> None:
    made = site(1277, "1d")
    assert made.plan.group == "branch_out"
    causes = {f.cause for f in verify(made.site, made.readings).findings}
    assert "branch_out" in causes
    assert not causes & {"wrong_plane", "swapped"}


def test_what_all_units_of_a_plane_show_alike_is_no_unit_s_place() -> None:
    made = site(18172, "7d")  # a clock two hours off in an overcast week, too dim to say so
    assert made.plan.site_cause == "clock_shift"
    assert "wrong_plane" not in {f.cause for f in verify(made.site, made.readings).findings}


def test_the_only_unit_that_a_plane_has_tells_nothing_of_it_from_another_roof() -> None:
    made = stranger.site(102, "7d", "wrong_plane")
    found = verify(made.site, made.readings).findings
    assert [f.serials for f in found if f.cause == "wrong_plane"] == [(made.sent_as[0],)]
    assert "shaded" not in {f.cause for f in found}


@pytest.mark.parametrize(
    ("seed", "serial"), [(1182, "761876036610"), (1340, "328809922230"), (1404, "290509590512")]
)
def test_a_unit_that_never_gains_where_another_way_would_stands_in_a_shadow(seed: int, serial: str) -> None:
    made = stranger.site(seed, "7d")
    found = verify(made.site, made.readings).findings
    assert [f.cause for f in found if serial in f.serials] == ["shaded"]


def test_what_a_limit_holds_back_on_every_plane_is_no_shade() -> None:
    made = stranger.site(109, "7d", "wrong_plane")
    causes = {f.cause for f in verify(made.site, made.readings).findings}
    assert {"curtailed", "wrong_plane"} <= causes
    assert "shaded" not in causes


def test_units_at_their_ratings_beside_some_on_another_roof_are_under_no_limit() -> None:
    made = stranger.site(80, "7d", "wrong_plane")
    causes = {f.cause for f in verify(made.site, made.readings).findings}
    assert "clipping" in causes
    assert "curtailed" not in causes
