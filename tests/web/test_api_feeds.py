"""Feeds over the API: what is put is what is got, and what cannot work is refused by field."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine

from service.intake.live import lay
from service.store import audit, feeds
from service.store.database import reading, writing
from service.store.feeds import Heard, Key, Seen, Value
from tests.intake.roof import SERIALS, record

PAYLOAD = {
    "serial": {"level": "serial"},
    "time": {"path": "$.t"},
    "values": {"counter_wh": "$.total"},
    "interval_min": 5,
}
FEED = {"topic": "roof/+serial/state", "payload": PAYLOAD}


@pytest.fixture
def site(client: TestClient) -> str:
    return f"/api/v1/sites/{client.post('/api/v1/sites', json=record()).json()['id']}"


def put(client: TestClient, site: str, *wanted: Any) -> Any:
    return client.put(f"{site}/feeds", json={"feeds": list(wanted)})


def test_feeds_come_and_go(client: TestClient, engine: Engine, site: str) -> None:
    assert client.get(f"{site}/feeds").json()["feeds"] == []
    made = put(client, site, FEED, {**FEED, "topic": "roof/+serial/other", "enabled": False})
    assert made.status_code == 200, made.text
    first, second = made.json()["feeds"]
    assert (first["number"], first["enabled"], second["enabled"]) == (1, True, False)
    assert first["payload"]["values"] == {"counter_wh": {"path": "$.total", "factor": 1.0}}
    assert put(client, site, {**second, "enabled": True}).json()["feeds"] == [{**second, "enabled": True}]
    assert put(client, site, FEED).json()["feeds"][0]["number"] == 1
    with reading(engine) as session:
        deeds = [row.action for row in audit.latest(session)]
    assert deeds == [
        "feed.made",
        "feed.removed",
        "feed.changed",
        "feed.removed",
        "feed.made",
        "feed.made",
        "site.made",
    ]


def test_answer_may_come_back_and_changes_nothing(client: TestClient, engine: Engine, site: str) -> None:
    answer = put(client, site, FEED).json()
    assert client.put(f"{site}/feeds", json=answer).json() == answer
    with reading(engine) as session:
        assert [row.action for row in audit.latest(session)] == ["feed.made", "site.made"]


def test_what_was_heard_is_told(client: TestClient, engine: Engine, site: str) -> None:
    put(client, site, FEED)
    now = datetime(2026, 6, 14, 12, tzinfo=UTC)
    heard = Heard(
        2, 1, Seen(now, "roof/1/state", b"{}"), Seen(now, "roof/1/state", b"{", "is not valid JSON")
    )
    with writing(engine) as session:
        feeds.keep(session, Key(site.rpartition("/")[2], 1), heard, 0)
        feeds.say(session, connected=False, reason="it refuses the connection")
    answer = client.get(f"{site}/feeds").json()
    assert (answer["broker_connected"], answer["broker_problem"]) == (False, "it refuses the connection")
    (feed,) = answer["feeds"]
    assert (feed["messages"], feed["not_understood"], feed["last_problem"]) == (2, 1, "is not valid JSON")
    assert datetime.fromisoformat(feed["last_heard_at"]) == now
    metrics = client.get("/metrics").text
    assert "yieldproof_feed_messages 2.0" in metrics
    assert "yieldproof_feed_messages_not_understood 1.0" in metrics
    assert "yieldproof_broker_connected 0.0" in metrics


def test_readings_on_their_way_stay_when_the_feed_goes(client: TestClient, engine: Engine, site: str) -> None:
    put(client, site, FEED)
    noon_us = lay.microseconds(datetime(2026, 6, 14, 12, tzinfo=UTC))
    values = [Value(SERIALS[0], "counter_wh", noon_us + i * 300_000_000, 10.0 * i) for i in range(4)]
    with writing(engine) as session:
        feeds.keep(session, Key(site.rpartition("/")[2], 1), Heard(4, values={v[:3]: v for v in values}), 0)
    assert put(client, site).json()["feeds"] == []
    found = client.get(f"{site}/readings", headers={"Accept": "application/json"}).json()
    assert found["energy_wh"] == {SERIALS[0]: [10, 10, 10]}


@pytest.mark.parametrize(
    ("wanted", "field", "said"),
    [
        ([{**FEED, "topic": "roof/#/a"}], "feeds[0].topic", "may have # as its last level only"),
        ([{**FEED, "topic": "roof/+/state"}], "feeds[0].payload.serial.level", "is no level of the topic"),
        ([{**FEED, "payload": {**PAYLOAD, "rows": "units"}}], "feeds[0].payload.rows", "must begin with $"),
        ([{**FEED, "number": 7}], "feeds[0].number", "is no feed of this site"),
        ([{**FEED, "number": 1}, {**FEED, "number": 1}], "feeds[0].number", "is given twice"),
        ([{**FEED, "topics": "x"}], "feeds[0].topics", "is not a known field"),
    ],
)  # fmt: skip
def test_feeds_that_cannot_work_are_refused(
    client: TestClient, site: str, wanted: Any, field: str, said: str
) -> None:
    answer = put(client, site, *wanted)
    assert answer.status_code == 422
    errors = {e["field"]: e["message"] for e in answer.json()["errors"]}
    assert said in errors[field]
    assert client.get(f"{site}/feeds").json()["feeds"] == []


def test_two_sites_never_listen_to_one_topic(client: TestClient, site: str) -> None:
    put(client, site, FEED)
    other = (
        f"/api/v1/sites/{client.post('/api/v1/sites', json={**record(), 'name': 'Low Mill'}).json()['id']}"
    )
    answer = put(
        client, other, {**FEED, "topic": "roof/#", "payload": {**PAYLOAD, "serial": {"path": "$.sn"}}}
    )
    assert answer.status_code == 422
    (error,) = answer.json()["errors"]
    assert error["field"] == "feeds[0].topic"
    assert "another site" in error["message"]
    assert "Mill Lane" not in answer.text
    assert put(client, other, {**FEED, "topic": "barn/+serial/state"}).status_code == 200
