"""What came in, on pages and over the API: the worst on the site's page, all on its own, in words for programs, too."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine

from service.jobs import quality
from service.store import payloads
from service.store.accounts import create_token
from service.store.database import reading, writing
from service.store.grids import moment
from tests.report import arrivals, sample
from tests.web.visit import add_person, add_site, sign_in


@pytest.fixture
def site_id(engine: Engine) -> str:
    return add_site(engine, sample.verification())


@pytest.fixture
def office(client: TestClient, engine: Engine) -> Iterator[TestClient]:
    with client:
        yield sign_in(client, add_person(engine, "office"))


def _trouble(engine: Engine, site_id: str) -> None:
    with writing(engine) as session:
        quality.save(session, site_id, 0, arrivals.troubled())


def test_what_was_noticed_about_counters_comes_in_over_the_api(
    client: TestClient, engine: Engine, site_id: str
) -> None:
    with client, writing(engine) as session:
        token = create_token(session, "loft")
    client.headers["Authorization"] = f"Bearer {token}"
    path, note = (
        f"/api/v1/sites/{site_id}/quality",
        {"serial": "1", "at": "2026-05-04T12:00:00Z", "message": "leapt"},
    )
    for _ in range(2):
        assert client.post(path, json={"counters": [note]}).json() == {"noted": 1}
    with reading(engine) as session:
        (listed,) = payloads.problems_since(session, site_id, moment(0))
    assert (listed.source, [p["message"] for p in listed.problems]) == ("token loft", ["leapt"])
    refused = client.post(path, json={"counters": [{**note, "at": "noon", "more": 1, "message": ""}]})
    assert refused.status_code == 422
    assert [e["field"] for e in refused.json()["errors"]] == [
        "counters[0].at",
        "counters[0].message",
        "counters[0].more",
    ]


def test_a_sound_site_has_one_calm_line(office: TestClient, site_id: str) -> None:
    text = office.get(f"/sites/{site_id}").text
    assert (
        "99\N{NO-BREAK SPACE}% of the values that were due in light came in. Nothing else about them" in text
    )
    assert "Nothing else about them is conspicuous." in office.get(f"/sites/{site_id}/quality").text


def test_the_worst_is_on_the_site_s_page_and_all_on_its_own(
    office: TestClient, engine: Engine, site_id: str
) -> None:
    _trouble(engine, site_id)
    page, own = (office.get(f"/sites/{site_id}{path}").text for path in ("", "/quality"))

    assert "Two sources contradict each other" in page
    assert "Output while it is dark" not in page
    assert "13 things more, and every unit" in page
    assert "Output while it is dark" in own
    assert own.count("<table") == len(arrivals.KINDS)
    assert f'href="/sites/{site_id}/units/{sample.DEAD}"' in own


def test_a_site_without_readings_has_no_such_page(office: TestClient, engine: Engine) -> None:
    bare = add_site(engine, None, name="Low Mill")
    assert "came-in" not in office.get(f"/sites/{bare}").text
    assert office.get(f"/sites/{bare}/quality").status_code == 404


def test_the_api_gives_kinds_numbers_and_english_sentences(
    client: TestClient, engine: Engine, site_id: str
) -> None:
    _trouble(engine, site_id)
    answer = client.get(f"/api/v1/sites/{site_id}/quality", headers={"Accept-Language": "de"}).json()

    assert answer["heard_share"] == 0.874
    assert [one["kind"] for one in answer["findings"]] == list(arrivals.KINDS)
    first = answer["findings"][0]
    assert (first["values"], first["share"], first["energy_share"]) == (401, 0.16, 0.2)
    assert first["evidence"].startswith("The file june.csv and the token gateway sent 412 values")
    assert first["treatment"] == "Of each value the one that came last counts."
    assert first["names"] == {"one": "file june.csv", "other": "token gateway"}
    assert first["first_seen"] < first["last_seen"]


def test_the_api_says_that_there_are_no_readings(client: TestClient, engine: Engine) -> None:
    bare = add_site(engine, None, name="Low Mill")
    answer = client.get(f"/api/v1/sites/{bare}/quality")
    assert answer.status_code == 404
    assert "No readings are held yet" in answer.json()["detail"]
