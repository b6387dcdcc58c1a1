"""From a wrong record to the right one and back: sent in, verified, corrected, verified anew, undone.

The roofs' readings are the demo's, which have a sun and a sky of their own.
"""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta
from html import unescape
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine

from service.demo.scenario import DemoSite, Fault, Roof
from service.demo.simulate import simulate
from service.settings import Settings
from service.web.app import create_app
from tests.web.visit import add_person, sign_in

END = date(2026, 6, 25)
WRONG = 5
"""The unit with which something is wrong, by its number."""

Finding = dict[str, Any]


def _roofs(*faults: Fault) -> DemoSite:
    return DemoSite(
        name="Loom House",
        latitude=51.6, longitude=-2.2, elevation_m=50, timezone="Europe/London",
        roofs=(Roof("east roof", 30, 85, 2, 4), Roof("west roof", 30, 265, 2, 4)),
        module_w=400, inverter_w=380, box=662041, interval_min=15,
        skies=("clear", "fair", "clear", "broken", "clear", "clear", "fair"),
        faults=faults,
    )  # fmt: skip


def _sent(client: TestClient, site: DemoSite, *, minutes_late: int = 0, **record: Any) -> str:
    """Send the site in as any program would; return its address."""
    answer = client.post("/api/v1/sites", json={**site.record("2026-06-01"), **record})
    assert answer.status_code == 201, answer.text
    path = str(answer.headers["location"])
    table = simulate(site, END).table()
    start = datetime.fromisoformat(table["start"]) + timedelta(minutes=minutes_late)
    sent = client.post(f"{path}/readings", json={**table, "start": start.isoformat()})
    assert sent.status_code == 200, sent.text
    return path


def _verified(client: TestClient, path: str) -> dict[str, Any]:
    answer = client.get(f"{path}/verification")
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def _of_cause(verification: dict[str, Any], cause: str) -> list[Finding]:
    return [f for f in verification["findings"] if f["cause"] == cause]


def _corrected_and_undone(client: TestClient, path: str, correction: dict[str, Any]) -> dict[str, Any]:
    """Accept the correction, undo it, and return the verification between; all else must be as before."""
    record, before = client.get(path).json(), _verified(client, path)
    readings = client.get(f"{path}/readings").json()
    taken = client.post(f"{path}/corrections", json={"correction": correction})
    assert taken.status_code == 201, taken.text
    assert client.get(path).json() != record
    between = _verified(client, path)
    assert client.get(f"{path}/readings").json() == readings
    assert client.post(f"{path}/corrections/{taken.json()['number']}/undo").status_code == 200
    assert client.get(path).json() == record
    assert _verified(client, path) == before
    return between


def test_a_mistyped_serial(client: TestClient) -> None:
    site = _roofs(Fault("not_on_record", (WRONG,)))
    path = _sent(client, site)
    before = _verified(client, path)
    stranger = _of_cause(before, "not_on_record")
    assert [f["serials"] for f in stranger] == [[site.serials[WRONG]]]
    assert len(_of_cause(before, "not_reporting")) == 1

    after = _corrected_and_undone(client, path, stranger[0]["correction"])

    assert _of_cause(after, "not_on_record") == _of_cause(after, "not_reporting") == []
    right = _verified(client, _sent(client, _roofs()))
    assert after["units"] == right["units"], "verified as if the record had always been right"


@pytest.mark.one_database
def test_a_unit_on_another_plane(client: TestClient) -> None:
    path = _sent(client, site := _roofs(Fault("wrong_plane", (WRONG,))))
    (turned,) = _of_cause(_verified(client, path), "wrong_plane")
    assert (turned["serials"], turned["fits"]) == ([site.serials[WRONG]], "west roof")

    move = {"kind": "move", "serial": site.serials[WRONG], "plane": turned["fits"]}
    after = _corrected_and_undone(client, path, move)

    assert _of_cause(after, "wrong_plane") == []
    moved = next(u for u in after["units"] if u["serial"] == site.serials[WRONG])
    assert (moved["plane"], moved["row"], moved["column"]) == ("west roof", None, None)


@pytest.mark.one_database
def test_two_units_that_were_exchanged(client: TestClient) -> None:
    path = _sent(client, _roofs(Fault("swapped", (WRONG, WRONG + 6))))
    (pair,) = _of_cause(_verified(client, path), "swapped")

    after = _corrected_and_undone(client, path, {"kind": "swap", "serials": pair["serials"]})

    assert _of_cause(after, "swapped") == []


@pytest.mark.one_database
def test_a_plane_that_faces_another_way(client: TestClient) -> None:
    right = _roofs().record("2026-06-01")["planes"]
    path = _sent(client, _roofs(), planes=[{**right[0], "azimuth_deg": 130, "tilt_deg": 40}, right[1]])
    turn = {"kind": "plane", "plane": "east roof", "azimuth_deg": 85, "tilt_deg": 30}

    after = _corrected_and_undone(client, path, turn)

    assert after["units"] == _verified(client, _sent(client, _roofs()))["units"]
    assert after["units"] != _verified(client, path)["units"]


@pytest.mark.one_database
@pytest.mark.parametrize("minutes", [60, -7])
def test_a_clock_that_is_off(client: TestClient, minutes: int) -> None:
    path = _sent(client, _roofs(), minutes_late=minutes)
    late = {"kind": "clock", "changes": [{"from": None, "minutes": minutes}]}

    after = _corrected_and_undone(client, path, late)

    right = _verified(client, _sent(client, _roofs()))
    assert (after["start"], after["units"]) == (right["start"], right["units"])


def test_one_click_on_the_page_and_one_back(client: TestClient, settings: Settings, engine: Engine) -> None:
    path = _sent(client, site := _roofs(Fault("not_on_record", (WRONG,))))
    record = client.get(path).json()
    href = path.removeprefix("/api/v1")
    with TestClient(create_app(settings, engine=engine)) as browser:
        office = sign_in(browser, add_person(engine, "office"))
        page = office.get(href).text
        assert "Proposed correction of the record" in page

        accepted = office.post(f"{href}/corrections", data=_hidden(page))

        assert accepted.status_code == 200, "after the answer 303 the page comes itself"
        assert "Proposed correction of the record" not in accepted.text
        assert "heard but not on the record" not in accepted.text
        corrected = {unit["serial"] for unit in client.get(path).json()["units"]}
        assert site.serials[WRONG] in corrected
        undone = office.post(f"{href}/corrections/1/undo")
        assert "Proposed correction of the record" in undone.text
    assert client.get(path).json() == record


def _hidden(page: str) -> dict[str, str]:
    """Return the hidden fields of the first form that corrects the record."""
    form = re.search(r"<form[^>]*/corrections\">\s*(<input type=\"hidden\".*?)</form>", page, re.DOTALL)
    assert form
    return {n: unescape(v) for n, v in re.findall(r'name="(\w+)" value="([^"]*)"', form.group(1))}
