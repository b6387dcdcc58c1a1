"""What may be the matter with readings, one finding of each kind, for tests of words and pages."""

from __future__ import annotations

from datetime import timedelta

from service.quality.model import Finding, Quality, Touch
from tests.report import sample

DAY = 20_578
NUMBERS = {
    "two_sources": {"both": 412.0, "difference_wh": 1240.0},
    "stale": {"minutes": 145.0},
    "stale_site": {"minutes": 55.0},
    "repeated_unit": {"days": 3.0},
    "repeated_day": {"days": 1.0},
    "spike": {"of_rating": 1.31},
    "clock_step": {"minutes": -60.0},
    "gap_site": {"gaps": 5.0, "longest_min": 130.0, "of_light": 0.071, "daily_minute": 660.0},
    "gap_units": {"worst_share": 0.21},
}
NAMES = {
    "two_sources": {"one": "file june.csv", "other": "token gateway"},
    "gap_units": {"worst": sample.SHADED},
}
KINDS = (
    *(
        "two_sources",
        "stale",
        "stale_site",
        "repeated_unit",
        "repeated_day",
        "spike",
        "catch_up",
        "clock_step",
    ),
    *("gap_site", "gap_units", "negative_night", "negative_day", "too_high", "out_of_range", "counter"),
    "night_output",
)


def sound() -> Quality:
    """Return what a good week's readings are like."""
    return Quality(sample.START, sample.START + timedelta(sample.DAYS), 0.991, ())


def troubled() -> Quality:
    """Return a week in which everything was the matter."""
    findings = tuple(_finding(kind, number) for number, kind in enumerate(KINDS))
    return Quality(sample.START, sample.START + timedelta(sample.DAYS), 0.874, findings)


def _finding(kind: str, number: int) -> Finding:
    serials = (sample.SHADED, sample.DEAD)
    return Finding(
        kind=kind,
        serials=serials,
        first=sample.START + timedelta(hours=10 + number),
        last=sample.START + timedelta(days=2, hours=10 + number),
        values=401 - 20 * number,
        share=0.16 / (number + 1),
        energy_share=0.2 / (number + 1),
        numbers=NUMBERS.get(kind, {}),
        names=NAMES.get(kind, {}),
        touches=tuple(Touch(serial, DAY + day, 30 + day, 412.0) for day in range(2) for serial in serials),
    )
