"""Shade on a plane by all that its span says: what speaks for it, what against it, and what falls short alone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from service.verify import shade_odds
from service.verify.common_shade import _is_sure, _needed
from service.verify.shade_odds import LEAST_ODDS, WEIGHTS, ShadeSigns
from service.verify.shade_scan import Span
from tests.verify.conftest import Roof
from tests.verify.test_common_shade import LATE_WINTER, dull_weather, findings, shaded

HILL = ShadeSigns(
    log_odds=10.0,
    days=2,
    hours=4.0,
    share=0.5,
    hidden=1.0,
    highest_deg=20.0,
    spread=0.5,
    sun_beside=0.3,
)


def test_each_measure_has_its_weight() -> None:
    assert set(WEIGHTS) == {"", *HILL.measures}


@pytest.mark.parametrize(
    "cover",
    [
        replace(HILL, share=0.95),
        replace(HILL, highest_deg=70.0),
        replace(HILL, hidden=0.85),
        replace(HILL, log_odds=6.0),
        replace(HILL, days=1, log_odds=7.0),
        replace(HILL, hours=1.0),
    ],
    ids=["all day", "high sun", "sun within", "weaker", "one day", "short"],
)
def test_a_hill_that_no_single_measure_proves_is_told_by_all_and_a_cover_is_not(cover: ShadeSigns) -> None:
    edges = Span(0, 9, np.ones(2, dtype=bool), HILL.log_odds, 0.0, 0.0)
    assert not _is_sure(edges, HILL.log_odds, HILL.share, _needed(edges, 240))
    assert HILL.are_enough
    assert not cover.are_enough


def test_a_span_that_says_hardly_anything_is_not_weighed() -> None:
    low = replace(HILL, log_odds=LEAST_ODDS - 0.1, days=7, hours=10.0, highest_deg=-20.0, spread=0.05)
    assert not low.are_enough
    assert replace(low, log_odds=LEAST_ODDS).are_enough
    assert not replace(HILL, days=1, log_odds=20.0).are_enough


@pytest.mark.parametrize("there", [True, False], ids=["hill", "covers"])
def test_a_hill_over_half_of_the_light_shows_on_two_days_with_sun_among_covers(
    roof: Callable[..., Roof], monkeypatch: pytest.MonkeyPatch, there: bool
) -> None:
    bare = roof(units=8, days=7, start=LATE_WINTER)
    index = dull_weather(bare)
    for day, begins in ((2, 11.5), (4, 14.0)):
        index[bare.interval(0.0 if there else begins, day) : bare.interval(24, day)] = 1.0
    hidden = shaded(bare, "south", (90.0, 195.0) if there else (0.0, 1.0), index)
    assert [(f.cause, len(f.serials)) for f in findings(hidden)] == ([("shaded", 8)] if there else [])
    monkeypatch.setattr(shade_odds, "LIKELIER", np.inf)
    assert findings(hidden) == ()
