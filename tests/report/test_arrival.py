"""What is the matter with readings, in words: each kind has its own, with the numbers in them."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from service.quality import look
from service.quality.model import Finding
from service.report.arrival import SENTENCES, TITLES, TREATMENTS, complete, source, told, unsaid
from service.report.language import speaking
from tests.report import sample
from tests.report.arrivals import KINDS, troubled

ZONE = ZoneInfo(sample.ZONE)
BY_KIND = {finding.kind: finding for finding in troubled().findings}


def test_every_kind_has_its_words() -> None:
    assert set(KINDS) == set(TITLES) == set(TREATMENTS) == set(SENTENCES)
    assert len(look.FINDERS) == 8


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("finding", BY_KIND.values(), ids=BY_KIND)
def test_a_finding_is_said_with_its_numbers(finding: Finding, language: str) -> None:
    with speaking(language):
        said = told(finding, ZONE)
    assert "%(" not in said.what + said.touches
    assert str(finding.values) in said.touches
    assert said.title
    assert said.treatment


def test_two_sources_are_named_as_people_know_them() -> None:
    said = told(BY_KIND["two_sources"], ZONE)
    assert said.what.startswith("The file june.csv and the token gateway sent 412 values for the same times")
    assert "by 1.24\N{NO-BREAK SPACE}kWh in all" in said.what
    assert source("broker on the hill") == "broker on the hill"


def test_a_clock_step_says_its_direction_and_a_daily_gap_its_hour() -> None:
    assert "60\N{NO-BREAK SPACE}min earlier" in told(BY_KIND["clock_step"], ZONE).what
    later = replace(BY_KIND["clock_step"], numbers={"minutes": 60.0})
    assert "later" in told(later, ZONE).what
    assert told(BY_KIND["gap_site"], ZONE).what.endswith("at 12:00.")


def test_what_the_judgement_says_itself_is_not_said_twice() -> None:
    found = sample.verification()
    gap = replace(found.findings[0], cause="data_gap")
    kinds = {finding.kind for finding in unsaid(troubled(), replace(found, findings=(gap,)))}
    assert set(KINDS) - kinds == {"gap_site", "gap_units"}
    assert {f.kind for f in unsaid(troubled(), replace(found, findings=()))} == set(KINDS)


def test_how_much_came_in() -> None:
    assert complete(troubled()).startswith("87\N{NO-BREAK SPACE}% of the values")
