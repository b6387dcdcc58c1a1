"""Feeds on the pages: added, tried on a message, changed and removed, as the office clicks through them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import unescape
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine

from service.intake.live.broker import NOT_ALLOWED
from service.settings import Settings
from service.store import audit, feeds
from service.store.database import reading, writing
from service.web.app import create_app
from tests.report import sample
from tests.web.visit import add_feed, add_person, add_site, sign_in

pytestmark = pytest.mark.one_database

FORM = {
    "topic": "roof/+serial/state",
    "enabled": "on",
    "format": "json",
    "rows": "$",
    "serial_from": "level",
    "serial": "serial",
    "time": "$.sent",
    "interval_min": "5",
    "label": "",
    "value.0.kind": "counter_kwh",
    "value.0.path": "$.total",
    "value.1.kind": "temperature_c",
    "value.1.path": "$.inside",
    "value.1.factor": "0,1",
}
MESSAGE = '{"sent": "2026-05-08T11:29:58+02:00", "total": 48.25, "inside": 315}'


@pytest.fixture
def office(settings: Settings, engine: Engine) -> Iterator[TestClient]:
    with TestClient(create_app(settings, engine=engine), base_url="http://roofs.example") as client:
        yield sign_in(client, add_person(engine, "office", "Ida Quarrie"))


def text_of(html: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html))).replace("\xa0", " ")


def send(client: TestClient, address: str, **changed: str) -> Any:
    return client.post(address, data={**FORM, **changed})


def test_feed_is_tried_then_added_then_removed(office: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, None)
    site = f"/sites/{site_id}/feeds"
    assert "This site has no feed yet." in office.get(site).text
    tried = send(office, f"{site}/new", do="try", try_message=MESSAGE, try_topic=f"roof/{sample.DEAD}/state")
    shown = text_of(tried.text)
    assert f"{sample.DEAD} Fri 8 May 2026" in shown
    assert "48.25 31.5" in shown
    with reading(engine) as session:
        assert feeds.of_site(session, site_id) == []
    listed = text_of(send(office, f"{site}/new", do="save").text)
    assert "The feed is saved." in listed
    assert "roof/+serial/state kept never 0 none" in listed
    with reading(engine) as session:
        (feed,) = feeds.of_site(session, site_id)
        assert feed.payload["values"]["temperature_c"] == {"path": "$.inside", "factor": 0.1}
        assert [row.action for row in audit.latest(session)] == ["feed.made"]
    assert "The feed is removed" in send(office, f"{site}/1", do="remove").text
    with reading(engine) as session:
        assert feeds.of_site(session, site_id) == []
    assert "removed the feed roof/+serial/state" in office.get("/audit").text


def test_form_shows_a_feed_as_it_is_and_saving_it_changes_nothing(office: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, None)
    add_feed(engine, site_id)
    with reading(engine) as session:
        before = feeds.of_site(session, site_id)[0].payload
    html = office.get(f"/sites/{site_id}/feeds/1").text
    assert "48,213.5" in html  # what is understood of the last message
    assert "$.total must be a number" in text_of(html)
    fields = dict(re.findall(r'<input[^>]* name="([^"]+)"[^>]* value="([^"]*)"', html))
    chosen = re.findall(r'<select[^>]* name="([^"]+)"[^>]*>.*?<option value="([^"]*)" selected', html)
    assert '<input type="checkbox" name="enabled" checked>' in html
    sent = {**{k: unescape(v) for k, v in fields.items()}, **dict(chosen), "enabled": "on", "do": "save"}
    assert office.post(f"/sites/{site_id}/feeds/1", data=sent).status_code == 200
    with reading(engine) as session:
        assert feeds.of_site(session, site_id)[0].payload == before
        assert audit.latest(session) == []


@pytest.mark.parametrize(
    ("changed", "field", "said"),
    [
        ({"topic": "roof/#/x"}, "topic", "may have # as its last level only"),
        ({"serial": "unit"}, "serial", "is no level of the topic"),
        ({"value.0.path": "total"}, "value.0.path", "must begin with $"),
        ({"value.1.factor": "a"}, "value.1.factor", "must be a number"),
        ({"time": "", "timezone": "Europe/London"}, "time", "must begin with $"),
        ({"timezone": "London"}, "timezone", "is not a known timezone"),
        ({"value.0.kind": "energy_wh"}, "label", "is required for energies"),
        ({"value.0.kind": "", "value.1.kind": ""}, "value.0.path", "needs at least 1 entry"),
    ],
)
def test_what_is_wrong_stands_beside_its_field(
    office: TestClient, engine: Engine, changed: dict[str, str], field: str, said: str
) -> None:
    answer = send(office, f"/sites/{add_site(engine, None)}/feeds/new", do="save", **changed)
    assert answer.status_code == 422
    beside = re.search(rf'id="{re.escape(field)}-said"><strong class="wrong">(.*?)</strong>', answer.text)
    assert beside is not None
    assert said in unescape(beside[1])


def test_list_tells_of_the_broker_and_of_what_was_not_understood(office: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, None)
    assert "No broker is set" in office.get(f"/sites/{site_id}/feeds").text
    add_feed(engine, site_id)
    shown = text_of(office.get(f"/sites/{site_id}/feeds").text)
    assert re.search(
        r"No connection to the broker since .*: it refuses the connection: Not authorized; check user and password",
        shown,
    )
    assert re.search(r"kept Fri 8 May 2026, 1\d:30 2 1, last at .*: \$\.total must be a number", shown)


def test_a_path_that_leads_nowhere_is_named_beside_what_came(office: TestClient, engine: Engine) -> None:
    address = f"/sites/{add_site(engine, None)}/feeds/new"
    wrong, right = (
        text_of(send(office, address, do="try", try_message=MESSAGE, **{"value.1.path": path}).text)
        for path in ("$.in", "$.inside")
    )
    assert "Not in this message: temperature, °C ($.in). Correct the path if it should be." in wrong
    assert "Not in this message" not in right


def test_list_tells_of_topics_that_the_broker_refuses(office: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, None)
    with writing(engine) as session:
        feeds.say(session, connected=True, reason=f"{NOT_ALLOWED}: roof/+")
    shown = text_of(office.get(f"/sites/{site_id}/feeds").text)
    assert "but it does not let this user listen to topics: roof/+; have it allowed there." in shown


def test_hostile_message_is_shown_as_text(office: TestClient, engine: Engine) -> None:
    hostile = "<script>alert(1)</script></textarea>"
    answer = send(office, f"/sites/{add_site(engine, None)}/feeds/new", do="try", try_message=hostile)
    assert hostile not in answer.text
    assert "is not valid JSON" in answer.text
