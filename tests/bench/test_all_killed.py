"""Devices, broker, collector and service, all real, all killed and started at random moments for some minutes.

Many units tell a broker what their counters stood at between two intervals, on two topics: on one the collector
listens, on the other the service itself. Most say it once, so that none may be lost; some say it twice, and all in any
order. Two more are read by the collector over Modbus. What the service holds in the end is what it would
hold if nothing had been killed. YIELDPROOF_TEST_KILLS sets how often something is killed or started.
"""

from __future__ import annotations

import json
import os
import random
import sqlite3
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy import Engine

from service.collect.clock import on_s
from service.store import feeds
from service.store.database import reading, writing
from tests.broker import PASSWORD, Mosquitto, Sender, make_broker
from tests.collect.disturbed import World, world_on
from tests.collect.processes import BEGIN, counter, energy, head, killed, started, wait_until
from tests.collect.quick import POWERS_W, SPEED, quick_time
from tests.ports import free_port

TURNS = int(os.environ.get("YIELDPROOF_TEST_KILLS", "120"))
SERIALS = tuple(str(n) for n in range(101, 131))
AGAIN = 0.25
"""So much is told twice."""
PAYLOAD = {
    "serial": {"level": "serial"},
    "time": {"path": "$.at"},
    "values": {"counter_wh": "$.wh"},
    "interval_min": 5,
}
INTERVAL = timedelta(minutes=5)
SUSPECT_S = 2.0
"""What a broker acknowledged so shortly before it was killed need not be on its disk."""
LATENCY_S = 1.0
"""Between a Modbus device's answer and the collector's look at its clock there is less."""
PATIENCE_S = 240


@dataclass
class Publishing:
    """A device that tells a broker what each unit's counter stood at, each at some moment of the interval after."""

    mosquitto: Mosquitto
    since: float
    dice: random.Random
    passed: int = -1
    """Intervals."""
    waiting: list[tuple[float, str, int]] = field(default_factory=list)
    """When it is to be told, of which unit, and after how many intervals."""
    told: dict[int, tuple[str, int]] = field(default_factory=dict)
    """By the message's number."""

    def __post_init__(self) -> None:
        self._sender = Sender(self.mosquitto, "roof")

    def go_on(self) -> None:
        """Tell what is to be told by now."""
        now = (quick_time(self.since, on_s()) - BEGIN) / INTERVAL
        while self.passed < int(now):
            self.passed += 1
            for serial in SERIALS:
                for _ in range(1 + (self.dice.random() < AGAIN)):
                    self.waiting.append((self.passed + self.dice.random(), serial, self.passed))
        self._tell_until(now)

    def _tell_until(self, now: float) -> None:
        due = sorted(one for one in self.waiting if one[0] <= now)
        self.waiting = [one for one in self.waiting if one[0] > now]
        self.tell([(serial, place) for _, serial, place in due])

    def tell(self, values: list[tuple[str, int]]) -> None:
        """Publish the counters of units after so many intervals."""
        for serial, place in values:
            at = (BEGIN + place * INTERVAL).isoformat()
            message = json.dumps({"at": at, "wh": counter(serial, place * 5)})
            for root in ("collected", "direct"):
                self.told[self._sender.send(f"{root}/{serial}", message)] = serial, place

    def tell_again(self, killed_at: float) -> None:
        """Tell again what a broker that was killed may have forgotten though it has acknowledged it."""
        acknowledged = dict(self._sender.acknowledged_at)
        suspect = {self.told[number] for number, at in acknowledged.items() if at > killed_at - SUSPECT_S}
        self.tell(sorted(suspect))

    def finish(self) -> None:
        """Tell the rest, and wait until the broker has acknowledged everything."""
        self._tell_until(self.passed + 1)
        wait_until(self._sender.is_done, "the broker did not take everything", PATIENCE_S)
        self._sender.close()


@dataclass
class Everything:
    """The processes by name, to be started and killed."""

    mosquitto: Mosquitto
    publishing: Publishing
    commands: dict[str, Callable[[], Any]]
    running: dict[str, Any] = field(default_factory=dict)
    kills: dict[str, int] = field(default_factory=dict)
    _broker_killed_at: float = 0.0

    @property
    def names(self) -> list[str]:
        """Return what there is to kill."""
        return ["broker", *self.commands]

    def start(self, name: str) -> None:
        """Start it if it does not run."""
        if self.runs(name):
            return
        if name == "broker":
            self.mosquitto.start()
            self.publishing.tell_again(self._broker_killed_at)
        else:
            self.kill(name)
            self.running[name] = self.commands[name]()

    def start_all(self) -> None:
        """Start what does not run."""
        for name in self.names:
            self.start(name)

    def runs(self, name: str) -> bool:
        """Return whether it runs; the collector may have died by itself."""
        if name == "broker":
            return self.mosquitto.process is not None
        return name in self.running and self.running[name].poll() is None

    def kill(self, name: str) -> None:
        """Kill it if it runs."""
        if name == "broker":
            self.mosquitto.kill()
            self._broker_killed_at = time.monotonic()
        elif name in self.running:
            killed(self.running.pop(name))

    def turn(self, name: str) -> None:
        """Kill it if it runs, start it otherwise."""
        if self.runs(name):
            self.kills[name] = self.kills.get(name, 0) + 1
            self.kill(name)
        else:
            self.start(name)


@pytest.fixture
def world(engine: Engine) -> Iterator[World]:
    with world_on(engine) as made:
        yield made


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    folder = tmp_path / "broker"
    folder.mkdir()
    broker = make_broker(folder)
    yield broker
    broker.kill()


def test_what_the_service_holds_is_what_it_would_hold_if_nothing_were_killed(
    world: World, mosquitto: Mosquitto, tmp_path: Path
) -> None:
    since, dice = on_s(), random.Random(5)  # noqa: S311 - no secret
    site, direct = world.site(*SERIALS[3:], *POWERS_W), world.site(*SERIALS[3:])
    with writing(world.engine) as session:
        feeds.make(session, direct, "direct/+serial", PAYLOAD, enabled=True)
    publishing = Publishing(mosquitto, since, dice)
    everything = Everything(mosquitto, publishing, _commands(world, mosquitto, site, since, tmp_path))
    try:
        _begin(world, everything, direct, tmp_path)
        begun = quick_time(since, on_s())
        _disturb(everything, dice)
        truth = {key: np.float32(value) for key, value in _expected(publishing.passed).items()}
        for place in (site, direct):
            _wait(
                everything,
                lambda at=place: _of(world, at, SERIALS) == truth,
                lambda at=place: _difference(world, at, truth),
            )
        last = max(start for _, _, start in truth)
        ends = {(serial, "energy_wh", last) for serial in POWERS_W}
        _wait(
            everything,
            lambda: world.held(site).keys() >= ends,
            lambda: "the Modbus device's last readings are missing",
        )
    finally:
        for name in everything.names:
            everything.kill(name)
    for serial, power_w in POWERS_W.items():
        _assert_even(
            {k[2]: v for k, v in _of(world, site, (serial,)).items() if k[2] <= last}, power_w, begun
        )
    assert set(everything.kills) == set(everything.names)
    hours = publishing.passed / 12
    print(
        f"\nkilled {everything.kills} within {hours:.1f} h of the roof, of which {len(truth)} readings each way"
    )


def _expected(intervals: int) -> dict[tuple[str, str, int], float]:
    begin = int(BEGIN.timestamp())
    return {(s, "energy_wh", begin + n * 300): energy(s, n) for s in SERIALS for n in range(intervals)}


def _disturb(everything: Everything, dice: random.Random) -> None:
    """Kill and start while the device goes on; then start what does not run, and let the device finish."""
    for _ in range(TURNS):
        everything.turn(dice.choice(everything.names))
        end = time.monotonic() + dice.uniform(0.2, 3.5)
        while time.monotonic() < end:
            everything.publishing.go_on()
            time.sleep(0.2)
    everything.start_all()
    everything.publishing.go_on()
    everything.publishing.finish()


def _commands(
    world: World, mosquitto: Mosquitto, site: str, since: float, folder: Path
) -> dict[str, Callable[[], Any]]:
    service_port, modbus_port = free_port(), free_port()
    config = _configuration(folder, world, mosquitto, site, service_port, modbus_port)
    quick = (sys.executable, "-m", "tests.collect.quick", str(since))
    settings = {
        "YIELDPROOF_DATABASE_URL": world.engine.url.render_as_string(hide_password=False),
        "YIELDPROOF_SECRET_KEY": "0123456789abcdef" * 4,
        "YIELDPROOF_MQTT_URL": mosquitto.url,
        "YIELDPROOF_MQTT_PASSWORD": PASSWORD,
        "YIELDPROOF_MQTT_CA_FILE": mosquitto.ca_file,
    }
    log = {name: folder / f"{name}.log" for name in ("service", "collector", "device")}
    return {
        "service": lambda: started(
            "serve", "--port", str(service_port), environment=settings, log=log["service"]
        ),
        "collector": lambda: started("collect", config, command=quick, log=log["collector"]),
        "device": lambda: started("modbus", str(modbus_port), command=quick, log=log["device"]),
    }


def _configuration(
    folder: Path, world: World, mosquitto: Mosquitto, site: str, service_port: int, modbus_port: int
) -> Path:
    (folder / "token").write_text(world.token)
    (folder / "password").write_text(PASSWORD)
    units = ", ".join(
        f'{{ serial = "{serial}", device = {n} }}' for n, serial in enumerate(POWERS_W, start=1)
    )
    file = folder / "collect.toml"
    file.write_text(f"""{head(folder, f"http://127.0.0.1:{service_port}", site)}
[[source]]
kind = "mqtt"
name = "broker"
url = "{mosquitto.url}"
password = "{PASSWORD}"
ca_file = "{mosquitto.ca_file}"
topic = "collected/+serial"
payload = {{ serial = {{ level = "serial" }}, time = {{ path = "$.at" }}, values = {{ counter_wh = "$.wh" }} }}
[[source]]
kind = "modbus"
name = "loft"
host = "127.0.0.1"
port = {modbus_port}
every_s = 1
timeout_s = 1
unit = [{units}]
register = [{{ kind = "counter_wh", address = 0, type = "float64" }}]
""")
    return file


def _begin(world: World, everything: Everything, direct: str, folder: Path) -> None:
    """Start all, and go on as soon as everybody listens and reads: only from then on nothing may be lost."""

    def all_heard() -> bool:
        everything.start_all()
        everything.publishing.tell([(serial, 0) for serial in SERIALS])
        with reading(world.engine) as session:
            messages = feeds.of_site(session, direct)[0].messages
        return messages > 0 and _collected(folder / "outbox.sqlite") >= {*SERIALS, *POWERS_W}

    wait_until(all_heard, "not everybody is heard", PATIENCE_S)
    time.sleep(SUSPECT_S)


def _collected(outbox: Path) -> set[str]:
    if not outbox.exists():
        return set()
    connection = sqlite3.connect(outbox, timeout=10)
    try:
        return {serial for (serial,) in connection.execute("SELECT DISTINCT serial FROM sample")}
    except sqlite3.OperationalError:  # it is just being made
        return set()
    finally:
        connection.close()


def _of(world: World, site: str, serials: tuple[str, ...]) -> dict[tuple[str, str, int], float]:
    return {key: value for key, value in world.held(site).items() if key[0] in serials}


def _wait(everything: Everything, true: Callable[[], bool], difference: Callable[[], str]) -> None:
    """Wait until it is true, and start what has died."""
    end = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < end, difference()
        everything.start_all()
        time.sleep(0.5)


def _difference(world: World, site: str, truth: dict[tuple[str, str, int], Any]) -> str:
    held = _of(world, site, SERIALS)
    lost, more = sorted(truth.items() - held.items()), sorted(held.items() - truth.items())
    return f"not held: {len(lost)}, as {lost[:5]}; held wrongly: {len(more)}, as {more[:5]}"


def _assert_even(found: dict[int, float], power_w: float, begun: datetime) -> None:
    """Hold that there is no gap, and that each interval and all together have what the power makes."""
    starts = sorted(found)
    assert starts[0] < begun.timestamp() + 300
    assert starts == list(range(starts[0], starts[-1] + 1, 300))
    each, error = power_w * 300 / 3600, power_w * LATENCY_S * SPEED / 3600
    assert all(abs(found[start] - each) < error for start in starts), found
    assert abs(sum(found.values()) - each * len(starts)) < error
