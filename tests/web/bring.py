"""A file as another program may have exported it, for tests of pages: two days of two units, the bright hours only."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

from sqlalchemy import Engine

from service.jobs.uploads import work
from service.store import uploads
from service.store.database import writing
from service.store.uploads import Key
from tests.report import sample

UNITS = (sample.DEAD, sample.PART)
PER_HOUR = 4
FIRST_DAY = datetime(2026, 5, 5)  # noqa: DTZ001 - the file's own clock


def exported(*, broken: bool = False, units: tuple[str, ...] = UNITS) -> bytes:
    """Return the file: power in W, days first, decimal commas; nothing shows which end of a value a time is."""
    lines = ["Zeit;" + ";".join(f"{unit} (W)" for unit in units)]
    for step in range(2 * 16 * PER_HOUR):
        day, slot = divmod(step, 16 * PER_HOUR)
        at = FIRST_DAY + timedelta(days=day, hours=5, minutes=slot * 60 // PER_HOUR)
        hours = at.hour + at.minute / 60 - 13
        watts = 260 * max(0.0, math.cos(hours / 7.4 * math.pi / 2)) * (1 if day == 0 else 0.7)
        lines.append(f"{at:%d.%m.%Y %H:%M};" + ";".join(f"{watts:.1f}".replace(".", ",") for _ in units))
    if broken:
        lines[30] = lines[30].rpartition(";")[0] + ";=HYPERLINK(1)"
    return "\n".join([*lines, ""]).encode()


def brought(
    engine: Engine, site_id: str, body: bytes, *, name: str = "may.csv", to_take: bool = False, **answers: str
) -> int:
    """Bring a file as a page does, and have it worked on; return its number."""
    key = waiting(engine, site_id, body, name=name, to_take=to_take, **answers)
    work(engine, key)
    return key.number


def waiting(
    engine: Engine, site_id: str, body: bytes, *, name: str = "may.csv", to_take: bool = False, **answers: str
) -> Key:
    """Bring a file that nobody works on yet."""
    with writing(engine) as session:
        upload = uploads.begin(session, site_id, name=name, by="Ida Quarrie")
        uploads.keep_piece(session, upload, "sent", 0, body)
        upload.size = len(body)
        return uploads.want(session, upload, "looking", answers=answers, to_take=to_take)
