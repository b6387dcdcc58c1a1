"""The commands that start something: `demo`, `serve`, `worker`, and `migrate`, which comes before them."""

from __future__ import annotations

import logging
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.plain import open_database, remark
from service.settings import default_data_dir, load_settings, needed_secret_key
from service.store.database import make_engine
from service.store.migrate import upgrade

if TYPE_CHECKING:
    from sqlalchemy import Engine

    from service.jobs.queue import Jobs
    from service.settings import Settings


def demo(
    port: Annotated[int, typer.Option(help="Port of the pages.")] = 8000,
    data_dir: Annotated[Path | None, typer.Option(help="Folder for the demo's database.")] = None,
) -> None:
    """Show the program at work on invented roofs: no set-up, no account, nothing leaves this computer."""
    from service.demo.run import run_demo

    _log_to_stderr(logging.WARNING)
    run_demo(port=port, data_dir=data_dir or default_data_dir() / "demo")


def serve(
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(help="Port to listen on.")] = 8000,
) -> None:
    """Serve pages and API; unless YIELDPROOF_RUN_WORKER is false, run background jobs too."""
    import uvicorn

    from service.jobs.queue import make_queue
    from service.web.app import create_app

    settings = load_settings()
    needed_secret_key(settings)
    engine = open_database(settings)
    jobs = make_queue(settings, engine)
    app = create_app(settings, engine=engine, jobs=jobs)
    _log_to_stderr(logging.INFO)
    # The server raises the signal again once it has shut down; by default that ends the process before its jobs.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    with (
        _jobs_beside(jobs, wanted=settings.run_worker),
        _listener_beside(settings, engine, wanted=settings.run_worker),
    ):
        uvicorn.run(
            app, host=host, port=port, proxy_headers=True, forwarded_allow_ips=settings.trusted_proxies
        )


def worker(
    workers: Annotated[int, typer.Option(min=1, help="Jobs that run at the same time.")] = 1,
) -> None:
    """Run background jobs; any number of workers on any number of hosts share one PostgreSQL database."""
    from service.jobs.queue import make_queue, run_worker

    settings = load_settings()
    engine = open_database(settings)
    jobs = make_queue(settings, engine)
    _log_to_stderr(logging.INFO)
    with _listener_beside(settings, engine, wanted=True):
        run_worker(jobs, workers)


def migrate() -> None:
    """Bring the database to the schema that this version needs; what is kept in it stays."""
    engine = make_engine(load_settings().database_url)
    upgrade(engine)
    remark(f"The database at {engine.url} is ready.")


@contextmanager
def _jobs_beside(jobs: Jobs, *, wanted: bool) -> Iterator[None]:
    from service.jobs.queue import start_consumer_thread

    consumer = start_consumer_thread(jobs) if wanted else None
    try:
        yield
    finally:
        if consumer is not None:
            consumer.stop()


@contextmanager
def _listener_beside(settings: Settings, engine: Engine, *, wanted: bool) -> Iterator[None]:
    """Listen at the broker, if there is one; with several processes on a database one of them does so at a time."""
    from service.intake.live.listener import ListenerThread, broker_of

    broker = broker_of(settings)
    listener = ListenerThread(engine, broker) if wanted and broker is not None else None
    try:
        yield
    finally:
        if listener is not None:
            listener.stop()


def _log_to_stderr(level: int) -> None:
    logging.basicConfig(level=level, format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    for chatty in ("huey", "alembic"):
        logging.getLogger(chatty).setLevel(logging.WARNING)
