"""A real server with invented sites of every kind, for tests of all pages and for the screenshots."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

import uvicorn
from PIL import Image, ImageDraw
from pydantic import SecretStr
from sqlalchemy import Engine
from sqlmodel import col, select

from service.intake.accept import accept
from service.intake.correction import read_correction
from service.intake.photo import read_photo
from service.jobs import quality
from service.jobs.codec import to_json
from service.jobs.punch_list import Mark, mark, put_on_list
from service.jobs.verification import MADE_BY, summary
from service.settings import Settings
from service.store import mappings, people, punch, site_days, sites, uploads, verifications
from service.store.database import make_engine, writing
from service.store.migrate import upgrade
from service.store.site_days import Day
from service.store.tables import Site, User
from service.verify.result import Verification
from service.web.app import create_app
from tests.report import arrivals, sample
from tests.web.bring import brought, exported, waiting
from tests.web.visit import Person, add_feed, add_person, add_site, assign

FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--hide-scrollbars",
]  # fmt: skip
START_S = 30
BY = "Ida Quarrie"
TURNED = {"kind": "plane", "plane": "east dormer", "azimuth_deg": 131.5, "tilt_deg": 24.5}
CONTACT = {
    "name": "Brackenridge & Daughters, roof electricians and chimney sweeps",
    "phone": "+44 1632 960 417",
    "email": "a.rather.long.address.of.the.whole.office@brackenridge.example",
}
OLD = {"commissioned_on": "2023-04-01", "contact": CONTACT}
LONG_NAME = "Station House with a name that goes on and on and on, and its two stables besides"


@dataclass(frozen=True)
class FullHouse:
    """The server's address, who may sign in, and what stands for each name in the addresses of pages."""

    address: str
    engine: Engine
    office: Person
    installer: Person
    values: dict[str, str] = field(default_factory=dict)


@contextmanager
def serving(engine: Engine, *, jobs: Any = None, port: int = 0) -> Iterator[str]:
    """Serve that database on a port of this machine, and give the address."""
    made = Settings(
        _env_file=None,
        database_url=engine.url.render_as_string(hide_password=False),
        secret_key=SecretStr("0123456789abcdef" * 4),
        run_worker=False,
    )
    server = uvicorn.Server(
        uvicorn.Config(create_app(made, engine=engine, jobs=jobs), port=port, log_level="warning")
    )
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        yield _address(server)
    finally:
        server.should_exit = True
        thread.join(START_S)


def _address(server: uvicorn.Server) -> str:
    deadline = time.monotonic() + START_S
    while not server.started:
        assert time.monotonic() < deadline, "the server did not start"
        time.sleep(0.05)
    port = server.servers[0].sockets[0].getsockname()[1]
    return f"http://127.0.0.1:{port}"


def new_database(folder: Path) -> Engine:
    """Return an empty database in a folder."""
    engine = make_engine(f"sqlite:///{folder / 'yieldproof.sqlite'}")
    upgrade(engine)
    return engine


@contextmanager
def full_house(folder: Path) -> Iterator[FullHouse]:
    """Serve sites of every kind, with everything on them that a page can show."""
    engine = new_database(folder)
    office, installer = (
        add_person(engine, "office", "Maud Tolliver"),
        add_person(engine, "installer", "Isko Renn"),
    )
    values = _furnished(engine, installer)
    with serving(engine) as address:
        yield FullHouse(address, engine, office, installer, values)
    engine.dispose()


def _furnished(engine: Engine, installer: Person) -> dict[str, str]:
    """Keep the sites and return what the names in addresses stand for."""
    faulty = add_site(engine, None, name=LONG_NAME, record={**sample.record(), **OLD})
    accept(engine, faulty, read_correction(TURNED), by=BY)
    keep_verification(engine, faulty, sample.verification())
    healthy = add_site(engine, sample.healthy(), name="Low Mill")
    fresh = add_site(engine, too_little_light(), name="Patio House")
    bare = add_site(engine, None, name="Station House")
    assign(engine, installer, faulty, healthy, fresh, bare)
    add_feed(engine, faulty, sample.SHADED)
    values = {
        "site_id": faulty,
        "faulty": faulty,
        "healthy": healthy,
        "fresh": fresh,
        "bare": bare,
        "serial": sample.SHADED,
        "dead": sample.DEAD,
    }
    parts = (
        _brought(engine, bare),
        _visited(engine, faulty),
        _links(engine, faulty, healthy, bare),
        _invited(engine, faulty),
    )
    return {**values, **{name: value for part in parts for name, value in part.items()}}


def _brought(engine: Engine, site_id: str) -> dict[str, str]:
    """Bring files that are in every state, and stay there."""
    numbers = {
        "file_asks": brought(engine, site_id, exported()),
        "file_ready": brought(engine, site_id, exported(), label="start"),
        "file_failed": brought(engine, site_id, b"hello\nworld\n", name="notes.txt"),
        "file_looking": waiting(engine, site_id, exported()).number,
        "file_done": brought(engine, site_id, exported(broken=True)),
    }
    with writing(engine) as session:
        mappings.remember(session, site_id, "monthly report", {"label": "start"})
        done = uploads.held(session, site_id, numbers["file_done"])
        assert done is not None
        done.state = "done"  # without its readings: the site stays bare
        done.outcome = {"accepted": 190, "replaced": 1, "rejected": 1, "missing": 0, "warnings": []}
    return {name: str(number) for name, number in numbers.items()}


def _invited(engine: Engine, site_id: str) -> dict[str, str]:
    """Invite somebody, and make a token."""
    with writing(engine) as session:
        user, token = people.invite(session, BY, "Jory Pell", "installer", [site_id])
        people.make_token(session, BY, "gateway in the barn", site_id=site_id, read_only=False)
    return {"account_id": str(user.id), "invitation": token}


def keep_verification(engine: Engine, site_id: str, found: Verification) -> None:
    """Keep a verification as if it had just been made of the site's data."""
    with writing(engine) as session:
        version = session.get_one(Site, site_id).data_version
        told = summary(found)
        verifications.save(
            session, site_id, sites.DEFAULT_WINDOW, version, to_json(found), made_by=MADE_BY, summary=told
        )
        quality.save(session, site_id, version, arrivals.troubled())
        days = [Day(date(2023, 5, 1) + timedelta(n), 15_000, 16_500, 17_500, "array") for n in range(1105)]
        site_days.keep(session, site_id, days, MADE_BY)
        site_days.want(session, site_id, [date(2023, 4, 2), date(2023, 6, 1)])


def too_little_light() -> Verification:
    """Return a verification of half an hour under cloud: nothing to be said yet."""
    return replace(
        sample.healthy(), verdict="too_little_light", sky=replace(sample.healthy().sky, light="little")
    )


def _visited(engine: Engine, site_id: str) -> dict[str, str]:
    """Put the findings on the punch list, with a photo, a date and every kind of mark."""
    found = sample.verification()
    put_on_list(engine, site_id, found, by=BY)
    for serial, said in ((sample.DEAD, "mended"), (sample.PART, "left"), (sample.SHADED, "looked_at")):
        photo = read_photo(_picture()) if said == "mended" else None
        given = Mark(f"unit:{serial}", said, "the plug was loose behind the third rail", photo)
        mark(engine, site_id, found, given, by=BY)
    with writing(engine) as session:
        entry = punch.of_site(session, site_id)[-1]
        installer = session.exec(select(User).where(col(User.name) == "Isko Renn")).one()
        punch.give(session, entry, installer, date(2026, 5, 20), BY)
        photo_id = next(step.photo_id for step in punch.steps(session, site_id) if step.photo_id)
    return {"photo_id": photo_id, "subject": f"unit:{sample.DEAD}", "number": "1"}


def _links(engine: Engine, faulty: str, healthy: str, bare: str) -> dict[str, str]:
    named = {"owner_faulty": faulty, "owner_healthy": healthy, "owner_bare": bare}
    with writing(engine) as session:
        made = {
            name: sites.make_owner_link(session, session.get_one(Site, key)) for name, key in named.items()
        }
        return {**made, "code": str(session.get_one(Site, faulty).code)}


def _picture() -> bytes:
    """Return an invented photo: a sky, a roof, a cable."""
    image = Image.new("RGB", (640, 480), "#8fb7d9")
    draw = ImageDraw.Draw(image)
    draw.polygon([(0, 480), (0, 260), (640, 140), (640, 480)], fill="#44424a")
    draw.line([(80, 400), (300, 330), (520, 420)], fill="#111111", width=9)
    kept = BytesIO()
    image.save(kept, "JPEG")
    return kept.getvalue()
