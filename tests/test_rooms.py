"""The rooms of the house: which may import which. Data goes one way, and the physics and the judgement stay pure."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from tests.imports import called, imported, is_standard, is_within, modules

PURE = ("numpy", "pandas", "pvlib")
OUTSIDE_WORLD = (
    "asyncio", "ctypes", "ftplib", "http", "multiprocessing", "os", "pathlib", "select", "shutil", "smtplib",
    "socket", "socketserver", "sqlite3", "ssl", "subprocess", "tempfile", "threading", "time", "urllib", "xmlrpc",
)  # fmt: skip
CLOCKS = ("now", "utcnow", "today", "time", "monotonic", "perf_counter")


@dataclass(frozen=True)
class Room:
    """What a room may import: `ours` of our modules; of other people's all but `never`, or `only` those."""

    ours: tuple[str, ...]
    never: tuple[str, ...] = ()
    only: tuple[str, ...] | None = None
    clock: bool = True


WEB_LIBRARIES = ("fastapi", "starlette", "uvicorn", "jinja2", "httpx")
SQL = ("sqlalchemy", "sqlmodel", "alembic", "psycopg", "peewee")
PHYSICS = ("pvlib", "scipy")
GROUND = ("service.settings", "service.paths", "service.__version__")

ROOMS = {
    "service/settings.py": Room(ours=(), never=(*WEB_LIBRARIES, *PHYSICS)),
    "service/paths.py": Room(ours=(), only=()),
    "service/intake": Room(ours=(*GROUND, "service.intake", "service.store"), never=(*PHYSICS, "fastapi", "starlette")),
    "service/collect": Room(
        ours=(
            *("service.paths", "service.collect", "service.intake.live", "service.store.grids"),
            "service.intake.problems",
        ),
        never=(*PHYSICS, *SQL, "fastapi", "starlette", "uvicorn", "pandas"),
    ),
    "service/quality": Room(ours=("service.quality", "service.store.grids"), only=("numpy",), clock=False),
    "service/fetch": Room(ours=("service.fetch",), only=("numpy", "pandas", "requests", "pvlib.iotools")),
    "service/store": Room(ours=(*GROUND, "service.store"), never=(*WEB_LIBRARIES, *PHYSICS)),
    "service/expect": Room(ours=("service.expect",), only=PURE, clock=False),
    "service/verify": Room(ours=("service.verify", "service.expect"), only=("numpy", "pandas"), clock=False),
    "service/report": Room(
        ours=(
            *GROUND,
            *(f"service.{m}" for m in ("report", "verify.result", "verify.sentence", "expect.site", "quality")),
        ),
        never=(*SQL, *PHYSICS, "fastapi", "starlette"),
    ),
    "service/jobs": Room(
        ours=(
            *GROUND,
            *(f"service.{r}" for r in ("jobs", "intake", "fetch", "store", "quality", "expect", "verify", "report")),
        ),
        never=("fastapi", "starlette", "uvicorn", *PHYSICS),
    ),
    "service/web": Room(ours=("service",), never=PHYSICS),
    "service/cli": Room(ours=("service",), never=PHYSICS),
}  # fmt: skip


def violations(room: Room, tree: ast.Module, module: str) -> Iterator[str]:
    """Give what a module of the room imports or calls and may not."""
    for name in imported(tree, module):
        if name == "service" or name.startswith("service."):
            allowed = is_within(name, *room.ours)
        elif is_standard(name):
            allowed = room.clock or not is_within(name, *OUTSIDE_WORLD)
        else:
            allowed = (
                is_within(name, *room.only) if room.only is not None else not is_within(name, *room.never)
            )
        if not allowed:
            yield f"{module} imports {name}"
    if not room.clock:
        for name in called(tree):
            if "." in name and name.rpartition(".")[2] in CLOCKS:
                yield f"{module} asks the clock: {name}()"


@pytest.mark.parametrize("folder", ROOMS)
def test_room_imports_only_what_it_may(folder: str) -> None:
    found = {module: list(violations(ROOMS[folder], tree, module)) for module, tree in modules(folder)}
    assert found, "nothing was checked"
    assert [v for wrong in found.values() for v in wrong] == []


def test_every_room_has_its_rule() -> None:
    rooms = {".".join(m.split(".")[:2]) for m, _ in modules("service")} - {"service"}
    ruled = {folder.removesuffix(".py").replace("/", ".") for folder in ROOMS}
    # The demo plays the outside world: it simulates roofs and sends over HTTP.
    assert rooms - ruled <= {"service.demo"}


@pytest.mark.parametrize(
    ("folder", "source"),
    [
        ("service/intake", "from service.expect.site import Site"),
        ("service/intake", "import pvlib"),
        ("service/store", "from service.intake.batch import Batch"),
        ("service/store", "import fastapi"),
        ("service/expect", "from service.settings import Settings"),
        ("service/expect", "import sqlalchemy"),
        ("service/expect", "import os"),
        ("service/verify", "from sqlmodel import Session"),
        ("service/verify", "from service.store import sites"),
        ("service/verify", "import scipy.stats"),
        ("service/verify", "def f():\n    import httpx"),
        ("service/verify", "from urllib.request import urlopen"),
        ("service/verify", "from datetime import datetime\nx = datetime.now()"),
        ("service/verify", "import pandas as pd\nx = pd.Timestamp.now('UTC')"),
        ("service/verify", "from time import time"),
        ("service/verify", "from ..store import sites"),
        ("service/report", "from service.verify.run import verify"),
        ("service/report", "from sqlmodel import select"),
        ("service/jobs", "from service.web.app import create_app"),
        ("service/web", "from pvlib import irradiance"),
        ("service/fetch", "from pvlib import irradiance"),
        ("service/fetch", "from service.store import sites"),
        ("service/expect", "import requests"),
        ("service/intake", "from service.fetch import apart"),
    ],
)
def test_checker_catches_a_violation(folder: str, source: str) -> None:
    module = f"{folder.replace('/', '.')}.invented"
    assert list(violations(ROOMS[folder], ast.parse(source), module)), source


@pytest.mark.parametrize(
    ("folder", "source"),
    [
        ("service/intake", "from service.store.tables import Site\nfrom service.intake import batch"),
        ("service/expect", "import pvlib\nfrom datetime import datetime\nimport numpy as np"),
        ("service/fetch", "import requests\nimport subprocess\nfrom pvlib.iotools import get_cams"),
        ("service/verify", "from service.expect.site import Site\nfrom .result import Sky"),
        ("service/report", "from service.verify.result import Verification"),
        (
            "service/jobs",
            "from service.verify.run import verify\nfrom datetime import datetime\nx = datetime.now()",
        ),
    ],
)
def test_checker_lets_the_allowed_pass(folder: str, source: str) -> None:
    module = f"{folder.replace('/', '.')}.invented"
    assert list(violations(ROOMS[folder], ast.parse(source), module)) == []
