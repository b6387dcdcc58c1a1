"""Kills and starts broker and service at random moments while a device sends, and counts what is kept.

Random moments seldom fall between keeping and acknowledging, and less often on a message that no later one repeats. So
the service is also told to die right there, of a message that is sent this once.

The device has an energy for each unit and interval and a counter that runs on. It sends pieces of both, out of order
and again, and takes as sent what the broker acknowledged; what it sent shortly before the broker was killed it sends
again, since a broker writes to its disk after it has acknowledged. In the end everything is to be kept, once.
"""

from __future__ import annotations

import json
import os
import signal
import time
from collections import deque
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from itertools import count, pairwise, product
from multiprocessing import get_context
from typing import Any

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule
from sqlalchemy import Engine

from service.intake.live import broker as broker_module
from service.intake.live import lay, listener
from service.intake.live.broker import Broker, Message, Receiver
from service.store import feeds, readings, sites
from service.store.database import make_engine, reading, writing
from service.store.feeds import Key
from tests.broker import Mosquitto, Sender
from tests.intake.roof import SERIALS, record

NOON = datetime(2026, 6, 14, 12, tzinfo=UTC)
INTERVALS = 24
SPECS = (
    {"values": {"energy_wh": "$.e"}, "label": "start"},
    {"values": {"counter_wh": "$.c"}},
)
COMMON = {"serial": {"level": "serial"}, "time": {"path": "$.t"}, "interval_min": 5}
METERED, COUNTED = SERIALS[:2], SERIALS[2:]
PATIENCE_S, SLOW_S = 60, 0.07
UNDERWAY_S = 1.0
"""An acknowledgement is with the broker within so long, busy as the machine may be."""
AGAIN_S = 0.5
"""Within so long after a connection the broker sends again what was not acknowledged."""
SUSPECT_S = 2.0
"""What a broker acknowledged so shortly before it was killed need not be on its disk."""

MOMENTS = ("before keep", "after keep", "after acknowledge", "before lay", "after lay")
"""At which the service dies if it is told."""
NEVER = -1

PROCESSES = get_context("forkserver")
PROCESSES.set_forkserver_preload(["service.intake.live.listener"])
_numbers = count()


def serve(url: str, broker: Broker, site_id: str, dies: Any) -> None:
    """Be the service: listen, and lay what has come, over and over; `dies` has a moment's place and a message."""
    listener.REFRESH_S, listener.STANDBY_S, listener.WAIT_S = 0.05, 0.05, 0.01  # type: ignore[assignment]
    broker_module.FIRST_BACK_OFF_S, broker_module.LONGEST_BACK_OFF_S = 0.05, 0.1  # type: ignore[assignment]
    # On a slow disk a kill falls between keeping and acknowledging, or between an interval and its being settled.
    listener.keep = _slow(listener.keep, "keep", dies)
    Receiver.kept = _slow(Receiver.kept, "acknowledge", dies)  # type: ignore[method-assign]
    lay.take_samples = _slow(lay.take_samples, "lay", dies)  # type: ignore[assignment]
    engine = make_engine(url)
    listener.ListenerThread(engine, broker)
    while True:
        lay.lay_site(engine, site_id, datetime.now(UTC))
        time.sleep(0.05)


def _slow(work: Callable[..., Any], name: str, dies: Any) -> Callable[..., Any]:
    def slowly(*given: Any, **named: Any) -> Any:
        _wait(f"before {name}", given, dies)
        done = work(*given, **named)
        _wait(f"after {name}", given, dies)
        return done

    return slowly


def _wait(moment: str, given: Any, dies: Any) -> None:
    time.sleep(SLOW_S)
    place, message = dies
    if place != NEVER and MOMENTS[place] == moment and ("lay" in moment or _has(given[-1], message)):
        dies[0] = NEVER
        time.sleep(UNDERWAY_S if moment == "after acknowledge" else 0)
        os.kill(os.getpid(), signal.SIGKILL)


def _has(messages: Sequence[Message], number: int) -> bool:
    return any(json.loads(message.payload).get("last") == number for message in messages)


class Killed(RuleBasedStateMachine):
    """One run: a broker, a service, a device."""

    engine: Engine
    mosquitto: Mosquitto

    @initialize()
    def begin(self) -> None:
        self.mosquitto.start()
        self.root = f"killed{next(_numbers)}-{id(self)}"
        with writing(self.engine) as session:
            self.site_id = sites.create(session, record()).id
            for place, spec in enumerate(SPECS):
                topic = f"{self.root}/{place}/+serial"
                feeds.make(session, self.site_id, topic, {**COMMON, **spec}, enabled=True)
        self.broker = self.mosquitto.as_seen(f"{self.root}-service")
        self.device = Sender(self.mosquitto, f"{self.root}-device")
        self.process: Any = None
        self.dies = PROCESSES.Array("i", [NEVER, 0], lock=False)
        self.sent: deque[tuple[float, str, str]] = deque()
        self.energies: dict[tuple[str, int], float] = {}
        self.counters: dict[tuple[str, int], float] = {}
        self._start()
        # A broker keeps for a session what comes after its subscription, of which only a message tells.
        _until(self._is_heard, every=0.1)

    @rule(unit=st.sampled_from(METERED), places=st.lists(st.integers(0, INTERVALS - 1), max_size=12))
    def send_energies(self, unit: str, places: list[int]) -> None:
        for place in places:
            energy = self.energies.setdefault((unit, place), _energy(unit, place))
            self._send(0, unit, place, {"e": energy})

    @rule(unit=st.sampled_from(COUNTED), places=st.lists(st.integers(0, INTERVALS), max_size=12))
    def send_counters(self, unit: str, places: list[int]) -> None:
        for place in places:
            total = self.counters.setdefault((unit, place), 500.0 + 20 * place + place % 3)
            self._send(1, unit, place, {"c": total})

    @precondition(lambda self: self.sent)
    @rule(most=st.integers(1, 20))
    def send_again(self, most: int) -> None:
        for _, topic, payload in list(self.sent)[-most:]:
            self.device.send(topic, payload)

    @rule(ms=st.integers(0, 200))
    def wait(self, ms: int) -> None:
        time.sleep(ms / 1000)

    @rule()
    def kill_service(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.join()
            self.process = None

    @precondition(lambda self: len(self.energies) < len(METERED) * INTERVALS)
    @rule(moment=st.sampled_from(MOMENTS))
    def die(self, moment: str) -> None:
        """Send an energy that no other message repeats, and have the service die of it."""
        self.start_broker()
        number = next(_numbers)
        unit, place = next(key for key in product(METERED, range(INTERVALS)) if key not in self.energies)
        self.energies[unit, place] = energy = _energy(unit, place)
        self.dies[:] = [MOMENTS.index(moment), number]
        self._start()
        self._send(0, unit, place, {"e": energy, "last": number})
        self.process.join(PATIENCE_S)
        assert self.process.exitcode == -signal.SIGKILL, f"the service never came to {moment}"
        self.process = None
        if "lay" not in moment:
            assert _has(self._unacknowledged(), number) == (moment != "after acknowledge"), moment

    @rule()
    def start_service(self) -> None:
        self._start()

    @rule(how=st.sampled_from([signal.SIGKILL, signal.SIGTERM]))
    def kill_broker(self, how: signal.Signals) -> None:
        self.mosquitto.kill(how)

    @rule()
    def start_broker(self) -> None:
        before = self.mosquitto.process
        self.mosquitto.start()
        if before is None:
            self._send_suspects()

    def teardown(self) -> None:
        if not hasattr(self, "process"):
            return
        try:
            self.start_broker()
            self._start()
            _until(self.device.is_done)
            _until(lambda: self._kept() == self._expected())
        finally:
            kept, expected = self._kept(), self._expected()
            self.kill_service()
            self.device.close()
        lost, more = expected.items() - kept.items(), kept.items() - expected.items()
        assert kept == expected, (
            f"expected and not kept: {sorted(lost)}; kept and not expected: {sorted(more)}"
        )

    # What is done

    def _start(self) -> None:
        if self.process is None:
            url = self.engine.url.render_as_string(hide_password=False)
            given = (url, self.broker, self.site_id, self.dies)
            self.process = PROCESSES.Process(target=serve, args=given, daemon=True)
            self.process.start()

    def _send(self, feed: int, unit: str, place: int, value: dict[str, float]) -> None:
        at = (NOON + timedelta(minutes=5 * place)).isoformat()
        topic, payload = f"{self.root}/{feed}/{unit}", json.dumps({"t": at, **value})
        self.sent.append((time.monotonic(), topic, payload))
        self.device.send(topic, payload)

    def _send_suspects(self) -> None:
        """Send again what the broker may have acknowledged and forgotten."""
        latest = self.sent[-1][0] if self.sent else 0.0
        for at, topic, payload in list(self.sent):
            if at > latest - SUSPECT_S:
                self.device.send(topic, payload)

    def _is_heard(self) -> bool:
        for place in range(len(SPECS)):
            self.device.send(f"{self.root}/{place}/{SERIALS[0]}", "{}")
        with reading(self.engine) as session:
            return all(feed.messages for feed in feeds.of_site(session, self.site_id))

    def _unacknowledged(self) -> list[Message]:
        """Return what the broker sends again to the service, in whose place this listens for a moment."""
        receiver = Receiver(self.broker)
        try:
            _until(lambda: receiver.connected)
            return receiver.take(AGAIN_S, 1000)
        finally:
            receiver.close()

    # What is kept, and what is to be

    def _kept(self) -> dict[tuple[str, str, int], float]:
        found: dict[tuple[str, str, int], float] = {}
        with reading(self.engine) as session:
            for feed in (1, 2):
                for value in feeds.values_between(session, Key(self.site_id, feed), 0, 2**62):
                    place = (value.at_us // 1_000_000 - int(NOON.timestamp())) // 300
                    assert (value.kind, value.serial, place) not in found, "a value is kept twice"
                    found[value.kind, value.serial, place] = value.value
            for one in readings.kept(session, self.site_id, start=NOON, end=NOON + timedelta(hours=3)):
                for start, wh in zip(one.starts.tolist(), one.values.tolist(), strict=True):
                    found["kept", one.serial, (start - int(NOON.timestamp())) // 300] = round(wh, 3)
        return found

    def _expected(self) -> dict[tuple[str, str, int], float]:
        """Return every value sent, and the energies that they make, worked out one by one."""
        found = {("energy_wh", *key): value for key, value in self.energies.items()}
        found |= {("counter_wh", *key): value for key, value in self.counters.items()}
        found |= {("kept", *key): value for key, value in self.energies.items()}
        for unit in COUNTED:
            places = sorted(place for serial, place in self.counters if serial == unit)
            for first, last in pairwise(places):
                made = self.counters[unit, last] - self.counters[unit, first]
                if last - first <= 12:  # an hour
                    each = round(made / (last - first), 3)
                    found |= {("kept", unit, place): each for place in range(first, last)}
        return found


def _energy(unit: str, place: int) -> float:
    return 1.0 + (place * 7 + int(unit)) % 25


def _until(true: Any, *, every: float = 0.02) -> None:
    end = time.monotonic() + PATIENCE_S
    while not true() and time.monotonic() < end:
        time.sleep(every)


def machine(engine: Engine, mosquitto: Mosquitto) -> type[Killed]:
    """Return the machine on that database and broker."""
    return type("Killed", (Killed,), {"engine": engine, "mosquitto": mosquitto})
