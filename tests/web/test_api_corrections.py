"""Corrections over HTTP: accepted, listed, undone; refused where they do not fit; each change has the site verified."""

from __future__ import annotations

import json
from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.intake.corrections import EACH_KIND, LATE, RENAMED, SWAPPED, TURNED, two_roofs
from tests.intake.roof import JSON, SERIALS, table

PROBLEM = "application/problem+json"


class _Jobs:
    def __init__(self) -> None:
        self.asked: list[str] = []

    def enqueue_verify(self, site_id: str) -> None:
        self.asked.append(site_id)


@pytest.fixture
def jobs(client: TestClient) -> _Jobs:
    """Note what the application has verified."""
    noted = _Jobs()
    client.app.state.jobs = noted  # type: ignore[attr-defined]
    return noted


@pytest.fixture
def path(client: TestClient, jobs: _Jobs) -> str:  # noqa: ARG001 - before the first request
    """Return the address of a new site."""
    answer = client.post("/api/v1/sites", json=two_roofs())
    assert answer.status_code == 201, answer.text
    return str(answer.headers["location"])


def _problem(answer: Any, status: int) -> dict[str, Any]:
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == PROBLEM
    body: dict[str, Any] = answer.json()
    return body


def _errors(answer: Any) -> dict[str, str]:
    return {e["field"]: e["message"] for e in _problem(answer, 422)["errors"]}


def _accept(client: TestClient, path: str, sent: dict[str, Any]) -> Any:
    return client.post(f"{path}/corrections", json={"correction": sent})


@pytest.mark.parametrize("sent", EACH_KIND)
def test_every_kind_is_accepted_listed_and_undone(
    client: TestClient, jobs: _Jobs, path: str, sent: dict[str, Any]
) -> None:
    before = client.get(path).json()
    answer = _accept(client, path, sent)
    taken = answer.json()
    assert answer.status_code == 201
    assert set(taken) == {
        "number", "correction", "changes", "accepted_by", "accepted_at", "undone_by", "undone_at", "can_be_undone"
    }  # fmt: skip
    assert (taken["number"], taken["correction"], taken["accepted_by"]) == (1, sent, "token test")
    assert (taken["undone_by"], taken["can_be_undone"]) == (None, True)
    assert client.get(f"{path}/corrections").json() == {"corrections": [taken]}
    assert client.get(path).json() != before

    undone = client.post(f"{path}/corrections/1/undo")
    assert undone.status_code == 200
    assert (undone.json()["undone_by"], undone.json()["can_be_undone"]) == ("token test", False)
    assert client.get(path).json() == before
    assert client.get(f"{path}/corrections").json() == {"corrections": [undone.json()]}
    assert jobs.asked == [path.rpartition("/")[2]] * 2


def test_what_was_changed_is_told_in_the_records_fields(client: TestClient, path: str) -> None:
    assert _accept(client, path, TURNED).json()["changes"] == [
        {
            "part": "plane",
            "of": "south roof",
            "old": {"tilt_deg": 35, "azimuth_deg": 170},
            "new": {"tilt_deg": 32.5, "azimuth_deg": 196.4},
        }
    ]


def test_sent_again_it_counts_once(client: TestClient, jobs: _Jobs, path: str) -> None:
    first = _accept(client, path, SWAPPED)
    again = _accept(client, path, SWAPPED)
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json() == again.json()
    undo = f"{path}/corrections/1/undo"
    assert client.post(undo).json() == client.post(undo).json()
    assert len(jobs.asked) == 2


def test_a_serial_is_corrected_and_its_readings_are_the_units(client: TestClient, path: str) -> None:
    client.post(f"{path}/readings", json=table(energy_wh={RENAMED["heard"]: [1, 2]}))
    _accept(client, path, RENAMED)
    assert [u["serial"] for u in client.get(path).json()["units"]] == [
        SERIALS[0],
        RENAMED["heard"],
        SERIALS[2],
    ]
    assert client.get(f"{path}/readings").json()["energy_wh"] == {RENAMED["heard"]: [1, 2]}


def test_a_clock_goes_out_and_comes_in_with_the_record(client: TestClient, path: str) -> None:
    _accept(client, path, LATE)
    site = client.get(path).json()
    assert site["clock"] == [{"from": None, "minutes": 60}]
    copy = client.post("/api/v1/sites", json={k: v for k, v in site.items() if k != "id"})
    assert copy.json()["clock"] == site["clock"]
    assert client.put(path, json=site).json() == site


def test_what_does_not_fit_is_refused_and_changes_nothing(client: TestClient, jobs: _Jobs, path: str) -> None:
    before = client.get(path).json()
    assert "not on the record" in _errors(_accept(client, path, {**TURNED, "plane": "x"}))["correction.plane"]
    assert "correction.kind" in _errors(_accept(client, path, {"kind": "x"}))
    assert _errors(client.post(f"{path}/corrections", json={})) == {"correction": "is required; add it"}
    assert client.get(path).json() == before
    assert client.get(f"{path}/corrections").json() == {"corrections": []}
    assert jobs.asked == []


def test_undo_is_refused_after_another_change(client: TestClient, path: str) -> None:
    _accept(client, path, TURNED)
    client.put(path, json={**client.get(path).json(), "name": "Mill Lane 6"})
    assert client.get(f"{path}/corrections").json()["corrections"][0]["can_be_undone"] is False
    said = _problem(client.post(f"{path}/corrections/1/undo"), 409)
    assert "changed after this correction" in said["detail"]
    assert client.get(path).json()["name"] == "Mill Lane 6"


@pytest.mark.parametrize("number", ["2", "999999999"])
def test_no_such_correction(client: TestClient, path: str, number: str) -> None:
    assert "lists them" in _problem(client.post(f"{path}/corrections/{number}/undo"), 404)["detail"]


@pytest.mark.parametrize("number", ["0", "-1", "x", "10000000000"])
def test_what_is_no_number_is_refused(client: TestClient, path: str, number: str) -> None:
    assert "number" in _errors(client.post(f"{path}/corrections/{number}/undo"))


@pytest.mark.parametrize("site", ["nosuchsite2345", "a%00b"])
def test_no_such_site(client: TestClient, site: str) -> None:
    nowhere = f"/api/v1/sites/{site}/corrections"
    for answer in (
        client.get(nowhere),
        client.post(nowhere, json={"correction": LATE}),
        client.post(f"{nowhere}/1/undo"),
    ):
        _problem(answer, 404)


def test_without_a_token_nothing_is_corrected(client: TestClient, path: str) -> None:
    del client.headers["Authorization"]
    for answer in (
        client.get(f"{path}/corrections"),
        _accept(client, path, LATE),
        client.post(f"{path}/corrections/1/undo"),
    ):
        _problem(answer, 401)


def test_another_content_type_or_no_json_is_refused(client: TestClient, path: str) -> None:
    body = json.dumps({"correction": LATE}).encode()
    _problem(client.post(f"{path}/corrections", content=body, headers={"Content-Type": "text/plain"}), 415)
    answer = client.post(f"{path}/corrections", content=b"[", headers={"Content-Type": JSON})
    _problem(answer, 422)
