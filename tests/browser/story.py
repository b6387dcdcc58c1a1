"""The ground of the stories: a server that does its background work, small invented roofs, and readings to come.

The roofs are the demo's kind, simulated and sent in through the API as any program would.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import httpx
from pydantic import SecretStr
from sqlalchemy import Engine

from service.demo.scenario import DemoSite, Fault, Roof
from service.demo.simulate import DAYS, DemoReadings, simulate
from service.jobs import queue
from service.settings import Settings
from service.store import accounts
from service.store.database import writing
from tests.browser.house import new_database, serving
from tests.web.visit import Person, add_person, assign

LONGEST_WAIT_S = 60
"""Far above what it takes, for loaded machines: speed is for benchmarks."""

DEAD_UNIT = 5
SKIES = ("clear", "fair", "clear", "broken", "clear", "fair", "clear")

MILLRACE = DemoSite(
    name="Millrace 7",
    latitude=17.2, longitude=-96.7, elevation_m=1550, timezone="America/Mexico_City",
    roofs=(Roof("south roof", 15, 180, 2, 4),),
    module_w=400, inverter_w=350, box=615202, air_c=(18.0, 22.0),
    skies=SKIES, interval_min=15,
    faults=(Fault("no_output", (DEAD_UNIT,), from_day=3.5),),
)  # fmt: skip
"""One unit dies on the fourth day; so near the equator there is light in every season."""

SADDLERS = DemoSite(
    name="Saddlers Yard",
    latitude=17.2, longitude=-96.7, elevation_m=1550, timezone="America/Mexico_City",
    roofs=(Roof("yard side", 25, 100, 2, 4), Roof("lane side", 25, 280, 2, 4)),
    module_w=400, inverter_w=350, box=733910, air_c=(18.0, 22.0),
    skies=SKIES, interval_min=15,
)  # fmt: skip
DRAWN_AZIMUTH_DEG = 20.0
"""What the record of the lane side says: whoever drew it had the drawing turned."""


@dataclass(frozen=True)
class Ground:
    """The server's address, two people and a token for programs."""

    address: str
    engine: Engine
    office: Person
    installer: Person
    token: str

    def api(self) -> httpx.Client:
        """Return a client as programs are."""
        headers = {"Authorization": f"Bearer {self.token}"}
        return httpx.Client(base_url=f"{self.address}/api/v1", headers=headers, trust_env=False)

    def send(self, site_id: str, readings: DemoReadings) -> None:
        """Send readings and wait until they are verified."""
        with self.api() as client:
            receipt = client.post(f"/sites/{site_id}/readings", json=readings.table())
            assert receipt.status_code == 200, receipt.text
            assert receipt.json()["rejected"] == 0, receipt.text
            assert client.get(f"/sites/{site_id}/verification", timeout=LONGEST_WAIT_S).status_code == 200

    def new_site(self, site: DemoSite, now: datetime, **changes: Any) -> str:
        """Make the site from its record, changed as given, with a week of readings up to now; return its id."""
        record = {**site.record((today(site) - timedelta(DAYS - 1)).isoformat()), **changes}
        with self.api() as client:
            answer = client.post("/sites", json=record)
        assert answer.status_code == 201, answer.text
        site_id = str(answer.json()["id"])
        assign(self.engine, self.installer, site_id)
        self.send(site_id, so_far(site, now))
        return site_id


@contextmanager
def ground(folder: Path) -> Iterator[Ground]:
    """Serve an empty house that verifies in the background, as `serve` does."""
    engine = new_database(folder)
    office, installer = (
        add_person(engine, "office", "Maud Tolliver"),
        add_person(engine, "installer", "Isko Renn"),
    )
    with writing(engine) as session:
        token = accounts.create_token(session, "stories")
    settings = Settings(
        database_url=engine.url.render_as_string(hide_password=False),
        secret_key=SecretStr("0" * 32),
        _env_file=None,
    )
    jobs = queue.make_queue(settings, engine)
    consumer = queue.start_consumer_thread(jobs)
    with serving(engine, jobs=jobs) as address:
        yield Ground(address, engine, office, installer, token)
    consumer.stop()
    engine.dispose()


def today(site: DemoSite) -> date:
    """Return the day that it is on the site."""
    return datetime.now(ZoneInfo(site.timezone)).date()


def so_far(site: DemoSite, now: datetime) -> DemoReadings:
    """Return a week's readings up to now."""
    return _part(simulate(site, today(site) + timedelta(1)), before=now)


def from_now_on(site: DemoSite, now: datetime, *, days: int) -> DemoReadings:
    """Return the readings from now until so many days from tomorrow on, with nothing wrong any more."""
    return _part(simulate(replace(site, faults=()), today(site) + timedelta(days + 1)), since=now)


def _part(
    week: DemoReadings, *, since: datetime | None = None, before: datetime | None = None
) -> DemoReadings:
    step = timedelta(minutes=week.interval_min)
    first = -(-(since - week.start) // step) if since else 0
    last = (before - week.start) // step if before else None
    rows = {serial: row[first:last] for serial, row in week.energy_wh.items()}
    return DemoReadings(week.start + first * step, week.interval_min, rows)


def soon(tab: Any, is_so: Callable[[], bool]) -> None:
    """Read the page again until it says so."""
    latest = time.monotonic() + LONGEST_WAIT_S
    while not is_so():
        assert time.monotonic() < latest, tab.locator("main").inner_text()
        time.sleep(0.5)
        tab.reload()
