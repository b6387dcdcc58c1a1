"""What is not judged yet, on the office's page and in one line on the short page for the roof; not on the owner's."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from html import unescape

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine

from service.jobs.codec import from_json, to_json
from service.report import words
from service.settings import Settings
from service.store import sites
from service.store.database import writing
from service.verify.result import Unseen, Verification
from service.web.app import create_app
from service.web.pages.climb import climb
from service.web.pages.not_yet import Open, open_lines, waiting_line
from tests.report import sample
from tests.web.visit import add_person, add_site, sign_in

pytestmark = pytest.mark.one_database

SUN = "Needs about 2.5 more hours of direct sun."
LIGHT = "Needs about 10 more minutes of light."
PLANE = "Needs a second plane: on one, energy does not tell the places apart."
SHADE = Unseen("shaded", SUN, ("east dormer",), needs={"hours": 2.5})


def healthy(*entries: Unseen) -> Verification:
    return replace(sample.healthy(), not_yet=entries)


@pytest.fixture
def office(settings: Settings, engine: Engine) -> Iterator[TestClient]:
    """Somebody from the office, signed in."""
    with TestClient(create_app(settings, engine=engine), base_url="http://roofs.example") as client:
        yield sign_in(client, add_person(engine, "office"))


def text_of(html: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html))).replace("\xa0", " ")


def test_what_lacks_the_same_stands_on_one_line() -> None:
    found = healthy(
        Unseen("clock_shift", SUN, needs={"hours": 2.5}),
        Unseen("swapped", SUN, needs={"hours": 2.5}),
        SHADE,
        Unseen("low_output", LIGHT, ("south roof", "east dormer"), ("1", "2", "3"), {"minutes": 10}),
    )
    assert open_lines(found) == [
        Open("The readings\u2019 clock and units that changed places", "", SUN),
        Open("Shade", "roof plane \u201ceast dormer\u201d", SUN),
        Open(
            "Small steady losses",
            f"3{words.NBSP}units on roof plane \u201csouth roof\u201d and roof plane \u201ceast dormer\u201d",
            LIGHT,
        ),
    ]


def test_every_open_question_is_of_a_cause_and_reads_on_its_own() -> None:
    at_once = {
        "not_reporting",
        "not_on_record",
        "data_gap",
        "clipping",
    }  # any reading judges these, or none has to
    assert set(words.OPEN_QUESTIONS) == set(words.CAUSES) - at_once
    assert len(set(words.OPEN_QUESTIONS.values())) == len(words.OPEN_QUESTIONS)
    assert words.open_question("not_reporting") == words.CAUSES["not_reporting"].one


def test_the_roof_hears_of_what_waiting_there_can_show() -> None:
    found = healthy(
        SHADE,
        Unseen("intermittent", LIGHT, needs={"minutes": 10}),
        Unseen("clock_shift", SUN, needs={"hours": 2.5}),  # for the desk
        Unseen("low_output", PLANE),  # no waiting helps
    )
    assert waiting_line(found) == "Not judged yet: shade and units that drop out."
    assert waiting_line(healthy()) == ""


def test_the_roof_hears_first_when_dead_units_can_be_told() -> None:
    found = healthy(SHADE, Unseen("no_output", LIGHT, needs={"minutes": 10}))
    said = waiting_line(found).replace(words.NBSP, " ")
    assert said == "Units that make nothing show after about 10 more minutes of light."
    assert climb(found, sample.site()).waiting == waiting_line(found)


def test_no_readings_wait_for_nothing_else() -> None:
    assert climb(None, sample.site()).waiting == ""


def test_pages_say_it_to_office_and_roof_and_not_to_the_owner(office: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, healthy(SHADE))
    with writing(engine) as session:
        stored = sites.get(session, site_id)
        assert stored is not None
        token = sites.make_owner_link(session, stored)
    said = text_of(office.get(f"/sites/{site_id}").text)
    assert "Not judged yet" in said
    assert f"Shade (roof plane \u201ceast dormer\u201d) {SUN}" in said
    assert "Not judged yet: shade." in text_of(office.get(f"/sites/{site_id}/van").text)
    owner = office.get(f"/owner/{token}")
    assert owner.status_code == 200
    assert "judged" not in owner.text


def test_nothing_is_said_where_all_is_judged(office: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, healthy())
    assert "Not judged" not in office.get(f"/sites/{site_id}").text
    assert "Not judged" not in office.get(f"/sites/{site_id}/van").text


def test_what_is_not_judged_is_kept_and_read_back() -> None:
    found = healthy(SHADE)
    assert from_json(to_json(found)) == found


def test_a_result_kept_before_has_an_empty_list() -> None:
    kept = to_json(healthy()).replace(b',"not_yet":[]', b"")
    assert b"not_yet" not in kept
    assert from_json(kept).not_yet == ()
