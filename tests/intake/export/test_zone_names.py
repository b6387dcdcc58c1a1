"""Short names of zones: what they mean depends on the site; what they mean there is from the time zone database."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from service.intake.export.abbreviations import meanings
from service.intake.export.model import Known
from service.intake.export.survey import Trace
from service.intake.export.zone_words import zones_named
from service.intake.export.zones import Light, naive_zone

HOUR_S = 3600


@pytest.mark.parametrize(
    ("zone", "short", "hours"),
    [
        ("America/Chicago", "CST", {-6}),
        ("Asia/Shanghai", "CST", {8}),
        ("Asia/Kolkata", "IST", {5.5}),
        ("Asia/Jerusalem", "IST", {2}),
        ("Europe/Berlin", "IST", {1, 2, 5.5}),
        ("Europe/Berlin", "NZDT", {13}),
    ],
)
def test_name_means_what_it_does_at_the_site_and_else_all_it_does_anywhere(
    zone: str, short: str, hours: set[float]
) -> None:
    assert meanings(zone, {2026})[short] == {hour * HOUR_S for hour in hours}


WINTER_DAY_S = int(datetime(2026, 6, 14, tzinfo=UTC).timestamp())


def _at(zone: str) -> Light:
    naive = WINTER_DAY_S + HOUR_S * np.arange(9, 17)
    trace = {"482913377001": Trace(naive, np.ones(naive.size))}
    return Light(trace, trace, Known(("482913377001",), zone, 350.0, 138.6, -34.9))


def test_name_beside_a_word_against_summer_time_is_an_offset() -> None:
    guess, question = naive_zone(_at("Australia/Adelaide"), "Read at (ACST, no DST)")
    assert (guess.value, question) == ("+09:30", None)


@pytest.mark.parametrize("heading", ["Read at (ACST)", "Read at (AEST, no DST)", "Read at, no DST"])
def test_name_alone_or_of_another_zone_is_no_offset(heading: str) -> None:
    assert naive_zone(_at("Australia/Adelaide"), heading)[0].value == "Australia/Adelaide"


@pytest.mark.parametrize(
    ("text", "site", "zone"),
    [
        ("Interval start (Eastern Time)", "America/Chicago", "America/New_York"),
        ("Start (Pacific)", "America/Chicago", "America/Los_Angeles"),
        ("Start (ET)", "America/Chicago", "America/New_York"),
        ("Start (EDT)", "America/Chicago", "America/New_York"),
        ("Start in Central Time", "America/Chicago", "America/Chicago"),
        ("Zeit (mitteleurop\u00e4ische Zeit)", "Europe/Vienna", "Europe/Vienna"),
        ("HE, energy et al., ET", "America/Chicago", None),
        ("Eastern Time", "Europe/Vienna", None),
    ],
)
def test_zones_in_words_are_those_of_the_sites_country(text: str, site: str, zone: str | None) -> None:
    """Names by CLDR; of those that are one time the site's is given first, else the usual one."""
    assert next(iter(zones_named(text, site)), None) == zone
