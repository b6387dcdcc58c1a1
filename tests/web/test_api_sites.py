"""Sites over HTTP: create, read, replace, delete, list; and who may."""

from __future__ import annotations

import json
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine

from service.settings import Settings
from service.store.accounts import create_token, revoke_tokens
from service.store.database import writing
from service.web.app import create_app
from tests.intake.roof import JSON, SERIALS, record, table

PROBLEM = "application/problem+json"
NOWHERE = "/api/v1/sites/nosuchsite2345"


def _created(client: TestClient, **changes: Any) -> dict[str, Any]:
    answer = client.post("/api/v1/sites", json={**record(), **changes})
    assert answer.status_code == 201, answer.text
    site: dict[str, Any] = answer.json()
    return site


def _errors(answer: Any, status: int = 422) -> dict[str, str]:
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == PROBLEM
    body = answer.json()
    assert set(body) == {"type", "title", "status", "detail", "errors"}
    assert body["status"] == status
    return {error["field"]: error["message"] for error in body["errors"]}


def test_a_site_is_created_and_read(client: TestClient) -> None:
    answer = client.post("/api/v1/sites", json=record())
    site = answer.json()

    assert answer.status_code == 201
    assert answer.headers["location"] == f"/api/v1/sites/{site['id']}"
    assert client.get(answer.headers["location"]).json() == site
    sent = record()
    assert {name: site[name] for name in ("name", "latitude", "timezone", "commissioned_on")} == {
        name: sent[name] for name in ("name", "latitude", "timezone", "commissioned_on")
    }
    assert site["units"][0]["module_count"] == 1


def test_a_record_is_refused_by_field(client: TestClient) -> None:
    data = record()
    data["units"][1]["plane"] = "east"
    data["planes"][0]["tilt"] = 3

    assert set(_errors(client.post("/api/v1/sites", json=data))) == {"planes[0].tilt"}
    del data["planes"][0]["tilt"]
    errors = _errors(client.post("/api/v1/sites", json=data))
    assert errors == {"units[1].plane": "names none of the planes; add it there or correct the name"}
    assert client.get("/api/v1/sites").json()["total"] == 0


def test_replacing_keeps_the_readings(client: TestClient) -> None:
    site = _created(client)
    path = f"/api/v1/sites/{site['id']}"
    client.post(f"{path}/readings", json=table(1, 2))

    answer = client.put(path, json={**record(), "name": "Mill Lane 6"})

    assert (answer.status_code, answer.json()["name"]) == (200, "Mill Lane 6")
    assert client.get(path).json()["name"] == "Mill Lane 6"
    assert client.get(f"{path}/readings").json()["energy_wh"] == {SERIALS[0]: [1, 2]}


def test_what_was_given_out_can_be_put_back(client: TestClient) -> None:
    site = _created(client)
    path = f"/api/v1/sites/{site['id']}"

    assert client.put(path, json=site).json() == site
    assert "is not the id in the address" in _errors(client.put(path, json={**site, "id": "x"}))["id"]


def test_a_refused_replacement_changes_nothing(client: TestClient) -> None:
    site = _created(client)
    path = f"/api/v1/sites/{site['id']}"

    assert "latitude" in _errors(client.put(path, json={**record(), "latitude": 91}))
    assert client.get(path).json() == site


def test_a_deleted_site_is_gone_with_its_readings(client: TestClient) -> None:
    path = f"/api/v1/sites/{_created(client)['id']}"
    client.post(f"{path}/readings", json=table(1))

    assert client.delete(path).status_code == 204
    for method, there in [("GET", path), ("DELETE", path), ("GET", f"{path}/readings")]:
        assert client.request(method, there).status_code == 404


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("GET", NOWHERE),
        ("PUT", NOWHERE),
        ("DELETE", NOWHERE),
        ("GET", f"{NOWHERE}/readings"),
        ("POST", f"{NOWHERE}/readings"),
        ("POST", f"{NOWHERE}/weather"),
        ("GET", f"{NOWHERE}/verification"),
        ("GET", "/api/v1/sites/a%00b"),
        ("GET", "/api/v1/sites/" + "x" * 300),
        ("GET", "/api/v1/nothing"),
    ],
)
def test_what_is_not_there_is_a_problem_of_404(client: TestClient, method: str, path: str) -> None:
    body = {
        "readings": table(1),
        "weather": {"interval_min": 5, "start": "2026-05-04T00:00Z", "ghi_w_m2": []},
    }
    sent = body.get(path.rpartition("/")[2], record())

    _errors(client.request(method, path, json=sent if method in ("PUT", "POST") else None), 404)


def test_the_list_is_paged_by_name_and_says_how_many_there_are(client: TestClient) -> None:
    for name in ("C Street", "A Street", "B Street"):
        _created(client, name=name)
    answers = [client.get("/api/v1/sites", params={"offset": o, "limit": 2}).json() for o in (0, 2, 4)]

    assert [[site["name"] for site in a["sites"]] for a in answers] == [
        ["A Street", "B Street"],
        ["C Street"],
        [],
    ]
    assert [(a["total"], a["offset"], a["limit"]) for a in answers] == [(3, 0, 2), (3, 2, 2), (3, 4, 2)]


def _followed(client: TestClient, address: str, rel: str) -> list[list[str]]:
    """Return the names on the page at the address and on all that its links lead to."""
    pages, links = [], {rel: {"url": address}}
    while rel in links:
        answer = client.get(links[rel]["url"])
        pages.append([site["name"] for site in answer.json()["sites"]])
        links = answer.links
    return pages


def test_pages_are_followed_by_their_links_without_counting(client: TestClient) -> None:
    for name in ("Abbey Hill", "Bell Yard", "Cray Row", "Dye Lane", "Elm Rise"):
        _created(client, name=name)

    forward = _followed(client, "/api/v1/sites?limit=2", "next")
    assert forward == [["Abbey Hill", "Bell Yard"], ["Cray Row", "Dye Lane"], ["Elm Rise"]]
    assert _followed(client, "/api/v1/sites?limit=2&offset=4", "prev") == forward[::-1]
    assert _followed(client, "/api/v1/sites?limit=3&offset=90", "prev")[:2] == [
        [],
        ["Cray Row", "Dye Lane", "Elm Rise"],
    ]
    assert "Link" not in client.get("/api/v1/sites").headers


@pytest.mark.parametrize(
    ("query", "field", "message"),
    [
        ("limit=0", "limit", "at least 1"),
        ("limit=201", "limit", "at most 200"),
        ("offset=-1", "offset", "at least 0"),
        ("offset=x", "offset", "whole number"),
        (f"offset={10**30}", "offset", "at most"),
    ],
)
def test_a_wrong_page_is_refused(client: TestClient, query: str, field: str, message: str) -> None:
    assert message in _errors(client.get(f"/api/v1/sites?{query}"))[field]


BAD_BODIES = [
    pytest.param(b"", "", id="empty"),
    pytest.param(b"{", "", id="cut off"),
    pytest.param(b"\xff\xff", "", id="no UTF-8"),
    pytest.param(b"[" * 100_000, "", id="deep"),
    pytest.param(b"1" * 5000, "", id="a huge number"),
    pytest.param(b"[]", "", id="a list"),
    pytest.param(b"null", "", id="null"),
    pytest.param(b'{"a": 1, "a": 1}', "a", id="a name twice"),
    pytest.param(b'{"latitude": NaN}', "latitude", id="NaN"),
    pytest.param(b'{"latitude": 1e999}', "latitude", id="1e999"),
    pytest.param(b'{"elevation_m": 1' + b"0" * 400 + b"}", "elevation_m", id="a huge elevation"),
    pytest.param(b'{"\\ud800": "\\ud800"}', "", id="half a character"),
]


@pytest.mark.parametrize(("body", "field"), BAD_BODIES)
@pytest.mark.parametrize("method", ["POST", "PUT"])
def test_a_body_that_is_no_record_is_a_problem_of_422(
    client: TestClient, method: str, body: bytes, field: str
) -> None:
    path = "/api/v1/sites" if method == "POST" else f"/api/v1/sites/{_created(client)['id']}"
    answer = client.request(method, path, content=body, headers={"Content-Type": JSON})

    assert field in _errors(answer)


@pytest.mark.parametrize("content_type", [None, "text/plain", "application/x-www-form-urlencoded"])
def test_another_content_type_is_a_problem_of_415(client: TestClient, content_type: str | None) -> None:
    headers = {"Content-Type": content_type} if content_type else {}
    answer = client.post("/api/v1/sites", content=json.dumps(record()), headers=headers)

    _errors(answer, 415)
    assert "application/json" in answer.json()["detail"]


def test_a_body_over_the_limit_is_a_problem_of_413(settings: Settings, engine: Engine) -> None:
    with writing(engine) as session:
        token = create_token(session, "small")
    app = create_app(settings.model_copy(update={"max_body_mb": 1}), engine=engine)
    large = b" " * (1024 * 1024 + 1)
    with TestClient(app, headers={"Authorization": f"Bearer {token}", "Content-Type": JSON}) as client:
        for content in (large, iter([large[:700_000], large[700_000:]])):
            _errors(client.post("/api/v1/sites", content=content), 413)
        assert client.post("/api/v1/sites", content=large[:-1]).status_code == 422


@pytest.mark.parametrize("path", ["/api/v1/sites", NOWHERE, f"{NOWHERE}/readings", "/api/v1/nothing", "/api"])
@pytest.mark.parametrize("header", [None, "", "Bearer", "Bearer ", "Bearer wrong", "Basic {}", "{}"])
def test_without_a_valid_token_nothing_of_the_api_opens(
    client: TestClient, path: str, header: str | None
) -> None:
    token = client.headers.pop("Authorization").removeprefix("Bearer ")
    headers = {} if header is None else {"Authorization": header.format(token)}
    answer = client.get(path, headers=headers)

    _errors(answer, 401)
    assert answer.headers["www-authenticate"].startswith("Bearer")


def test_the_word_bearer_may_be_written_small(client: TestClient) -> None:
    token = client.headers["Authorization"].removeprefix("Bearer ")

    assert client.get("/api/v1/sites", headers={"Authorization": f"bearer {token}"}).status_code == 200


def test_a_revoked_token_opens_nothing(client: TestClient, engine: Engine) -> None:
    with writing(engine) as session:
        revoke_tokens(session, "test")

    _errors(client.get("/api/v1/sites"), 401)


def test_an_unknown_method_is_a_problem_of_405(client: TestClient) -> None:
    _errors(client.patch("/api/v1/sites", json={}), 405)


class _Jobs:
    def __init__(self) -> None:
        self.asked: list[str] = []

    def enqueue_verify(self, site_id: str) -> None:
        self.asked.append(site_id)


def test_a_change_has_the_site_verified_and_no_change_has_not(client: TestClient) -> None:
    jobs = _Jobs()
    client.app.state.jobs = jobs  # type: ignore[attr-defined]
    site = _created(client)["id"]
    path = f"/api/v1/sites/{site}"
    client.post(f"{path}/readings", json=table(1))
    client.post(f"{path}/readings", json=table(1))
    weather = {"interval_min": 5, "start": "2026-05-04T00:00:00Z", "ghi_w_m2": [1]}
    client.post(f"{path}/weather", json=weather)
    client.post(f"{path}/weather", json=weather)
    client.put(path, json=record())

    assert jobs.asked == [site] * 3
