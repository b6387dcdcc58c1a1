"""What a look at what came in adds to a verification: a share of its time, in one run."""

from __future__ import annotations

from statistics import median
from time import perf_counter

from service.jobs.quality import Noted, quality_of
from service.verify.run import verify
from tests.bench.test_verification import _site, _week

LARGEST_SHARE = 0.05
ROUNDS = 15


def test_a_look_beside_a_verification_of_a_site_week() -> None:
    site = _site()
    readings = _week(site)
    judged, looked = [], []
    for _ in range(ROUNDS):  # turn by turn, so that a slow moment strikes both
        began = perf_counter()
        verify(site, readings)
        between = perf_counter()
        quality_of(site, readings, Noted())
        judged.append(between - began)
        looked.append(perf_counter() - between)
    share = median(looked) / median(judged)
    print(
        f"\nverification {1000 * median(judged):.0f} ms, a look {1000 * median(looked):.1f} ms: {100 * share:.1f} %"
    )
    assert share <= LARGEST_SHARE
