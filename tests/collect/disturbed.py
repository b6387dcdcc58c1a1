"""A collector and the real service with everything in between going wrong: lost, doubled, late, killed, restarted."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from math import sin
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import httpx
import numpy as np
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule, run_state_machine_as_test
from pydantic import SecretStr
from sqlalchemy import Engine

from service.collect import disk
from service.collect.clock import Clock
from service.collect.config import ServicePart
from service.collect.laying import Laying
from service.collect.layout import Layout
from service.collect.outbox import Outbox
from service.collect.sender import Sender
from service.collect.service import Service
from service.intake.live.model import Sample
from service.intake.record import as_stored, read_record
from service.settings import Settings
from service.store import accounts, readings, sites
from service.store.database import reading, writing
from service.web.app import create_app
from tests.jobs.roof import record

MORNING = datetime(2026, 6, 14, 8, 0, tzinfo=UTC)
COUNTED, MEASURED, TOLD = "101", "102", "103"
"""Units that tell a running counter, a power, and the energy of each interval."""
FAULTS = (
    "lost request", "lost answer", "doubled", "answered with 500", "slow down", "heard meanwhile", "killed before",
    "killed after",
)  # fmt: skip
IN_MEMORY = "/dev/shm"  # noqa: S108 - thousands of runs spare the disk; nothing secret is in them
STEP = 2e-4
"""Readings are sent with four decimals, as single floats: one that lies between two may go either way."""
LABELLED = {"energies": Layout(5, label="start")}


class Killed(BaseException):
    """The process is gone in this moment."""


@dataclass
class World:
    """The service, for as many sites as are wanted."""

    engine: Engine
    token: str

    def site(self, *more: str) -> str:
        """Make a site, with units more than the usual three."""
        given = record()
        given["units"] += [{**given["units"][0], "serial": serial} for serial in more]
        with writing(self.engine) as session:
            return sites.create(session, as_stored(read_record(given))).id

    def app(self) -> TestClient:
        """Return the service as it is after a start."""
        url = self.engine.url.render_as_string(hide_password=False)
        made = Settings(_env_file=None, database_url=url, secret_key=SecretStr("k" * 64), run_worker=False)
        return TestClient(create_app(made, engine=self.engine))

    def held(self, site: str) -> dict[tuple[str, str, int], float]:
        """Return what the service holds, by serial, channel and start."""
        found = {}
        with reading(self.engine) as session:
            end = MORNING + timedelta(days=9)
            for s in readings.kept(session, site, start=MORNING - timedelta(days=9), end=end):
                for at, value in zip(s.starts.tolist(), s.values.tolist(), strict=True):
                    if np.isfinite(value):
                        found[s.serial, s.channel, at] = value
        return found


@contextmanager
def world_on(engine: Engine) -> Iterator[World]:
    """Give the service on a migrated database."""
    with writing(engine) as session:
        token = accounts.create_token(session, "collector")
    yield World(engine, token)


class Wire(httpx.BaseTransport):
    """The way to the service, with the next faults on it."""

    def __init__(self, app: TestClient) -> None:
        self.app = app
        self.faults: list[str | None] = []
        self.meanwhile: Callable[[], object] = lambda: None
        self.asked: list[tuple[str, str]] = []
        self.date: datetime | None = None

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        """Bring a request over, or not."""
        fault = self.faults.pop(0) if self.faults else None
        if fault == "lost request":
            raise httpx.ConnectError("refused", request=request)
        if fault == "killed before":
            raise Killed
        if fault == "answered with 500":
            return httpx.Response(500, request=request)
        if fault == "slow down":
            return httpx.Response(429, headers={"Retry-After": "1"}, request=request)
        self.asked.append((request.method, request.url.path))
        answer = self._over(request)
        if fault == "doubled":
            answer = self._over(request)
        if fault == "heard meanwhile":
            self.meanwhile()
        if fault == "killed after":
            raise Killed
        if fault == "lost answer":
            raise httpx.ReadError("reset", request=request)
        return httpx.Response(answer.status_code, content=answer.content, headers=self._headers(answer))

    def _headers(self, answer: Any) -> dict[str, str]:
        """Return the headers that pass; the application itself tells no date, its server does."""
        kept = {name: answer.headers[name] for name in ("location", "retry-after") if name in answer.headers}
        return kept | ({"Date": format_datetime(self.date, usegmt=True)} if self.date else {})

    def _over(self, request: httpx.Request) -> Any:
        headers = {k: v for k, v in request.headers.items() if k in PASSED}
        return self.app.request(
            request.method, request.url.raw_path.decode(), content=request.read(), headers=headers
        )


PASSED = ("authorization", "content-type", "yieldproof-source")


class Fragile(Outbox):
    """An outbox whose process may be killed just before or after any of its commits."""

    commits_left: int | None = None
    after_commit = False

    @contextmanager
    def _writing(self) -> Iterator[Any]:
        dies = self.commits_left == 0
        if self.commits_left is not None:
            self.commits_left -= 1
        with super()._writing() as db:
            yield db
            if dies and not self.after_commit:
                raise Killed
        if dies:
            raise Killed


class Told(Clock):
    """A clock that is set by hand."""

    time = MORNING

    def latest(self) -> datetime:
        """Return the time it was set to."""
        return self.time

    def now(self) -> datetime:
        """Return the time it was set to."""
        return self.time


class Collector:
    """A collector on a file, started as often as it was killed."""

    def __init__(self, world: World, folder: Path, app: TestClient, **service: Any) -> None:
        self.site = world.site()
        self.mappings: dict[str, str | None] = {}
        self.clock = Told()
        self.wire = Wire(app)
        given = {"url": "http://service.test", "site": self.site, "token": world.token, **service}
        self._part = ServicePart.model_validate(given)
        self.token = given["token"]
        self._path = folder / f"{self.site}.sqlite"
        self.start()

    def start(self) -> None:
        """Open the outbox again, with nothing left in memory."""
        connection, said = disk.opened(self._path, 100)
        assert said is None
        self.outbox = Fragile(connection, 100, self.clock, "session")
        self.sender = Sender(
            self.outbox,
            Service(self._part, transport=self.wire),
            Laying(LABELLED, Layout(5)),
            self.clock,
            session="session",
            mappings=self.mappings,
        )

    def kill(self) -> None:
        """Lose everything that is not on the disk, and start again."""
        self.outbox.close()
        self.start()

    def hear(self, samples: list[Sample]) -> None:
        """Take samples as a source does."""
        for sample in samples:
            self.outbox.samples("energies" if sample.kind.startswith("energy") else "hub", [sample])

    def sent(self) -> dict[tuple[str, str, int], float]:
        """Return what the outbox holds to be acknowledged."""
        rows = self.outbox._read("SELECT serial, channel, start, value FROM reading WHERE state = 'sent'", ())
        return {(serial, channel, start): value for serial, channel, start, value in rows}

    def send_all(self) -> None:
        """Send until there is nothing left, over a wire without faults."""
        self.wire.faults = []
        self.clock.time += timedelta(hours=2)
        self.sender.step()
        assert self.outbox.due(1, newest_first=True) == []


def heard_at(at: datetime) -> list[Sample]:
    """Return what the three units say at a moment; energies once per interval."""
    found = [
        Sample(COUNTED, "counter_wh", at, counted_at(at.timestamp())),
        Sample(MEASURED, "power_w", at, 150 + 100 * sin(at.timestamp() / 700)),
    ]
    if at.timestamp() % 300 == 0:
        found.append(Sample(TOLD, "energy_wh", at, energy_of(at.timestamp())))
    return found


def counted_at(second: float) -> float:
    """Return what the counter stands at: it runs fast and slow, never back."""
    passed = second - MORNING.timestamp()
    return 5000 + 180 * passed / 3600 + 20 * sin(passed / 1000)


def energy_of(start: float) -> float:
    """Return the energy of an interval: another one in each."""
    return 1 + start // 300 % 13


class Disturbed(RuleBasedStateMachine):
    """Whatever happens in between, the service ends up with what it would have had without."""

    world: World

    @initialize()
    def begin(self) -> None:
        """Start two collectors: what disturbs the one never happens to the other."""
        self.folder = TemporaryDirectory(dir=IN_MEMORY if Path(IN_MEMORY).is_dir() else None)
        app = self.world.app()
        self.disturbed = Collector(self.world, Path(self.folder.name), app)
        self.quiet = Collector(self.world, Path(self.folder.name), app)
        self.at = MORNING
        self.all: list[Sample] = []
        self.late: list[Sample] = []

    @rule(
        steps=st.lists(st.sampled_from([30, 60, 90, 300, 600, 2700, 5400]), min_size=1, max_size=12),
        data=st.data(),
    )
    def hear(self, steps: list[int], data: st.DataObject) -> None:
        """Hear the units for a while; some of it is held up on the way."""
        for seconds in steps:
            self.at += timedelta(seconds=seconds)
            for sample in heard_at(self.at):
                self.all.append(sample)
                if data.draw(st.integers(0, 3)) == 0:
                    self.late.append(sample)
                else:
                    self._hear([sample])
        self.disturbed.clock.time = self.at

    @rule(data=st.data())
    def hear_late(self, data: st.DataObject) -> None:
        """Hear what was held up, in any order."""
        count = data.draw(st.integers(0, len(self.late)))
        for _ in range(count):
            self._hear([self.late.pop(data.draw(st.integers(0, len(self.late) - 1)))])

    @rule(data=st.data())
    def hear_again(self, data: st.DataObject) -> None:
        """Hear again what was heard before: a broker may say things twice."""
        known = [sample for sample in self.all if sample not in self.late]
        if known:
            self._hear(data.draw(st.lists(st.sampled_from(known), max_size=8)))

    @rule(faults=st.lists(st.sampled_from((None, *FAULTS)), max_size=4))
    def send(self, faults: list[str | None]) -> None:
        """Let the sender do what it can, over a wire with faults."""
        self.disturbed.wire.faults = list(faults)
        self.disturbed.wire.meanwhile = self._hear_some_late
        self._or_killed(self.disturbed.sender.step)

    @rule(commits=st.integers(0, 5), after=st.booleans())
    def have_it_killed(self, commits: int, after: bool) -> None:
        """Arrange that the collector is killed at one of its next commits."""
        self.disturbed.outbox.commits_left, self.disturbed.outbox.after_commit = commits, after

    @rule()
    def kill(self) -> None:
        """Kill the collector now."""
        self.disturbed.kill()

    @rule()
    def restart_the_service(self) -> None:
        """Start the service again on the same database."""
        self.disturbed.wire.app = self.world.app()

    @rule()
    def compare_what_was_acknowledged(self) -> None:
        """Everything that the collector takes for sent is there, as it was sent."""
        held = self.world.held(self.disturbed.site)
        for key, value in self.disturbed.sent().items():
            assert held.get(key) == np.float32(value), key

    def teardown(self) -> None:
        """Let everything arrive, and compare with the run that nothing disturbed."""
        try:
            if hasattr(self, "quiet"):
                self._finish()
        finally:
            if hasattr(self, "folder"):
                self.folder.cleanup()

    def _finish(self) -> None:
        self.disturbed.kill()
        self.disturbed.hear(self.late)
        self.quiet.hear(self.all)
        for collector in (self.disturbed, self.quiet):
            collector.clock.time = self.at
            collector.send_all()
        self.compare_what_was_acknowledged()
        held, quiet = (self.world.held(c.site) for c in (self.disturbed, self.quiet))
        assert held.keys() == quiet.keys()
        assert np.allclose([held[key] for key in quiet], list(quiet.values()), rtol=0, atol=STEP)
        assert_true(held, self.all)
        for collector in (self.disturbed, self.quiet):
            collector.outbox.close()

    def _hear_some_late(self) -> None:
        self.disturbed.hear(self.late[:3])
        del self.late[:3]

    def _hear(self, samples: list[Sample]) -> None:
        """Hear samples; a source that was killed before they were kept hears them again."""
        while not self._or_killed(lambda: self.disturbed.hear(samples)):
            pass

    def _or_killed(self, doing: Any) -> bool:
        try:
            doing()
        except Killed:
            self.disturbed.kill()
            return False
        return True


def assert_true(held: dict[tuple[str, str, int], float], heard: list[Sample]) -> None:
    """Compare what is held with what the units truly did.

    Energies are there as they were told, each once. From border to border of a stretch without a gap the counter's
    intervals add up to what it went on, a straight line between the two times at which it was read around a border.
    """
    told = {
        (TOLD, "energy_wh", int(s.at.timestamp())): energy_of(s.at.timestamp())
        for s in heard
        if s.serial == TOLD
    }
    assert told == {key: value for key, value in held.items() if key[0] == TOLD}
    counted = sorted((s.at.timestamp(), s.value) for s in heard if s.serial == COUNTED)
    for first, last, energy in _stretches(
        {start: v for (serial, _, start), v in held.items() if serial == COUNTED}
    ):
        before, after = np.interp([first, last + 300], *zip(*counted, strict=True))
        assert abs(energy - (after - before)) < 0.01, (first, last)


def _stretches(found: dict[int, float]) -> Iterator[tuple[int, int, float]]:
    """Give first and last start of each stretch without a gap, and the sum of its values."""
    first, energy = 0, 0.0
    for start in sorted(found):
        first = start if start - 300 not in found else first
        energy = found[start] + (0.0 if start == first else energy)
        if start + 300 not in found:
            yield first, start, energy


def run_disturbed(world: World, examples: int) -> None:
    """Disturb so many collectors, each in its own way."""
    machine = type("Disturbed", (Disturbed,), {"world": world})
    chosen = settings(
        max_examples=examples,
        stateful_step_count=20,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    run_state_machine_as_test(machine, settings=chosen)
