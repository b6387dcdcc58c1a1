"""A broker's messages on their way to the collector's disk: acknowledged when they are there, and not before."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from itertools import count
from threading import Event, Thread
from time import monotonic, sleep
from typing import Any

import pytest
from pydantic import ValidationError

from service.collect import mqtt
from service.collect.kinds import model_of
from service.collect.mqtt import MqttSource
from service.collect.trouble import Trouble
from service.intake.live.model import Sample
from service.intake.live.payload import PayloadSpec
from tests.broker import PASSWORD, Mosquitto, Sender
from tests.collect.sink import Kept

PAYLOAD = {
    "serial": {"level": "serial"},
    "time": {"path": "$.t"},
    "values": {"power_w": "$.p"},
    "interval_min": 5,
}
AT = datetime(2026, 6, 14, 12, tzinfo=UTC)
_numbers = count()


@pytest.fixture
def source(mosquitto: Mosquitto) -> MqttSource:
    mosquitto.start()
    return made(mosquitto)


def made(mosquitto: Mosquitto, **changed: Any) -> MqttSource:
    name = f"barn{next(_numbers)}"
    given = {
        "kind": "mqtt",
        "name": name,
        "url": mosquitto.url,
        "password": PASSWORD,
        "ca_file": mosquitto.ca_file,
        "client_id": f"collector-{name}",
        "topic": f"{name}/+serial",
        "payload": PAYLOAD,
    }
    return MqttSource.model_validate({**given, **changed})


@contextmanager
def running(source: MqttSource, sink: Kept) -> Iterator[None]:
    stop = Event()
    thread = Thread(target=source.run, args=(sink, stop), daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(10)
        assert not thread.is_alive()


def until(true: Callable[[], Any]) -> None:
    end = monotonic() + 15
    while not true():
        assert monotonic() < end, "in vain"
        sleep(0.01)


def message(power: float) -> str:
    return json.dumps({"t": AT.isoformat(), "p": power})


def listening(source: MqttSource, sender: Sender, sink: Kept) -> None:
    """Wait until the source hears what is sent; before its subscription a broker keeps nothing for it."""
    topic = source.topic.replace("+serial", "first")
    until(lambda: sender.sent(topic, message(0)) or sink.enough.wait(0.05))
    sender.sent(topic, message(1))  # the last one, so that none is still on its way
    until(lambda: any(sample.value == 1 for given in sink.given for sample in given))
    sink.given.clear()
    sink.enough.clear()


def test_messages_become_samples(mosquitto: Mosquitto, sender: Sender) -> None:
    source, sink = made(mosquitto, serials={"101": "482913377001"}), Kept()
    with running(source, sink):
        listening(source, sender, sink)
        sender.sent(source.topic.replace("+serial", "101"), message(231.5))
        assert sink.enough.wait(10)
    assert sink.given[-1][-1] == Sample("482913377001", "power_w", AT, 231.5)
    assert sink.heard_times >= 1
    assert sink.troubles == []


class Full(Kept):
    """A disk that takes nothing."""

    def samples(self, source: str, found: Sequence[Sample]) -> None:
        super().samples(source, found)
        raise Trouble("The disk is full.")


def test_what_was_not_kept_comes_again(
    source: MqttSource, sender: Sender, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt, "FULL_S", 0.05)
    sink = Kept()
    with running(source, sink):
        listening(source, sender, sink)
    full = Full()
    sender.sent(source.topic.replace("+serial", "101"), message(7))
    with running(source, full):
        assert full.enough.wait(10)
        until(lambda: full.troubles)
    assert full.troubles[-1] == "The disk is full."
    after = Kept()
    with running(source, after):
        assert after.enough.wait(10)
    assert Sample("101", "power_w", AT, 7) in [sample for given in after.given for sample in given]
    once = Kept()
    with running(source, once):
        assert not once.enough.wait(0.5)


def test_what_has_no_time_is_not_taken_after_it_waited(
    mosquitto: Mosquitto, sender: Sender, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt, "FULL_S", 60)
    payload = {name: what for name, what in PAYLOAD.items() if name != "time"}
    source, sink = made(mosquitto, payload=payload), Kept()
    with running(source, sink):
        listening(source, sender, sink)
    sender.sent(source.topic.replace("+serial", "101"), message(7))
    after = Kept()
    with running(source, after):
        listening(source, sender, after)
        sender.sent(source.topic.replace("+serial", "101"), message(8))
        assert after.enough.wait(10)
    given = [s.value for given in (*sink.given, *after.given) for s in given]
    assert (7 in given, 8 in given) == (False, True)
    full = Full()
    with running(source, full):
        listening(source, sender, full)
        sender.sent(source.topic.replace("+serial", "101"), message(9))
        sender.sent(source.topic.replace("+serial", "101"), message(10))
        until(lambda: [s.value for given in full.given for s in given][-1:] == [10])
    assert "The disk is full." in full.troubles


def test_message_that_is_not_understood_is_told_and_holds_nothing_up(
    source: MqttSource, sender: Sender
) -> None:
    sink = Kept()
    with running(source, sink):
        listening(source, sender, sink)
        sender.sent(source.topic.replace("+serial", "101"), "{")
        until(lambda: sink.troubles)
        sender.sent(source.topic.replace("+serial", "101"), message(5))
        until(lambda: any(s.value == 5 for given in sink.given for s in given))
    assert "is not valid JSON" in sink.troubles[0]


def test_broker_that_is_away_is_told(mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mqtt, "AWAY_S", 0.0)
    monkeypatch.setattr(mqtt, "PROBE_S", 0.5)
    monkeypatch.setattr(mqtt, "WAIT_S", 0.05)
    mosquitto.start()
    sink = Kept()
    with running(made(mosquitto, password="moss-and-slate"), sink):
        until(lambda: any("refuses" in told for told in sink.troubles))
    assert "moss" not in " ".join(sink.troubles)
    with pytest.raises(Trouble, match=r"cannot be reached: .* Connection refused; check its power"):
        made(mosquitto, url="mqtt://127.0.0.1:9", ca_file=None).probe()


def test_probe_says_what_came_or_that_nothing_did(
    source: MqttSource, sender: Sender, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt, "PROBE_S", 1.0)
    assert source.probe().startswith("connected; no message came within 1 s: ")
    sender.sent(source.topic.replace("+serial", "101"), message(5), retain=True)
    assert source.probe() == "1 value of 1 unit, such as power_w 5 of 101"
    values = {"power_w": "$.p", "counter_wh": "$.total"}
    with pytest.raises(Trouble, match=r"has no counter_wh \(\$\.total\): correct that"):
        source.model_copy(
            update={"payload": PayloadSpec.model_validate({**PAYLOAD, "values": values})}
        ).probe()
    sender.sent(source.topic.replace("+serial", "101"), b"", retain=True)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"topic": "barn/#/x"}, "as its last level only"),
        ({"url": "broker.example"}, "url must be mqtts://"),
        ({"ca_file": "/nowhere"}, "ca_file names no file"),
        ({"payload": {**PAYLOAD, "rows": "x"}}, "must begin with"),
    ],
)
def test_settings_that_cannot_work_are_named(
    mosquitto: Mosquitto, changed: dict[str, Any], said: str
) -> None:
    with pytest.raises(ValidationError) as caught:
        made(mosquitto, **changed)
    assert said in str(caught.value)
    assert PASSWORD not in str(caught.value)


def test_the_kind_is_known() -> None:
    assert model_of("mqtt") is MqttSource
