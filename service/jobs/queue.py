"""The queue that runs verifications when data has come, reads files that were brought, and has the weather asked for.

Truth is in the tables, not here.
A site knows the data version and the code it was last verified by; every minute a sweep enqueues whatever is behind.
So a job that is lost is found again, a job that runs twice finds nothing left to do, and new code judges old data anew.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Collection
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Thread
from typing import Any

from huey import Huey, crontab
from huey.consumer import Consumer
from huey.registry import Message
from huey.serializer import Serializer
from huey.storage import PostgresStorage, SqliteStorage
from sqlalchemy import Engine, make_url, text
from sqlalchemy.exc import SQLAlchemyError

from service.intake.fields import INTERVALS_MIN
from service.intake.live import lay
from service.intake.take import NoSuchSite
from service.jobs.fetching import Access, access_of, fetch_next, is_due
from service.jobs.proving import prove_site, unproven_sites
from service.jobs.uploads import work
from service.jobs.verification import MADE_BY, verify_site, work_out_days
from service.settings import Settings
from service.store import feeds, site_days, sites, uploads
from service.store.database import make_engine, reading, writing
from service.store.uploads import Key

log = logging.getLogger(__name__)

SHORTEST = timedelta(minutes=min(INTERVALS_MIN))

PAUSE_S = 2
"""A site is verified once no further batch has come for so long."""

SCHEMA = "jobs"
"""PostgreSQL schema of the queue's tables, which are the queue library's and not ours."""

TABLES_LOCK = 4_720_156
"""Key of the PostgreSQL advisory lock under which one process makes the queue's tables."""

SITES_WITH_OLD_DAYS = 30
"""Sites of which a sweep has a stretch of older days worked out: a fleet's history must not hold up what is new."""

LONGEST_STOP_S = 20
"""How long a running verification may delay the end of the process; the sweep repeats what is cut off."""


class Jobs:
    """The queue with its tasks, on the database's own kind of storage."""

    def __init__(self, huey: Huey, engine: Engine, weather: Access | None = None) -> None:
        """Register the tasks on the queue; `weather` is the open service that may be asked, None for nobody."""
        self.huey = huey
        self.engine = engine
        self.weather = weather
        self._failed: dict[str, int] = {}
        self._verify = huey.task(name="verify")(self._run)
        self._days = huey.task(name="days")(self._work_out_days)
        self._file = huey.task(name="file")(self._read_file)
        self._weather = huey.task(name="weather")(self._fetch_weather)
        self._lay = huey.task(name="lay")(self._lay_site)
        huey.periodic_task(crontab(minute="*"), name="sweep")(self.sweep)
        huey.periodic_task(crontab(minute="*"), name="live")(self.sweep_live)
        huey.periodic_task(crontab(minute="17"), name="forget")(self._forget)

    @property
    def asking(self) -> int:
        """Return how many threads may wait for strangers, beside those that work."""
        return int(self.weather is not None)

    def enqueue_verify(self, site_id: str) -> None:
        """Have the site verified as soon as no more data comes for a moment."""
        with reading(self.engine) as session:
            site = sites.get(session, site_id)
        if site is not None:
            self._verify.schedule((site_id, site.data_version), delay=PAUSE_S)

    def enqueue_file(self, key: Key) -> None:
        """Have a file that was brought looked at or taken in."""
        self._file(*key)

    def sweep(self) -> None:
        """Enqueue every site that is behind, or has marks to prove, and is not waiting already."""
        with reading(self.engine) as session:
            behind = sites.behind(session, MADE_BY)
        waiting = {task.args[0] for task in self.huey.pending() if task.name == "verify"}
        for site_id in dict.fromkeys((*behind, *unproven_sites(self.engine))):
            if site_id not in waiting and self._failed.get(site_id, -1) != behind.get(site_id):
                self._verify(site_id, None)
        self._sweep_days(behind.keys())
        self._sweep_files()
        self._sweep_weather()

    def _sweep_weather(self) -> None:
        """Enqueue one question to the weather service, if one is to be asked for any site."""
        waiting = any(task.name == "weather" for task in self.huey.pending())
        if self.weather is not None and not waiting and is_due(self.engine, self.weather):
            self._weather()

    def _fetch_weather(self) -> None:
        if self.weather is not None:
            fetch_next(self.engine, self.weather)

    def sweep_live(self) -> None:
        """Have intervals made of the values that feeds brought, where any can be complete."""
        with reading(self.engine) as session:
            due = feeds.due(session, before_us=lay.microseconds(datetime.now(UTC) - SHORTEST))
        waiting = {task.args[0] for task in self.huey.pending() if task.name == "lay"}
        for site_id in dict.fromkeys(key.site_id for key in due):
            if site_id not in waiting:
                self._lay(site_id)

    def _forget(self) -> None:
        lay.forget(self.engine, datetime.now(UTC))

    def _lay_site(self, site_id: str) -> None:
        try:
            changed = lay.lay_site(self.engine, site_id, datetime.now(UTC))
        except NoSuchSite:
            return
        if changed:
            self.enqueue_verify(site_id)

    def _sweep_files(self) -> None:
        """Enqueue the files that nobody works on, and drop those that nobody wants."""
        with writing(self.engine) as session:
            uploads.remove_old(session)
            wanted = uploads.waiting(session)
        waiting = {tuple(task.args) for task in self.huey.pending() if task.name == "file"}
        for key in wanted:
            if key not in waiting:
                self._file(*key)

    def _read_file(self, site_id: str, number: int, turn: int) -> None:
        work(self.engine, Key(site_id, number, turn), lambda: self.enqueue_verify(site_id))

    def _sweep_days(self, behind: Collection[str]) -> None:
        """Enqueue a stretch of older days for some sites that have such and are verified."""
        waiting = {task.args[0] for task in self.huey.pending() if task.name == "days"}
        with reading(self.engine) as session:
            due = site_days.sites_due(session, MADE_BY, SITES_WITH_OLD_DAYS)
        for site_id in due:
            if site_id not in behind and site_id not in waiting:
                self._days(site_id)

    def _run(self, site_id: str, version: int | None) -> None:
        with reading(self.engine) as session:
            site = sites.get(session, site_id)
            behind = sites.is_behind(session, site_id, MADE_BY)
        # Newer data than the job knows has brought a job of its own, which waits for the pause.
        if site is None or version not in (None, site.data_version):
            return
        if behind:
            self._verify_once(site_id, site.data_version)
        self._once(site_id, site.data_version, lambda: prove_site(self.engine, site_id))

    def _verify_once(self, site_id: str, version: int) -> None:
        self._once(site_id, version, lambda: verify_site(self.engine, site_id))

    def _work_out_days(self, site_id: str) -> None:
        with reading(self.engine) as session:
            site = sites.get(session, site_id)
        if site is not None:
            self._once(site_id, site.data_version, lambda: work_out_days(self.engine, site_id))

    def _once(self, site_id: str, version: int, work: Callable[[], object]) -> None:
        """Do it, but not again what has failed: it would fail and be logged every minute until the data changes."""
        if self._failed.get(site_id) == version:
            return
        try:
            work()
        except SQLAlchemyError:  # no fault of the site
            raise
        except Exception:
            self._failed[site_id] = version
            log.exception("site %s cannot be verified; it is tried again when its data changes", site_id)


class JsonSerializer(Serializer):  # type: ignore[misc]  # the library is untyped
    """Writes jobs as JSON: the default, pickle, would run the code of whoever can write to the database."""

    def _serialize(self, data: Message) -> bytes:
        return json.dumps(data._asdict(), default=datetime.isoformat).encode()

    def _deserialize(self, data: bytes) -> Message:
        found = json.loads(data)
        for name in ("eta", "expires_resolved"):
            found[name] = datetime.fromisoformat(found[name]) if found[name] else None
        return Message(**found)


def make_queue(settings: Settings, engine: Engine | None = None) -> Jobs:
    """Return the queue beside the settings' database: a file of its own, or a schema in PostgreSQL."""
    engine = engine or make_engine(settings.database_url)
    storage = _postgres(engine) if engine.dialect.name == "postgresql" else _sqlite(engine)
    return Jobs(
        Huey("yieldproof", results=False, serializer=JsonSerializer(), **storage), engine, access_of(settings)
    )


def _sqlite(engine: Engine) -> dict[str, Any]:
    path = Path(str(engine.url.database))
    return {"storage_class": SqliteStorage, "filename": str(path.with_suffix(f".jobs{path.suffix}"))}


def _postgres(engine: Engine) -> dict[str, Any]:
    url = make_url(engine.url).set(drivername="postgresql")
    place = {
        "dsn": url.render_as_string(hide_password=False),
        "options": f"-c search_path={SCHEMA}",
        "table_prefix": "queue",
    }
    with engine.begin() as connection:
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": TABLES_LOCK})
        PostgresStorage("yieldproof", **place).close()
    return {"storage_class": PostgresStorage, "create_tables": False, **place}


# Consumers


class _QuietConsumer(Consumer):  # type: ignore[misc]  # the library is untyped
    """A consumer that leaves the process's signals to the server it lives in."""

    def _set_signal_handlers(self) -> None:
        pass


class ConsumerThread:
    """A consumer inside another process, for the embedded default."""

    def __init__(self, jobs: Jobs) -> None:
        """Start it."""
        self._consumer = _QuietConsumer(
            jobs.huey, workers=1 + jobs.asking, max_delay=1, shutdown_timeout=LONGEST_STOP_S
        )
        self._thread = Thread(target=self._consumer.run, name="jobs", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Stop taking jobs and wait for the one that runs."""
        self._consumer.stop(graceful=True)
        self._thread.join(LONGEST_STOP_S)

    def is_alive(self) -> bool:
        """Return whether jobs are still being taken."""
        return self._thread.is_alive()


def start_consumer_thread(jobs: Jobs) -> ConsumerThread:
    """Run jobs in threads of this process until `stop` is called."""
    return ConsumerThread(jobs)


def run_worker(jobs: Jobs, workers: int = 1) -> None:
    """Run jobs in this process until it is told to end; a running job is finished first."""
    jobs.huey.create_consumer(
        workers=workers + jobs.asking, max_delay=1, shutdown_timeout=LONGEST_STOP_S, graceful_signal="TERM"
    ).run()
