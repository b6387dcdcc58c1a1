"""A return visit as it was, on one of the demo's roofs: found, given, mended on the roof, closed by what came after.

Every step goes the way that a click goes; then the steps get the times at which they would have been taken. The
people are invented, the photo is drawn.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from io import BytesIO
from zoneinfo import ZoneInfo

from PIL import Image, ImageDraw
from sqlalchemy import Engine
from sqlmodel import Session, col, select

from service.demo.scenario import INSTALLER_USER, MENDED_FAULT, OFFICE_USER
from service.demo.simulate import DAYS
from service.intake.photo import read_photo
from service.jobs.proving import prove_site
from service.jobs.punch_list import Mark, mark, put_on_list, subject_of
from service.jobs.verification import current
from service.store import punch, sites
from service.store.database import reading, writing
from service.store.tables import PunchEntry, User
from service.verify.result import Verification

LOOKED = "The DC plug looks home, but it is not: it clicks when pushed."
MADE = "Pushed the DC plug home until it locked, the unit isolated. Its lamp is on again."


def play_visit(engine: Engine, site_id: str) -> None:
    """Keep the visit's history, unless an earlier start has done so."""
    with reading(engine) as session:
        site = sites.get(session, site_id)
        known = punch.of_site(session, site_id)
    if site is None or known:
        return
    begin = _midnight(ZoneInfo(site.record["timezone"])) - timedelta(DAYS)
    mended = begin + timedelta(days=MENDED_FAULT.until_day or 0)
    found = current(engine, site_id, end=begin + timedelta(days=3))
    if found is None:
        return
    entry = _taken(engine, site_id, found, mended)
    _date_back(engine, entry, [mended - timedelta(hours=h) for h in (30, 29.8, 0.4, 0)])
    prove_site(engine, site_id)
    _date_back(engine, entry, [mended + timedelta(hours=3.5)], after=4)


def _midnight(zone: ZoneInfo) -> datetime:
    return datetime.now(zone).replace(hour=0, minute=0, second=0, microsecond=0)


def _taken(engine: Engine, site_id: str, found: Verification, mended: datetime) -> PunchEntry:
    """Take what the office and the installer did; return the entry."""
    subject = next(subject_of(f) for f in found.findings if f.cause == MENDED_FAULT.cause)
    put_on_list(engine, site_id, found, by=OFFICE_USER, subject=subject)
    with writing(engine) as session:
        sites.held(session, site_id)
        entry = _entry(session, site_id)
        installer = session.exec(select(User).where(col(User.name) == INSTALLER_USER)).one()
        punch.give(session, entry, installer, mended.date(), OFFICE_USER)
    mark(engine, site_id, found, Mark(subject, "looked_at", LOOKED), by=INSTALLER_USER)
    mark(engine, site_id, found, Mark(subject, "mended", MADE, read_photo(_photo())), by=INSTALLER_USER)
    return entry


def _entry(session: Session, site_id: str) -> PunchEntry:
    entry = punch.find(session, site_id, 1)
    if entry is None:
        raise RuntimeError("the demo's visit has no entry on the punch list")
    return entry


def _date_back(engine: Engine, entry: PunchEntry, times: list[datetime], *, after: int = 0) -> None:
    """Give the steps from number `after` on the times at which they would have been taken, and the entry with them."""
    with writing(engine) as session:
        row = _entry(session, entry.site_id)
        for step, at in zip(punch.steps(session, entry.site_id)[after:], times, strict=False):
            step.at = at
            session.add(step)
            name = {"opened": "opened_at", "mended": "mended_at", "closed": "closed_at"}.get(step.what)
            if name:
                setattr(row, name, at)
        session.add(row)


def _photo() -> bytes:
    """Return a drawn photo: the edge of a module, the unit under it, its plug."""
    image = Image.new("RGB", (1200, 900), (126, 118, 108))
    draw = ImageDraw.Draw(image)
    for course in range(0, 900, 60):  # slates
        draw.line((0, course, 1200, course), fill=(104, 97, 89), width=5)
    draw.polygon([(0, 0), (1200, 0), (1200, 330), (0, 420)], fill=(24, 30, 52))
    for x in range(60, 1200, 170):  # cells
        draw.line((x, 0, x - 30, 420), fill=(60, 68, 96), width=4)
    draw.polygon([(0, 420), (1200, 330), (1200, 362), (0, 452)], fill=(190, 192, 196))  # frame
    draw.rounded_rectangle((330, 500, 830, 740), 24, fill=(70, 72, 76), outline=(40, 41, 44), width=6)
    draw.line((830, 610, 1200, 560), fill=(20, 20, 22), width=26)
    draw.rounded_rectangle((800, 580, 920, 644), 10, fill=(24, 24, 27), outline=(210, 212, 214), width=4)
    draw.ellipse((380, 545, 412, 577), fill=(226, 167, 46))
    out = BytesIO()
    image.save(out, "JPEG", quality=80)
    return out.getvalue()
