"""The queue: data brings a verification, a pause joins many batches into one, and nothing is lost or doubled."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Barrier
from typing import Any

import pytest
from sqlalchemy import Engine, inspect, text
from sqlalchemy.exc import OperationalError
from sqlmodel import select

from service.jobs import queue, verification
from service.jobs.queue import Jobs, make_queue
from service.settings import Settings
from service.store import sites
from service.store.database import reading, writing
from service.store.tables import Site, VerificationRow
from tests.jobs.roof import bell, heard_site, new_site, of_other_code, samples, send


@pytest.fixture
def jobs(settings: Settings, engine: Engine) -> Iterator[Jobs]:
    """An empty queue beside the test's database."""
    made = make_queue(settings, engine)
    made.huey.storage.flush_all()
    yield made
    made.huey.storage.close()


@pytest.fixture
def runs(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Note every run of the judgement."""
    noted: list[str] = []
    real = verification.verify_site

    def counted(engine: Engine, site_id: str) -> object:
        noted.append(site_id)
        return real(engine, site_id)

    monkeypatch.setattr(queue, "verify_site", counted)
    return noted


def _run_all(jobs: Jobs, later: timedelta = timedelta(0)) -> None:
    """Do what the scheduler and a worker do, as at a later time."""
    now = datetime.now(UTC).replace(tzinfo=None) + later
    for due in jobs.huey.read_schedule(now):
        jobs.huey.enqueue(due)
    while jobs.huey.pending_count():  # an empty queue would be waited for
        jobs.huey.execute(jobs.huey.dequeue(), now)


def _behind(engine: Engine) -> list[str]:
    with reading(engine) as session:
        return list(sites.behind(session, verification.MADE_BY))


def _wait(until: Callable[[], bool], seconds: float = 30) -> None:
    deadline = time.monotonic() + seconds
    while not until():
        assert time.monotonic() < deadline, "waited in vain"
        time.sleep(0.05)


def test_data_is_verified_after_the_pause_and_not_before(jobs: Jobs, engine: Engine, runs: list[str]) -> None:
    site_id = heard_site(engine)
    jobs.enqueue_verify(site_id)
    _run_all(jobs)
    assert runs == []
    _run_all(jobs, timedelta(seconds=queue.PAUSE_S + 1))
    assert runs == [site_id]
    assert _behind(engine) == []


def test_many_batches_in_a_row_are_verified_once(jobs: Jobs, engine: Engine, runs: list[str]) -> None:
    site_id = heard_site(engine)
    for share in (0.7, 0.8, 0.9):
        jobs.enqueue_verify(site_id)
        send(engine, site_id, samples("103", bell() * share))
    jobs.enqueue_verify(site_id)
    _run_all(jobs, timedelta(minutes=1))
    assert runs == [site_id]
    assert _behind(engine) == []


def test_job_that_runs_twice_doubles_nothing(jobs: Jobs, engine: Engine, runs: list[str]) -> None:
    site_id = heard_site(engine)
    jobs.enqueue_verify(site_id)
    jobs.enqueue_verify(site_id)
    _run_all(jobs, timedelta(minutes=1))
    assert runs == [site_id]
    with reading(engine) as session:
        assert len(session.exec(select(VerificationRow)).all()) == 1


def test_sweep_finds_what_a_lost_job_left(jobs: Jobs, engine: Engine, runs: list[str]) -> None:
    lost, fine, silent = heard_site(engine), heard_site(engine), new_site(engine)
    jobs.enqueue_verify(lost)
    jobs.huey.storage.flush_all()
    verification.verify_site(engine, fine)
    jobs.sweep()
    _run_all(jobs)
    assert runs == [lost]
    assert silent not in _behind(engine)


def test_sweep_finds_what_other_code_has_judged(jobs: Jobs, engine: Engine, runs: list[str]) -> None:
    site_id = heard_site(engine)
    verification.verify_site(engine, site_id)
    of_other_code(engine)
    jobs.sweep()
    _run_all(jobs)
    assert runs == [site_id]
    assert _behind(engine) == []


def test_sweep_enqueues_once_what_waits_already(jobs: Jobs, engine: Engine) -> None:
    heard_site(engine), heard_site(engine)
    jobs.sweep()
    jobs.sweep()
    assert jobs.huey.pending_count() == 2


def test_one_site_that_fails_holds_up_no_other(
    jobs: Jobs, engine: Engine, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    broken, _ = heard_site(engine), heard_site(engine)
    real = verification.verify_site

    def fails(engine: Engine, site_id: str) -> object:
        if site_id == broken:
            raise ZeroDivisionError
        return real(engine, site_id)

    monkeypatch.setattr(queue, "verify_site", fails)
    jobs.sweep()
    _run_all(jobs)
    assert _behind(engine) == [broken]
    assert "ZeroDivisionError" in caplog.text


def _failing(monkeypatch: pytest.MonkeyPatch, error: Exception) -> list[str]:
    """Let every verification fail, and note which are tried."""
    tried: list[str] = []

    def fails(_: Engine, site_id: str) -> object:
        tried.append(site_id)
        raise error

    monkeypatch.setattr(queue, "verify_site", fails)
    return tried


def test_site_that_fails_is_tried_and_logged_once_until_its_data_changes(
    jobs: Jobs, engine: Engine, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    site_id = heard_site(engine)
    tried = _failing(monkeypatch, ZeroDivisionError())
    for attempts in (1, 2):
        for _ in range(3):
            jobs.sweep()
            _run_all(jobs)
        jobs.enqueue_verify(site_id)
        _run_all(jobs, timedelta(minutes=1))
        assert tried == [site_id] * attempts
        assert [r.message.count(site_id) for r in caplog.records if r.levelname == "ERROR"] == [1] * attempts
        send(engine, site_id, samples("103", bell()))


def test_fault_of_the_database_is_not_held_against_the_site(
    jobs: Jobs, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    site_id = heard_site(engine)
    tried = _failing(monkeypatch, OperationalError("SELECT 1", {}, Exception("gone")))
    for _ in range(2):
        jobs.sweep()
        _run_all(jobs)
    assert tried == [site_id, site_id]


def test_site_deleted_before_its_job_runs_is_no_error(
    jobs: Jobs, engine: Engine, runs: list[str], caplog: pytest.LogCaptureFixture
) -> None:
    site_id = heard_site(engine)
    jobs.enqueue_verify(site_id)
    with writing(engine) as session:
        sites.delete(session, session.get_one(Site, site_id))
    jobs.enqueue_verify(site_id)
    _run_all(jobs, timedelta(minutes=1))
    assert runs == []
    assert "Traceback" not in caplog.text


def test_jobs_are_kept_as_json(jobs: Jobs, engine: Engine) -> None:
    site_id = heard_site(engine)
    jobs.enqueue_verify(site_id)
    (raw,) = jobs.huey.storage.enqueued_items()
    assert json.loads(raw)["args"] == [site_id, 1]
    (task,) = jobs.huey.pending()
    assert task.eta > datetime.now(UTC).replace(tzinfo=None)


def test_queues_tables_stay_out_of_the_migrated_schema(jobs: Jobs, engine: Engine) -> None:
    assert jobs.huey.pending_count() == 0
    assert not [name for name in inspect(engine).get_table_names() if "queue" in name or name == "task"]
    if engine.dialect.name == "postgresql":
        assert "queue_task" in inspect(engine).get_table_names(schema="jobs")
    else:
        assert Path(str(engine.url.database)).with_suffix(".jobs.sqlite").exists()


def test_consumer_thread_verifies_and_stops(jobs: Jobs, engine: Engine) -> None:
    before = signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)
    site_id = heard_site(engine)
    consumer = queue.start_consumer_thread(jobs)
    try:
        assert (signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)) == before
        _wait(lambda: _behind(engine) == [])
    finally:
        consumer.stop()
    assert not consumer.is_alive()
    send(engine, site_id, samples("103", bell()))
    jobs.sweep()
    assert jobs.huey.pending_count() == 1


WORKER = """
import sys, time
from pathlib import Path
from service.jobs import queue, verification
from service.settings import Settings

marker, slow = Path(sys.argv[1]), sys.argv[2] == "slow"
real = verification.verify

def verify(*inputs):
    marker.write_text("running")
    time.sleep(60 if slow else 0)
    return real(*inputs)

verification.verify = verify
queue.run_worker(queue.make_queue(Settings()))
"""


def _worker(engine: Engine, marker: Path, pace: str) -> subprocess.Popen[bytes]:
    url = engine.url.render_as_string(hide_password=False)
    environment: dict[str, Any] = {**os.environ, "YIELDPROOF_DATABASE_URL": url}
    return subprocess.Popen([sys.executable, "-c", WORKER, str(marker), pace], env=environment)


def test_killed_worker_loses_nothing(jobs: Jobs, engine: Engine, tmp_path: Path) -> None:
    heard_site(engine)
    jobs.sweep()
    marker = tmp_path / "marker"
    killed = _worker(engine, marker, "slow")
    _wait(marker.exists)
    killed.kill()
    killed.wait()
    assert len(_behind(engine)) == 1
    jobs.huey.storage.flush_all()

    # The next worker's first sweep comes at its start.
    healthy = _worker(engine, marker, "fast")
    try:
        _wait(lambda: _behind(engine) == [])
    finally:
        healthy.terminate()
        assert healthy.wait(timeout=30) == 0
    with reading(engine) as session:
        assert len(session.exec(select(VerificationRow)).all()) == 1


def test_postgres_queue_can_be_made_by_many_at_once(engine: Engine, settings: Settings) -> None:
    if engine.dialect.name != "postgresql":
        pytest.skip("SQLite's queue is a file of one host")
    with engine.begin() as connection:
        connection.execute(text("DROP SCHEMA jobs CASCADE"))
        connection.execute(text("CREATE SCHEMA jobs"))
    at_once = Barrier(3)

    def make(_: int) -> int:
        at_once.wait()
        return int(make_queue(settings).huey.pending_count())

    with ThreadPoolExecutor(3) as hosts:
        assert list(hosts.map(make, range(3))) == [0, 0, 0]
    assert len(inspect(engine).get_table_names(schema="jobs")) == 4
