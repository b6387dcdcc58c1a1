"""How many messages a second are kept and acknowledged: 500 roofs of 24 units that report each minute send 200."""

from __future__ import annotations

import json
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import Engine

from service.intake.live.listener import ListenerThread
from service.store import feeds, sites
from service.store.database import reading, writing
from service.store.feeds import Key
from tests.broker import Sender, make_broker
from tests.intake.roof import record

MESSAGES = 3000
AT_LEAST_PER_S = 200
NOON = datetime(2026, 6, 14, 12, tzinfo=UTC)
PAYLOAD = {
    "serial": {"level": "serial"},
    "time": {"path": "$.t"},
    "values": {"power_w": "$.p", "counter_wh": "$.e"},
    "interval_min": 5,
}


def test_messages_kept_per_second(engine: Engine, tmp_path: Path) -> None:
    broker = make_broker(tmp_path, saving="")
    with writing(engine) as session:
        site = sites.create(session, record())
        key = Key(site.id, feeds.make(session, site.id, "roof/+serial", PAYLOAD, enabled=True).number)
    listener = ListenerThread(engine, broker.as_seen("service"))
    device = Sender(broker, "device")
    try:
        while not _heard(engine, key):  # until the subscription holds
            device.sent("roof/0", "{}")
        before, began, used = _heard(engine, key), time.perf_counter(), time.process_time()
        for i in range(MESSAGES):
            at = NOON + timedelta(minutes=i // 24)
            device.send(f"roof/{i % 24}", json.dumps({"t": at.isoformat(), "p": i % 300, "e": i}))
        while _heard(engine, key) < before + MESSAGES:
            time.sleep(0.02)
        per_s = MESSAGES / (time.perf_counter() - began)
        cpu_ms = (time.process_time() - used) / MESSAGES * 1000
    finally:
        listener.stop()
        device.close()
        broker.kill()
    print(
        f"\n{engine.dialect.name}: {per_s:.0f} messages/s kept and acknowledged, {cpu_ms:.2f} ms of CPU for each"
    )
    assert per_s >= AT_LEAST_PER_S


def _heard(engine: Engine, key: Key) -> int:
    with reading(engine) as session:
        feed = feeds.get(session, key)
    assert feed is not None
    return feed.messages
