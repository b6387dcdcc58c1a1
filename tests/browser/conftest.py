"""A real server with invented sites, and the system's Chromium to look at it."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from sqlalchemy import Engine

from tests.browser.house import FLAGS, FullHouse, full_house, new_database, serving
from tests.browser.signing_in import signed_in_context
from tests.report import sample
from tests.web.visit import Person, add_person, add_site


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


def _sites(engine: Engine) -> tuple[str, str, str]:
    return (
        add_site(engine, sample.verification()),
        add_site(engine, sample.healthy(), name="Low Mill"),
        add_site(engine, None, name="Station House with a name that goes on and on and on"),
    )


@pytest.fixture(scope="session")
def rich(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FullHouse]:
    """Serve sites of every kind with everything on them; who changes something makes a house of its own."""
    with full_house(tmp_path_factory.mktemp("rich")) as made:
        yield made


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
    return signed_in_state(chromium, house.address, house.office)


def signed_in_state(chromium: Any, address: str, person: Person) -> Any:
    """Sign in through the form, and return what the browser keeps of it."""
    context = signed_in_context(chromium, address, person)
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
