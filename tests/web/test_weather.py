"""The weather on the pages: whose air temperature, what a service says of the light, what hinders; the far horizon."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine

from service.fetch import ask
from service.fetch.model import NoAnswer, Question
from service.fetch.services import SERVICES
from service.jobs import far_horizon
from service.jobs.far_horizon import line_of, with_far_horizon
from service.settings import Settings
from service.store import fetched, sites
from service.store.corrections import fingerprint
from service.store.database import reading, writing
from service.store.fetched import Trouble
from service.store.tables import Site
from service.verify.result import Told
from service.web.app import create_app
from service.web.pages.weather_view import WHY, air_sentence, light_sentence, trouble_sentence
from tests.fetch import services
from tests.fetch.services import Server, always, as_json, serving
from tests.report import sample
from tests.web.test_pages import text_of
from tests.web.visit import add_person, add_site, sign_in

ASKED = datetime(2026, 5, 12, 6, 30, tzinfo=UTC)
ZONE = ZoneInfo("Europe/London")
USUAL = replace(sample.healthy().sky, air_temp_sd_k=7.0, temperature_sd=0.0245)
TOLD = Told("ERA5", ASKED, air_temp=True, light_over_array=0.95, low=0.8, high=1.1)


# Sentences


def test_the_usual_temperature_says_what_it_leaves_open() -> None:
    said = air_sentence(USUAL, ZONE)
    assert "usual one of place and season, known to about 14 °C" in text_of(said)
    assert "5 % either way open in performance ratios" in text_of(said)
    measured = replace(USUAL, source="measured", air_temp_sd_k=1.0, temperature_sd=0.0035)
    assert "measured on site" in air_sentence(measured, ZONE)
    assert "bands hold it" in air_sentence(measured, ZONE)


def test_a_service_is_named_with_its_time_on_the_site_s_clock() -> None:
    told = replace(USUAL, air_temp_sd_k=2.5, temperature_sd=0.0088, service=TOLD)
    said = text_of(air_sentence(told, ZONE))
    assert "that of ERA5 where no sensor tells it, fetched Tue 12 May 2026, 07:30" in said
    assert "about 5 °C" in said


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (0.8, 1.1, "The two agree as far as they can."),
        (
            1.1,
            1.4,
            "more than they show: see whether the ratings on record are right and all modules are clean",
        ),
        (0.6, 0.9, "less than they show: see whether the ratings on record are right"),
    ],
)
def test_the_light_is_a_second_opinion_by_which_nothing_is_judged(low: float, high: float, said: str) -> None:
    sentence = light_sentence(replace(TOLD, low=low, high=high), ZONE)
    assert said in sentence
    assert "Nothing is judged by it." in sentence
    assert light_sentence(replace(TOLD, light_over_array=None), ZONE) == ""


@pytest.mark.parametrize("kind", WHY)
@pytest.mark.parametrize("service", SERVICES)
def test_every_trouble_has_its_sentence_with_a_remedy(service: str, kind: str) -> None:
    said = trouble_sentence(Trouble(service, ASKED, kind, "endyear: too late"), ZONE)
    assert SERVICES[service].name in said
    assert said.endswith("by the usual air temperature of place and season where nothing else tells it.")
    assert "%(" not in said
    if kind == "refused":
        assert {"era5": "YIELDPROOF_WEATHER_KEY", "cams": "YIELDPROOF_WEATHER_EMAIL"}.get(
            service, "YIELDPROOF_WEATHER;"
        ) in said


# Pages


@pytest.fixture
def office(settings: Settings, engine: Engine) -> Iterator[TestClient]:
    told = settings.model_copy(update={"weather": "era5"})
    with TestClient(create_app(told, engine=engine), base_url="http://roofs.example") as client:
        yield sign_in(client, add_person(engine, "office"))


def test_site_and_unit_name_the_service_and_its_terms_and_the_site_what_hinders(
    office: TestClient, engine: Engine
) -> None:
    found = replace(sample.healthy(), sky=replace(USUAL, service=TOLD))
    site_id = add_site(engine, found)
    with writing(engine) as session:
        fetched.note_failure(session, site_id, "era5", "refused", "", now=ASKED)
    pages = [office.get(f"/sites/{site_id}{rest}").text for rest in ("", f"/units/{sample.DEAD}")]
    for page in map(text_of, pages):
        assert "fetched Tue 12 May 2026, 07:30" in page
        assert SERVICES["era5"].credit in page
    assert (
        "ERA5 has refused the access since Tue 12 May 2026, 07:30. Correct YIELDPROOF_WEATHER_KEY"
        in text_of(pages[0])
    )


def test_a_service_that_is_asked_no_more_is_no_trouble(office: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, sample.healthy())
    with writing(engine) as session:
        fetched.note_failure(session, site_id, "cams", "slow", "", now=ASKED)
    assert 'id="weather"' not in office.get(f"/sites/{site_id}").text


# The far horizon


@pytest.fixture
def pvgis(monkeypatch: pytest.MonkeyPatch) -> Iterator[Server]:
    """PVGIS on this computer, asked without the cost of a process."""
    with serving(services.pvgis) as served:
        monkeypatch.setitem(SERVICES, "pvgis", replace(SERVICES["pvgis"], url=served.url))
        monkeypatch.setattr(far_horizon, "fetch_horizon", ask.horizon)
        yield served


def the_site(engine: Engine, site_id: str) -> Site:
    with reading(engine) as session:
        site = sites.get(session, site_id)
    assert site
    return site


def hidden(page: str, name: str) -> str:
    found = re.search(rf'name="{name}" value="([^"]*)"', page)
    assert found, name
    return found[1]


def test_nothing_is_asked_before_the_click_and_the_page_says_what_a_click_sends(
    office: TestClient, engine: Engine, pvgis: Server
) -> None:
    site_id = add_site(engine, None)
    page = text_of(office.get(f"/sites/{site_id}/horizon").text)
    assert "coordinates, 53.8000, -1.5500 , and nothing else to PVGIS" in page
    assert pvgis.asked == []


def test_the_far_horizon_is_shown_taken_noted_and_can_be_undone(
    office: TestClient, engine: Engine, pvgis: Server
) -> None:
    record = sample.record()
    record["planes"][0]["horizon"] = [{"azimuth_deg": 230, "elevation_deg": 50}]  # type: ignore[index]
    site_id = add_site(engine, None, record=record)
    before = the_site(engine, site_id).record
    shown = office.post(f"/sites/{site_id}/horizon", data={"do": "ask"})
    assert shown.status_code == 200
    assert "At its highest it reaches 21.4°, in the west." in text_of(shown.text)
    assert pvgis.asked[0][1] == {"lat": "53.8", "lon": "-1.55", "outputformat": "json"}
    assert the_site(engine, site_id).record == before
    sent = {
        "do": "take",
        "plane.0": "1",
        "on": hidden(shown.text, "on"),
        "points": hidden(shown.text, "points"),
    }
    taken = office.post(f"/sites/{site_id}/horizon", data=sent, follow_redirects=False)
    assert (taken.status_code, taken.headers["location"]) == (303, f"/sites/{site_id}/plan")
    south, east = the_site(engine, site_id).record["planes"]
    line = [(p["azimuth_deg"], p["elevation_deg"]) for p in south["horizon"]]
    assert line_of(line, [230.0, 270.0, 7.5]).tolist() == [50.0, 21.4, 13.0]
    assert not east["horizon"]
    assert "changed the record" in text_of(office.get(f"/sites/{site_id}/audit").text)
    office.post(f"/sites/{site_id}/plan/undo/1", follow_redirects=False)
    assert fingerprint(the_site(engine, site_id).record) == fingerprint(before)


def test_the_far_line_never_lies_below_nor_the_near_one_is_lost() -> None:
    record = sample.record()
    record["planes"][0]["horizon"] = [  # type: ignore[index]
        {"azimuth_deg": 100, "elevation_deg": 30},
        {"azimuth_deg": 140, "elevation_deg": 5},
    ]
    far = [(0.0, 9.9), (90.0, 12.0), (180.0, 6.5), (270.0, 21.4)]
    made = with_far_horizon(record, far, {"south roof"})["planes"][0]["horizon"]
    line = [(p["azimuth_deg"], p["elevation_deg"]) for p in made]
    for azimuth, top in (*far, (100.0, 30.0)):
        assert line_of(line, azimuth) >= top - 0.06
    assert line_of(line, 140.0) == pytest.approx(line_of(far, 140.0), abs=0.06)


@pytest.mark.parametrize(
    ("reply", "said"),
    [
        (as_json({"message": "lat: outside the map", "status": 400}, 400), "It says: “lat: outside the map”"),
        ((200, "text/html", b"<html></html>"), "in a form that is not known here"),
        ((503, "text/html", b""), "gives no answer at the moment"),
    ],
)
def test_no_horizon_is_told_and_changes_nothing(
    office: TestClient, engine: Engine, pvgis: Server, reply: services.Reply, said: str
) -> None:
    site_id = add_site(engine, None)
    before = the_site(engine, site_id).record
    pvgis.answer = always(reply)
    answer = office.post(f"/sites/{site_id}/horizon", data={"do": "ask"})
    assert answer.status_code == 502
    assert said in text_of(answer.text)
    assert the_site(engine, site_id).record == before


def test_without_a_network_the_click_says_so(
    office: TestClient, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    def nobody(question: Question) -> Any:  # noqa: ARG001
        raise NoAnswer("unreachable")

    monkeypatch.setattr(far_horizon, "fetch_horizon", nobody)
    answer = office.post(f"/sites/{add_site(engine, None)}/horizon", data={"do": "ask"})
    assert "PVGIS cannot be reached. See whether this computer has a network" in text_of(answer.text)


def test_a_record_that_moved_and_points_that_are_none_change_nothing(
    office: TestClient, engine: Engine
) -> None:
    site_id = add_site(engine, None)
    before = the_site(engine, site_id).record
    on = fingerprint(before)
    for fields, status in (
        ({"on": "0" * 64, "points": "0:9.9 90:12", "plane.0": "1"}, 409),
        ({"on": on, "points": "0:9.9 90:12"}, 422),
        ({"on": on, "points": "drop table", "plane.0": "1"}, 422),
        ({"on": on, "points": "0:-40 400:95", "plane.0": "1"}, 422),
    ):
        answer = office.post(
            f"/sites/{site_id}/horizon", data={"do": "take", **fields}, follow_redirects=False
        )
        assert answer.status_code == status, fields
    assert the_site(engine, site_id).record == before
