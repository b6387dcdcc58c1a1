"""Building and changing a site's record and plan on the pages, by plain forms: every answer is what a browser gets."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from html import unescape
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine

from service.intake.record import as_stored, read_begun, read_record
from service.intake.take import take_readings
from service.settings import Settings
from service.store import audit, sites
from service.store.database import reading, writing
from service.store.tables import Site
from service.web.app import create_app
from tests.intake.corrections import two_roofs
from tests.intake.roof import JSON, SERIALS, record
from tests.web.visit import add_person, assign, sign_in

pytestmark = pytest.mark.one_database

A, B, C = SERIALS
NEW_SITE = {
    "name": "Weir House",
    "latitude": "53,8",
    "longitude": "\u22121.55",
    "elevation_m": "",
    "timezone": "london",
    "commissioned_on": "2026-05-04",
    "planes.0.name": "south roof",
    "planes.0.azimuth_deg": "180",
    "planes.0.tilt_deg": "35",
    "planes.0.rows": "2",
    "planes.0.columns": "3",
    "module_types.0.name": "module",
    "module_types.0.pmax_w": "400",
    "module_types.0.gamma_pmax_per_c": "-0.34",
    "module_types.0.substrings": "3",
    "inverter_types.0.name": "inverter",
    "inverter_types.0.ac_rated_w": "350",
    "inverter_types.0.efficiency": "96,5",
    "branches": "A\r\nB",
    "do": "save",
}


class Jobs:
    def __init__(self) -> None:
        self.asked: list[str] = []

    def enqueue_verify(self, site_id: str) -> None:
        self.asked.append(site_id)


@pytest.fixture
def jobs() -> Jobs:
    return Jobs()


@pytest.fixture
def visitor(settings: Settings, engine: Engine, jobs: Jobs) -> Iterator[TestClient]:
    with TestClient(
        create_app(settings, engine=engine, jobs=jobs), base_url="http://roofs.example"
    ) as client:
        client.follow_redirects = False
        yield client


@pytest.fixture
def office(visitor: TestClient, engine: Engine) -> TestClient:
    return sign_in(visitor, add_person(engine, "office"))


def keep(engine: Engine, data: dict[str, Any], name: str = "Mill Lane 4") -> str:
    with writing(engine) as session:
        return sites.create(session, as_stored(read_begun({**data, "name": name}))).id


def held(engine: Engine, site_id: str) -> dict[str, Any]:
    with reading(engine) as session:
        return session.get_one(Site, site_id).record


def fields_of(html: str) -> dict[str, str]:
    """Return the fields of the page's form as a browser would send them."""
    found = {}
    for tag in re.findall(r"<input [^>]*>", html):
        parts = dict(re.findall(r'([\w-]+)="([^"]*)"', tag))
        if parts.get("type") == "radio" and "checked" not in tag:
            continue
        if parts.get("name"):
            found[parts["name"]] = unescape(parts.get("value", ""))
    for name, options in re.findall(r'<select [^>]*name="([^"]+)"[^>]*>(.*?)</select>', html, re.DOTALL):
        values = re.findall(r'<option(?: value="([^"]*)")?( selected)?>([^<]*)', options)
        chosen = [(value or text) for value, selected, text in values if selected] or [
            value or text for value, _, text in values[:1]
        ]
        found[name] = unescape(chosen[0]) if chosen else ""
    for name, text in re.findall(r'<textarea [^>]*name="([^"]+)"[^>]*>\n?(.*?)</textarea>', html, re.DOTALL):
        found[name] = unescape(text)
    return found


def words_of(html: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).replace("\xa0", " ").split())


def cells_of(data: dict[str, Any]) -> dict[str, tuple[Any, ...]]:
    return {u["serial"]: (u["plane"], u["row"], u["column"], u["branch"]) for u in data["units"]}


def plan(client: TestClient, site_id: str) -> dict[str, str]:
    answer = client.get(f"/sites/{site_id}/plan")
    assert answer.status_code == 200, answer.text
    return fields_of(answer.text)


def post(client: TestClient, site_id: str, fields: dict[str, str], do: str = "save") -> Any:
    return client.post(f"/sites/{site_id}/plan", data={**fields, "do": do})


# A new site


def test_a_new_site_is_made_from_what_people_type(office: TestClient, engine: Engine) -> None:
    assert "/sites/new" in office.get("/").text
    assert fields_of(office.get("/sites/new").text)["inverter_types.0.efficiency"] == "96"
    answer = office.post("/sites/new", data=NEW_SITE)
    assert answer.status_code == 303, words_of(answer.text)
    found = re.fullmatch(r"/sites/(\w+)/plan", answer.headers["location"])
    assert found
    kept = held(engine, found[1])
    assert (kept["latitude"], kept["longitude"], kept["timezone"]) == (53.8, -1.55, "Europe/London")
    assert kept["planes"][0] | {"rows": 2, "columns": 3, "azimuth_deg": 180.0} == kept["planes"][0]
    assert kept["module_types"][0]["gamma_pmax_per_c"] == -0.0034
    assert kept["inverter_types"][0]["efficiency"] == 0.965
    assert [b["name"] for b in kept["branches"]] == ["A", "B"]
    assert kept["units"] == []
    with reading(engine) as session:
        assert [row.action for row in audit.latest(session, site_id=found[1])] == ["record.begun"]
    names = [name for name in plan(office, found[1]) if name.startswith("s.")]
    assert names == [f"s.0.{row}.{column}" for row in (1, 2) for column in (1, 2, 3)]
    for page in ("", "/van", "/plan", "/edit", "/plan/paste"):
        assert office.get(f"/sites/{found[1]}{page}").status_code == 200, page


@pytest.mark.parametrize(
    ("name", "typed", "said"),
    [
        ("name", "", "must not be empty"),
        ("latitude", "north", "must be a number"),
        ("latitude", "", "is needed"),
        ("longitude", "181", "must lie between -180 and 180"),
        ("timezone", "Atlantis", "is not a known timezone"),
        ("timezone", "America/Los_Angeles", "km from this latitude"),
        ("commissioned_on", "2026-13-01", "must be a date"),
        ("planes.0.azimuth_deg", "361", "must lie between 0 and 360"),
        ("planes.0.rows", "2.5", "must be a whole number"),
        ("planes.0.name", "", "must not be empty"),
        ("module_types.0.pmax_w", "0.4", "must lie between 5 and 2000"),
        ("module_types.0.gamma_pmax_per_c", "0.35", "must lie between -2 and 0"),
        ("inverter_types.0.efficiency", "0.96", "must lie between 50 and 100"),
    ],
)
def test_what_is_wrong_is_said_beside_its_field_and_nothing_typed_is_lost(
    office: TestClient, engine: Engine, name: str, typed: str, said: str
) -> None:
    answer = office.post("/sites/new", data={**NEW_SITE, name: typed})
    assert answer.status_code == 422
    beside = re.search(rf'id="{re.escape(name)}-said">(.*?)</p>', answer.text)
    assert beside
    assert said in words_of(beside[1])
    assert 'aria-invalid="true"' in re.search(rf'<input id="{re.escape(name)}"[^>]*>', answer.text)[0]  # type: ignore[index]
    again = fields_of(answer.text)
    assert {key: again[key] for key in NEW_SITE if key not in ("do", "branches")} == {
        key: value for key, value in {**NEW_SITE, name: typed}.items() if key not in ("do", "branches")
    }
    with reading(engine) as session:
        assert sites.page(session, offset=0, limit=9)[1] == 0


def test_both_coordinates_may_be_pasted_into_one_field(office: TestClient, engine: Engine) -> None:
    answer = office.post("/sites/new", data={**NEW_SITE, "latitude": "53.8, -1.55", "longitude": ""})
    kept = held(engine, answer.headers["location"].split("/")[2])
    assert (kept["latitude"], kept["longitude"]) == (53.8, -1.55)


def test_address_and_contact_are_kept_and_taken_away_again(office: TestClient, engine: Engine) -> None:
    reach = {"address": "Weir Lane 2", "contact.name": "Ana Ribeiro", "contact.email": "ana@roofs.example"}
    answer = office.post("/sites/new", data={**NEW_SITE, **reach, "contact.email": ""})
    assert answer.status_code == 422
    beside = re.search(r'id="contact.phone-said">(.*?)</p>', answer.text)
    assert beside
    assert "neither phone nor email" in beside[1]
    site_id = office.post("/sites/new", data={**NEW_SITE, **reach}).headers["location"].split("/")[2]
    kept = held(engine, site_id)
    assert (kept["address"], kept["contact"]["name"], kept["contact"]["email"]) == tuple(reach.values())
    typed = fields_of(office.get(f"/sites/{site_id}/edit").text)
    assert {name: typed[name] for name in reach} == reach
    office.post(f"/sites/{site_id}/edit", data={**typed, **dict.fromkeys(reach, ""), "do": "save"})
    kept = held(engine, site_id)
    assert (kept["address"], kept["contact"]) == (None, None)


def test_planes_and_types_are_added_and_taken_away_before_saving(office: TestClient) -> None:
    answer = office.post("/sites/new", data={**NEW_SITE, "do": "add-planes"})
    typed = fields_of(answer.text) | {"planes.1.name": "east roof", "planes.1.azimuth_deg": "90"}
    assert typed["name"] == "Weir House"
    answer = office.post("/sites/new", data={**typed, "do": "remove-planes.0"})
    left = fields_of(answer.text)
    assert (left["planes.0.name"], left["planes.0.azimuth_deg"]) == ("east roof", "90")
    assert "planes.1.name" not in left


def test_names_are_changed_and_the_units_follow(office: TestClient, engine: Engine) -> None:
    before = two_roofs()
    site_id = keep(engine, before)
    typed = fields_of(office.get(f"/sites/{site_id}/edit").text)
    assert office.post(f"/sites/{site_id}/edit", data={**typed, "do": "save"}).status_code == 303
    assert held(engine, site_id) == {**before, "name": "Mill Lane 4"}
    typed |= {"planes.0.name": "street side", "inverter_types.1.name": "double", "do": "save"}
    assert office.post(f"/sites/{site_id}/edit", data=typed).status_code == 303
    kept = held(engine, site_id)
    assert [u["plane"] for u in kept["units"]] == ["street side", "street side", "east roof"]
    assert kept["units"][2]["inverter_type"] == "double"
    assert kept["planes"][0]["horizon"] == before["planes"][0]["horizon"]


def test_a_plane_with_units_is_not_taken_away(office: TestClient, engine: Engine) -> None:
    site_id = keep(engine, two_roofs())
    typed = fields_of(office.get(f"/sites/{site_id}/edit").text)
    step = office.post(f"/sites/{site_id}/edit", data={**typed, "do": "remove-planes.1"})
    answer = office.post(f"/sites/{site_id}/edit", data={**fields_of(step.text), "do": "save"})
    assert answer.status_code == 422
    assert "names none of the planes" in words_of(answer.text)


def test_two_people_at_the_form_of_a_site(office: TestClient, engine: Engine) -> None:
    site_id = keep(engine, record())
    typed = fields_of(office.get(f"/sites/{site_id}/edit").text)
    office.post(f"/sites/{site_id}/edit", data={**typed, "elevation_m": "80", "do": "save"})
    answer = office.post(f"/sites/{site_id}/edit", data={**typed, "name": "Mine", "do": "save"})
    assert answer.status_code == 409
    assert "name and elevation" in words_of(answer.text) or "name, elevation" in words_of(answer.text)
    assert held(engine, site_id)["name"] == "Mill Lane 4"
    assert fields_of(answer.text)["name"] == "Mine"
    assert (
        office.post(f"/sites/{site_id}/edit", data={**fields_of(answer.text), "do": "save"}).status_code
        == 303
    )
    assert held(engine, site_id)["name"] == "Mine"


# The plan


def test_serials_are_typed_saved_undone_and_saved_again(
    office: TestClient, engine: Engine, jobs: Jobs
) -> None:
    site_id = office.post("/sites/new", data=NEW_SITE).headers["location"].split("/")[2]
    typed = plan(office, site_id) | {"s.0.1.1": "x1", "s.0.1.2": " x2 ", "s.0.2.3": "x3", "next_branch": "B"}
    answer = post(office, site_id, typed)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/sites/{site_id}/plan")
    assert cells_of(held(engine, site_id)) == {
        "x1": ("south roof", 1, 1, "B"),
        "x2": ("south roof", 1, 2, "B"),
        "x3": ("south roof", 2, 3, "B"),
    }
    assert jobs.asked == [site_id]
    page = office.get(f"/sites/{site_id}/plan")
    assert "Saved." in words_of(page.text)
    assert "3 units added" in words_of(page.text)
    assert office.post(f"/sites/{site_id}/plan/undo/1").status_code == 303
    assert held(engine, site_id)["units"] == []
    assert office.post(f"/sites/{site_id}/plan/undo/1").status_code == 303
    assert "Nothing was changed" in words_of(office.get(f"/sites/{site_id}/plan").text)
    assert office.post(f"/sites/{site_id}/plan/redo/1").status_code == 303
    assert len(held(engine, site_id)["units"]) == 3
    assert jobs.asked == [site_id] * 3
    with reading(engine) as session:
        assert [(row.who, row.action) for row in audit.latest(session, site_id=site_id)] == [
            ("office person", action)
            for action in ("record.redone", "record.undone", "record.changed", "record.begun")
        ]


def test_saving_without_a_change_keeps_the_record_as_it_was(
    office: TestClient, engine: Engine, jobs: Jobs
) -> None:
    site_id = keep(engine, two_roofs())
    before = held(engine, site_id)
    assert (
        post(office, site_id, plan(office, site_id), "save-leave").headers["location"] == f"/sites/{site_id}"
    )
    assert held(engine, site_id) == before
    assert jobs.asked == []


@pytest.mark.parametrize("do", ["next", "save"])
def test_a_serial_twice_is_said_in_both_cells_and_kept(office: TestClient, engine: Engine, do: str) -> None:
    site_id = keep(engine, record())
    before = held(engine, site_id)
    answer = post(office, site_id, plan(office, site_id) | {"s.0.1.3": A}, do)
    assert answer.status_code == 422
    beside = dict(re.findall(r'id="said-([\d.]+)">([^<]*)</p>', answer.text))
    assert beside["0.1.1"] == "also at south roof, row 1, column 3; correct one of the two"
    assert beside["0.1.3"] == "also at south roof, row 1, column 1; correct one of the two"
    assert fields_of(answer.text)["s.0.1.3"] == A
    assert held(engine, site_id) == before


def test_without_script_enter_goes_on_to_the_next_cell(office: TestClient) -> None:
    site_id = office.post("/sites/new", data=NEW_SITE).headers["location"].split("/")[2]
    first = re.search(r"<button[^>]*>", office.get(f"/sites/{site_id}/plan").text.split('id="plan"', 1)[1])
    assert first
    assert 'value="next"' in first[0]
    for order, cell in (("rows", "s.0.2.1"), ("snake", "s.0.2.3")):
        typed = plan(office, site_id) | {"order": order, "s.0.1.1": "x1", "s.0.1.2": "x2", "s.0.1.3": "x3"}
        assert focus(post(office, site_id, typed, "next").text) == (cell if order == "rows" else "s.0.2.3")
    typed = plan(office, site_id) | {"order": "columns", "s.0.2.1": "x1"}
    assert focus(post(office, site_id, typed, "next").text) == "s.0.1.1"


def focus(html: str) -> str:
    tags = [tag for tag in re.findall(r"<input [^>]*>", html) if " autofocus" in tag]
    assert len(tags) == 1
    found = re.search(r'name="([^"]+)"', tags[0])
    assert found
    return found[1]


def test_units_are_moved_and_exchanged_by_a_form(office: TestClient, engine: Engine) -> None:
    site_id = keep(engine, two_roofs())
    typed = plan(office, site_id) | {"m.unit": "0.1.1", "m.plane": "1", "m.row": "2", "m.column": "5"}
    step = post(office, site_id, typed, "put")
    assert step.status_code == 200
    assert cells_of(held(engine, site_id))[A] == ("south roof", 1, 1, "A")
    assert post(office, site_id, fields_of(step.text)).status_code == 303
    after = cells_of(held(engine, site_id))
    assert (after[A], after[C]) == (("east roof", 2, 5, "B"), ("south roof", 1, 1, "A"))


def test_a_cell_that_is_not_there_is_refused(office: TestClient, engine: Engine) -> None:
    site_id = keep(engine, record())
    typed = plan(office, site_id) | {"m.unit": "0.1.1", "m.plane": "0", "m.row": "9", "m.column": "1"}
    answer = post(office, site_id, typed, "put")
    assert answer.status_code == 422
    assert "There is no such cell" in words_of(answer.text)
    assert fields_of(answer.text)["m.row"] == "9"


def test_branches_are_given_to_rows_and_columns(office: TestClient, engine: Engine) -> None:
    site_id = keep(engine, record())
    typed = plan(office, site_id) | {"a.branch": "C", "a.plane": "0", "a.column1": "2", "a.column2": ""}
    step = post(office, site_id, typed, "assign")
    assert post(office, site_id, fields_of(step.text)).status_code == 303
    assert {s: place[3] for s, place in cells_of(held(engine, site_id)).items()} == {A: "A", B: "C", C: "C"}


@pytest.mark.parametrize(
    ("do", "place"),
    [("row-below.0", (1, 1)), ("row-above.0", (2, 1)), ("column-left.0", (1, 2)), ("column-right.0", (1, 1))],
)
def test_rows_and_columns_are_added_on_every_side(
    office: TestClient, engine: Engine, do: str, place: tuple[int, int]
) -> None:
    site_id = keep(engine, record())
    step = fields_of(post(office, site_id, plan(office, site_id), do).text)
    assert len([name for name in step if name.startswith("s.")]) in (4, 6)
    post(office, site_id, step)
    assert cells_of(held(engine, site_id))[A][1:3] == place
    assert len([name for name in plan(office, site_id) if name.startswith("s.")]) in (4, 6)


def test_only_empty_rows_columns_and_planes_are_taken_away(office: TestClient, engine: Engine) -> None:
    site_id = keep(engine, two_roofs())
    typed = plan(office, site_id)
    for do, said in (
        ("drop-row.1", "The last row of east roof holds units"),
        ("drop-column.0", "The last column of south roof holds units"),
        ("drop-plane.1", "east roof holds units"),
    ):
        answer = post(office, site_id, typed, do)
        assert (answer.status_code, said in words_of(answer.text)) == (422, True)
    emptied = typed | {"s.1.2.5": ""}
    step = fields_of(post(office, site_id, emptied, "drop-plane.1").text)
    assert post(office, site_id, step).status_code == 303
    assert [p["name"] for p in held(engine, site_id)["planes"]] == ["south roof"]


def test_a_plane_is_added_with_its_cells(office: TestClient, engine: Engine) -> None:
    site_id = keep(engine, record())
    new = {"n.name": "east roof", "n.azimuth": "90", "n.tilt": "31,5", "n.rows": "1", "n.columns": "2"}
    answer = post(office, site_id, plan(office, site_id) | new | {"n.tilt": "steep"}, "add-plane")
    assert answer.status_code == 422
    assert "Tilt: must be a number" in words_of(answer.text)
    step = fields_of(post(office, site_id, fields_of(answer.text) | new, "add-plane").text)
    assert post(office, site_id, step | {"s.1.1.2": "x1"}).status_code == 303
    kept = held(engine, site_id)
    assert kept["planes"][1] | {"name": "east roof", "tilt_deg": 31.5, "columns": None} == kept["planes"][1]
    assert cells_of(kept)["x1"] == ("east roof", 1, 2, "A")


def test_two_people_at_one_plan_lose_nothing(office: TestClient, engine: Engine) -> None:
    site_id = keep(engine, record())
    mine = plan(office, site_id) | {"s.0.1.1": "mine"}
    post(office, site_id, plan(office, site_id) | {"s.0.1.2": "theirs"})
    answer = post(office, site_id, mine)
    assert answer.status_code == 409
    assert f"Serial changed {B} \u2192 theirs south roof, row 1, column 2, branch circuit A" in words_of(
        answer.text
    )
    assert set(cells_of(held(engine, site_id))) == {A, "theirs", C}
    assert post(office, site_id, fields_of(answer.text)).status_code == 303
    assert set(cells_of(held(engine, site_id))) == {"mine", "theirs", C}


def test_a_unit_with_readings_leaves_only_after_a_warning(office: TestClient, engine: Engine) -> None:
    site_id = keep(engine, record())
    body = f'{{"interval_min": 5, "start": "2026-05-04T12:00Z", "energy_wh": {{"{A}": [1, 2]}}}}'
    take_readings(engine, site_id, body.encode(), JSON)
    typed = plan(office, site_id) | {"s.0.1.1": ""}
    answer = post(office, site_id, typed)
    assert answer.status_code == 422
    assert f"{A} leaves the record, but has readings: they are kept" in words_of(answer.text)
    assert A in cells_of(held(engine, site_id))
    assert post(office, site_id, fields_of(answer.text)).status_code == 303
    assert A not in cells_of(held(engine, site_id))


def test_a_new_unit_that_was_heard_before_is_told(office: TestClient, engine: Engine) -> None:
    site_id = keep(engine, record())
    body = '{"interval_min": 5, "start": "2026-05-04T12:00Z", "energy_wh": {"x1": [1, 2]}}'
    take_readings(engine, site_id, body.encode(), JSON)
    told = "One of the new units was heard before: x1."
    assert told in words_of(paste(office, site_id, "serial,row,column\nx1,2,1\n").text)
    step = post(office, site_id, plan(office, site_id), "row-below.0")
    assert post(office, site_id, fields_of(step.text) | {"s.0.2.1": "x1"}).status_code == 303
    assert told in words_of(office.get(f"/sites/{site_id}/plan").text)


def test_a_serial_of_another_site_is_told_to_the_office_by_name(office: TestClient, engine: Engine) -> None:
    keep(engine, {**record(), "units": [{**record()["units"][0], "serial": "x1"}]}, "Low Mill")
    site_id = keep(engine, record())
    answer = post(office, site_id, plan(office, site_id) | {"s.0.1.1": "x1"})
    assert "x1 is on the record of Low Mill too" in words_of(answer.text)
    installer = sign_in(office, assign(engine, add_person(engine, "installer"), site_id))
    told = words_of(post(installer, site_id, plan(installer, site_id) | {"s.0.1.1": "x1"}).text)
    assert "x1 is on the record of another site too" in told
    assert "Low Mill" not in told


def test_what_an_installer_may(visitor: TestClient, engine: Engine) -> None:
    own, other = keep(engine, record()), keep(engine, record(), "Low Mill")
    installer = sign_in(visitor, assign(engine, add_person(engine, "installer"), own))
    assert post(installer, own, plan(installer, own) | {"s.0.1.1": "x1"}).status_code == 303
    asked = {
        path: installer.get(path).status_code
        for path in ("/sites/new", f"/sites/{own}/edit", f"/sites/{other}/plan", f"/sites/{other}/plan.csv")
    }
    assert list(asked.values()) == [403, 403, 404, 404]
    assert installer.post("/sites/new", data=NEW_SITE).status_code == 403
    assert post(installer, other, {"do": "save"}).status_code == 404
    pasted = {"text": json.dumps(record()), "do": "show"}
    assert installer.post(f"/sites/{own}/plan/paste", data=pasted).status_code == 403


def test_an_installer_undoes_own_changes_and_the_office_any(visitor: TestClient, engine: Engine) -> None:
    site_id = keep(engine, record())
    office = sign_in(visitor, add_person(engine, "office"))
    post(office, site_id, plan(office, site_id) | {"s.0.1.1": "x1"})
    installer = sign_in(visitor, assign(engine, add_person(engine, "installer"), site_id))
    assert "Undo" not in words_of(installer.get(f"/sites/{site_id}/plan").text)
    assert installer.post(f"/sites/{site_id}/plan/undo/1").status_code == 403
    post(installer, site_id, plan(installer, site_id) | {"s.0.1.2": "x2"})
    assert installer.post(f"/sites/{site_id}/plan/undo/2").status_code == 303
    assert set(cells_of(held(engine, site_id))) == {"x1", B, C}


def test_a_form_from_elsewhere_changes_nothing(office: TestClient, engine: Engine) -> None:
    site_id = keep(engine, record())
    typed = {**plan(office, site_id), "s.0.1.1": "x1", "do": "save"}
    for path in (
        f"/sites/{site_id}/plan",
        f"/sites/{site_id}/plan/paste",
        f"/sites/{site_id}/edit",
        "/sites/new",
    ):
        answer = office.post(path, data=typed, headers={"sec-fetch-site": "cross-site"})
        assert answer.status_code == 403, path
    assert A in cells_of(held(engine, site_id))


def test_what_is_typed_is_text_and_no_markup(office: TestClient, engine: Engine) -> None:
    site_id = keep(engine, record())
    hostile = '"><script>alert(1)</script>'
    answer = post(office, site_id, plan(office, site_id) | {"s.0.1.1": hostile, "s.0.1.2": hostile}, "next")
    assert "<script>alert" not in answer.text
    assert fields_of(answer.text)["s.0.1.1"] == hostile


# Spreadsheets and files


def paste(client: TestClient, site_id: str, text: str, **fields: str) -> Any:
    shown = fields_of(client.get(f"/sites/{site_id}/plan/paste").text)
    return client.post(f"/sites/{site_id}/plan/paste", data={**shown, "text": text, "do": "show", **fields})


def test_a_pasted_table_is_shown_as_a_change_and_then_stored(
    office: TestClient, engine: Engine, jobs: Jobs
) -> None:
    site_id = keep(engine, record())
    answer = paste(office, site_id, f"Seriennummer\tReihe\tSpalte\tNotiz\n{A}\t2\t1\tok\nx1\t2\t2\t\n")
    told = words_of(answer.text)
    assert answer.status_code == 200
    assert "These columns are not read: Notiz." in told
    assert "Added x1 south roof, row 2, column 2" in told
    assert f"Moved {A} south roof, row 1, column 1, branch circuit A → south roof, row 2, column 1" in told
    assert "2 units stay as they are" in told
    assert A in cells_of(held(engine, site_id))
    assert cells_of(held(engine, site_id))[A][1] == 1
    stored = office.post(f"/sites/{site_id}/plan/paste", data={**fields_of(answer.text), "do": "store"})
    assert stored.status_code == 303
    assert cells_of(held(engine, site_id))[A][1] == 2
    assert jobs.asked == [site_id]


def test_a_paste_that_was_shown_on_another_record_is_not_stored(office: TestClient, engine: Engine) -> None:
    site_id = keep(engine, record())
    shown = fields_of(paste(office, site_id, "serial,row,column\nx1,2,2\n").text)
    post(office, site_id, plan(office, site_id) | {"s.0.1.1": "theirs"})
    answer = office.post(f"/sites/{site_id}/plan/paste", data={**shown, "do": "store"})
    assert answer.status_code == 409
    assert "x1" not in cells_of(held(engine, site_id))
    assert (
        office.post(
            f"/sites/{site_id}/plan/paste", data={**fields_of(answer.text), "do": "store"}
        ).status_code
        == 303
    )
    assert {"x1", "theirs"} <= set(cells_of(held(engine, site_id)))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "There is nothing in it"),
        ("serial,row\nx1,one\n", "Line 2, column row: “one” is no whole number"),
        ("serial,plane\nx1,attic\n", "Line 2, column roof plane: names none of the planes"),
        ("x1\tx2\nx3\tx1\n", "Line 2, column serial: is the serial of line 1 too"),
        ('{"name": 4}', "name must be a text"),
        ("{", "is not valid JSON"),
    ],
)
def test_a_text_that_cannot_be_is_refused_by_line_and_column(
    office: TestClient, engine: Engine, text: str, said: str
) -> None:
    site_id = keep(engine, record())
    answer = paste(office, site_id, text)
    assert answer.status_code == 422
    assert said in words_of(answer.text)
    assert fields_of(answer.text)["text"].strip() == text.strip()


def test_csv_and_json_go_out_and_come_back_exactly(office: TestClient, engine: Engine) -> None:
    data = two_roofs()
    data["units"][0] |= {"serial": "=2+3", "until": "2026-08-01"}
    site_id = keep(engine, data)
    before = held(engine, site_id)
    table = office.get(f"/sites/{site_id}/plan.csv")
    assert 'filename="mill-lane-4.csv"' in table.headers["content-disposition"]
    assert "'=2+3" in table.text
    whole = office.get(f"/sites/{site_id}/record.json")
    assert whole.json() == before
    post(office, site_id, plan(office, site_id) | {"s.0.1.2": "", "s.1.2.5": "x9"})
    for content, fields in ((table.content, ["units"]), (whole.content, list(before))):
        assert held(engine, site_id)["units"] != before["units"]
        shown = office.post(
            f"/sites/{site_id}/plan/paste",
            data={"do": "show", "whole": "yes"},
            files={"file": ("plan", content)},
        )
        stored = office.post(
            f"/sites/{site_id}/plan/paste", data={**fields_of(shown.text), "whole": "yes", "do": "store"}
        )
        assert stored.status_code == 303, words_of(shown.text)
        assert {name: held(engine, site_id)[name] for name in fields} == {
            name: before[name] for name in fields
        }
        post(office, site_id, plan(office, site_id) | {"s.0.1.2": "", "s.1.2.5": "x9"})


def test_a_site_without_units_takes_readings_and_stays_whole(office: TestClient, engine: Engine) -> None:
    site_id = keep(engine, {**record(), "units": []})
    body = '{"interval_min": 5, "start": "2026-05-04T12:00Z", "energy_wh": {"x": [1, 2, 3, 4, 5, 6, 7]}}'
    take_readings(engine, site_id, body.encode(), JSON)
    for page in ("", "/van", "/plan"):
        assert office.get(f"/sites/{site_id}{page}").status_code == 200, page
    assert office.get("/").status_code == 200


def test_a_plan_too_wide_for_a_page_is_left_to_the_table(office: TestClient, engine: Engine) -> None:
    data = record()
    places = [{"serial": f"x{i}", "row": 7 * i + 1, "column": 7 * i + 1} for i in range(100)]
    data["units"] = [{**data["units"][0], **place} for place in places]
    site_id = keep(engine, data)
    answer = office.get(f"/sites/{site_id}/plan")
    assert "This plan has too many rows and columns for one page" in words_of(answer.text)
    assert "s.0.1.1" not in answer.text
    assert office.get(f"/sites/{site_id}/plan.csv").text.count("\r\n") == 101


def test_records_from_before_are_read_as_they_are(office: TestClient, engine: Engine) -> None:
    with writing(engine) as session:
        site_id = sites.create(session, record()).id  # without the defaults that later versions add
    assert post(office, site_id, plan(office, site_id)).status_code == 303
    assert held(engine, site_id) == record()
    assert read_record(held(engine, site_id))
