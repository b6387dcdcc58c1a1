"""A real server with invented sites, and the system's Chromium to look at it."""

from __future__ import annotations

import os
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from pydantic import SecretStr
from sqlalchemy import Engine

from service.settings import Settings
from service.store.database import make_engine
from service.store.migrate import upgrade
from service.web.app import create_app
from tests.report import sample
from tests.web.visit import Person, add_person, add_site

FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--hide-scrollbars",
]  # fmt: skip
START_S = 30


@dataclass(frozen=True)
class House:
    """The server's address, who may sign in, and the sites it shows."""

    address: str
    engine: Engine
    office: Person
    faulty: str
    healthy: str
    bare: str


def _skip(reason: str) -> None:
    pytest.fail(reason) if os.environ.get("CI") == "true" else pytest.skip(reason)


@pytest.fixture(scope="session")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    """Serve three invented sites on a port of this machine."""
    engine = new_database(tmp_path_factory.mktemp("house"))
    with serving(engine) as address:
        yield House(address, engine, add_person(engine, "office"), *_sites(engine))
    engine.dispose()


@contextmanager
def serving(engine: Engine, **settings: Any) -> Iterator[str]:
    """Serve that database on a port of this machine, and give the address."""
    made = Settings(
        _env_file=None,
        database_url=engine.url.render_as_string(hide_password=False),
        secret_key=SecretStr("0123456789abcdef" * 4),
        run_worker=False,
        **settings,
    )
    server = uvicorn.Server(uvicorn.Config(create_app(made, engine=engine), port=0, log_level="warning"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        yield _address(server)
    finally:
        server.should_exit = True
        thread.join(START_S)


def new_database(folder: Path) -> Engine:
    """Return an empty database in a folder."""
    engine = make_engine(f"sqlite:///{folder / 'yieldproof.sqlite'}")
    upgrade(engine)
    return engine


def _sites(engine: Engine) -> tuple[str, str, str]:
    return (
        add_site(engine, sample.verification()),
        add_site(engine, sample.healthy(), name="Low Mill"),
        add_site(engine, None, name="Station House with a name that goes on and on and on"),
    )


def _address(server: uvicorn.Server) -> str:
    deadline = time.monotonic() + START_S
    while not server.started:
        assert time.monotonic() < deadline, "the server did not start"
        time.sleep(0.05)
    port = server.servers[0].sockets[0].getsockname()[1]
    return f"http://127.0.0.1:{port}"


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """Return the system's Chromium."""
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        _skip("no Chromium on this machine; install the package chromium")
    try:
        from playwright.sync_api import sync_playwright  # noqa: PLC0415 - the reason for skipping is said below
    except ImportError:
        _skip("playwright is not installed; install it with pip")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def cookies(chromium: Any, house: House) -> Any:
    """Sign in through the form once, and return what the browser keeps of it."""
    context = chromium.new_context(base_url=house.address)
    tab = context.new_page()
    tab.goto("/sign-in")
    tab.fill("#name", house.office.name)
    tab.fill("#password", house.office.password)
    tab.get_by_role("button", name="Sign in").click()
    state = context.storage_state()
    context.close()
    return state


Visit = Callable[..., Any]


@pytest.fixture(scope="session")
def new_tab(chromium: Any, house: House, cookies: Any) -> Visit:
    """Return a function that opens a tab in a browser of its own, signed in unless told otherwise."""

    def open_tab(*, signed_in: bool = True, **options: Any) -> Any:
        state = cookies if signed_in else None
        return chromium.new_context(base_url=house.address, storage_state=state, **options).new_page()

    return open_tab


@pytest.fixture(scope="session")
def visit(new_tab: Visit) -> Visit:
    """Return a function that gives a signed-in tab of some width and scheme, for those who only look.

    Whoever looks the same way gets the same tab: opening one costs three times what a page does.
    """
    tabs: dict[str, Any] = {}

    def open_tab(*, width: int = 390, color_scheme: str = "light") -> Any:
        if color_scheme not in tabs:
            tabs[color_scheme] = new_tab(color_scheme=color_scheme)
        tabs[color_scheme].set_viewport_size({"width": width, "height": 844})
        return tabs[color_scheme]

    return open_tab
