"""Runs the demo: a server of its own on a database of its own, the invented roofs sent in as any program would.

All that it keeps is in one folder; nothing is listened to or sent beyond this computer.
"""

from __future__ import annotations

import json
import secrets
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime, timedelta
from pathlib import Path
from threading import Thread
from time import monotonic, sleep
from typing import Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

import httpx
import uvicorn
from pydantic import SecretStr
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
from sqlalchemy import Engine
from sqlmodel import col, select

from service.demo.scenario import (
    FIRM,
    FIRM_EMAIL,
    FIRM_PHONE,
    HEALTHY,
    INSTALLER_USER,
    MENDED,
    NEW,
    OFFICE_USER,
    SITES,
    DemoSite,
)
from service.demo.simulate import DAYS, simulate
from service.demo.visit import play_visit
from service.jobs.queue import Jobs, make_queue, start_consumer_thread
from service.settings import Settings, SettingsError
from service.store import accounts, sites
from service.store.assignments import assign
from service.store.database import make_engine, reading, writing
from service.store.migrate import upgrade
from service.store.tables import User
from service.web.app import create_app

HOST = "127.0.0.1"
TOKEN_NAME = "demo loader"  # noqa: S105 - what the token is for, not the token
START_S, ANSWER_S = 20, 60

Links = dict[str, Any]


def run_demo(port: int, data_dir: Path) -> None:
    """Show the program on invented roofs until interrupted; what an earlier start left in `data_dir` is used again.

    Raises SettingsError where the port is taken or the folder cannot be used.
    """
    _make_folder(data_dir)
    listening = _listen(port)
    base = f"http://{HOST}:{listening.getsockname()[1]}"
    settings = _settings(data_dir, base)
    engine = make_engine(settings.database_url)
    upgrade(engine)
    jobs = make_queue(settings, engine)
    with _served(settings, engine, jobs, listening) as server:
        links = _kept_links(data_dir, engine, base) or _first_start(data_dir, engine, base)
        _print_links(links)
        _until_interrupted(server)
    engine.dispose()


# Server


def _make_folder(data_dir: Path) -> None:
    try:
        data_dir.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as error:
        raise SettingsError(
            f"The folder {data_dir} cannot be made ({error.strerror}); choose another with --data-dir."
        ) from error


def _listen(port: int) -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((HOST, port))
        listening.listen()
    except (OSError, OverflowError) as error:
        listening.close()
        raise SettingsError(
            f"Port {port} cannot be used ({getattr(error, 'strerror', None) or error}); "
            f"stop the program that uses it or choose another with --port, such as --port {port % 60_000 + 11}."
        ) from error
    return listening


def _settings(data_dir: Path, base: str) -> Settings:
    return Settings(
        database_url=f"sqlite:///{data_dir / 'yieldproof.sqlite'}",
        secret_key=SecretStr(_secret_key(data_dir / "secret.key")),
        base_url=base,
        firm_name=FIRM,
        firm_phone=FIRM_PHONE,
        firm_email=FIRM_EMAIL,
        _env_file=None,  # type: ignore[call-arg]  # the demo takes nothing from an installation's settings
    )


def _secret_key(path: Path) -> str:
    if not path.exists():
        path.touch(mode=0o600)
        path.write_text(secrets.token_hex(32), encoding="ascii")
    return path.read_text(encoding="ascii").strip()


@contextmanager
def _served(settings: Settings, engine: Engine, jobs: Jobs, listening: socket.socket) -> Iterator[Thread]:
    app = create_app(settings, engine=engine, jobs=jobs)
    server = uvicorn.Server(uvicorn.Config(app, log_level="warning"))
    thread = Thread(target=server.run, kwargs={"sockets": [listening]}, name="demo server", daemon=True)
    thread.start()
    consumer = start_consumer_thread(jobs)
    try:
        _wait_for(server, thread)
        yield thread
    finally:
        server.should_exit = True
        thread.join(START_S)
        consumer.stop()


def _wait_for(server: uvicorn.Server, thread: Thread) -> None:
    latest = monotonic() + START_S
    while not server.started:
        if not thread.is_alive() or monotonic() > latest:
            raise SettingsError("The demo's server did not start; the lines above say why.")
        sleep(0.05)


def _until_interrupted(server: Thread) -> None:
    try:
        while server.is_alive():
            server.join(0.5)
    except KeyboardInterrupt:
        Console(stderr=True).print("Stopped. The next start shows the same roofs.")


# What is shown


def _kept_links(data_dir: Path, engine: Engine, base: str) -> Links | None:
    """Return the links of an earlier start under this start's address; None where it left none or no sites."""
    path = data_dir / "links.json"
    if not path.exists():
        return None
    links: Links = json.loads(path.read_text(encoding="utf-8"))
    with reading(engine) as session:
        _, count = sites.page(session, offset=0, limit=1)
    if not count:
        return None
    for name in ("van", "office", "owner"):
        links[name] = base + urlsplit(links[name]).path
    _write_links(path, links)
    return links


def _first_start(data_dir: Path, engine: Engine, base: str) -> Links:
    with writing(engine) as session:
        token = accounts.create_token(session, TOKEN_NAME)
    try:
        ids = _send_all(base, token, engine)
    finally:
        with writing(engine) as session:
            accounts.revoke_tokens(session, TOKEN_NAME)
    installer = _account(engine, INSTALLER_USER, "installer")
    _assign(engine, INSTALLER_USER, [ids[name] for name in ids if name != HEALTHY])
    sign_in = _account(engine, OFFICE_USER, "office")
    play_visit(engine, ids[MENDED])
    links = {
        "van": f"{base}/sites/{ids[NEW]}/van",
        "office": f"{base}/",
        "owner": f"{base}/owner/{_owner_token(engine, ids[HEALTHY])}",
        "sign_in": sign_in,
        "installer_sign_in": installer,
    }
    _write_links(data_dir / "links.json", links)
    return links


def _write_links(path: Path, links: Links) -> None:
    path.touch(mode=0o600)  # it holds the passwords
    path.write_text(json.dumps(links, indent=2) + "\n", encoding="utf-8")


def _owner_token(engine: Engine, site_id: str) -> str:
    with writing(engine) as session:
        site = sites.get(session, site_id)
        if site is None:
            raise RuntimeError(f"site {site_id} was deleted while the demo started")
        return sites.make_owner_link(session, site)


def _account(engine: Engine, name: str, role: str) -> dict[str, str]:
    """Return the account with a fresh random password; one that a broken-off start left gets a new one."""
    password = secrets.token_urlsafe(9)
    with writing(engine) as session:
        user = session.exec(select(User).where(col(User.name) == name)).first()
        if user is None:
            accounts.create_user(session, name, password, role)
        else:
            accounts.set_password(session, user, password)
    return {"user": name, "password": password}


def _assign(engine: Engine, name: str, site_ids: list[str]) -> None:
    """Make the sites the installer's own: all but the one that has been handed over."""
    with writing(engine) as session:
        user = session.exec(select(User).where(col(User.name) == name)).one()
        for site_id in site_ids:
            assign(session, site_id, user)


def _print_links(links: Links) -> None:
    console = Console(highlight=False, soft_wrap=True)
    office, installer = links["sign_in"], links["installer_sign_in"]
    console.print(f"\n[bold]{FIRM}[/bold] (invented, as are all roofs and readings)\n")
    console.print(f"  On the roof   {links['van']}")
    console.print(f"  Office        {links['office']}")
    console.print(f"  Owner         {links['owner']}\n")
    console.print(f"  Sign in as    {office['user']}, password {office['password']}  (office)")
    console.print(
        f"                {installer['user']}, password {installer['password']}  (installer: own sites)\n"
    )
    console.print("Ctrl+C stops it.")


# Sending


def _send_all(base: str, token: str, engine: Engine) -> dict[str, str]:
    """Send every site and wait for its verification; return the ids by name."""
    headers = {"Authorization": f"Bearer {token}"}
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    with (
        httpx.Client(base_url=f"{base}/api/v1", headers=headers, timeout=ANSWER_S, trust_env=False) as client,
        Progress(*columns, console=Console(stderr=True), transient=True) as progress,
    ):
        known = _known_ids(engine)
        ids = {}
        for site in progress.track(SITES, description="Sending invented roofs"):
            ids[site.name] = _send(client, site, known.get(site.name))
        for site_id in progress.track(list(ids.values()), description="Verifying them"):
            client.get(f"/sites/{site_id}/verification").raise_for_status()
    return ids


def _known_ids(engine: Engine) -> dict[str, str]:
    with reading(engine) as session:
        held, _ = sites.page(session, offset=0, limit=10 * len(SITES))
    return {site.name: site.id for site in held}


def _send(client: httpx.Client, site: DemoSite, known_id: str | None) -> str:
    """Send a site's record, unless it is there already, and its readings; return its id."""
    today = datetime.now(ZoneInfo(site.timezone)).date()
    site_id = known_id or _post(client, "/sites", site.record(_commissioned(site, today)))["id"]
    receipt = _post(client, f"/sites/{site_id}/readings", simulate(site, today).table())
    if receipt["rejected"]:
        raise RuntimeError(
            f"{receipt['rejected']} readings of {site.name} were refused: {receipt['problems'][:3]}"
        )
    return str(site_id)


def _commissioned(site: DemoSite, today: date) -> str:
    return (today - timedelta(DAYS - 1 if site.heard_from_h is None else 1)).isoformat()


def _post(client: httpx.Client, path: str, body: dict[str, Any]) -> dict[str, Any]:
    answer = client.post(path, json=body)
    if answer.is_error:
        raise RuntimeError(f"POST {path} answered {answer.status_code}: {answer.text[:500]}")
    found: dict[str, Any] = answer.json()
    return found
