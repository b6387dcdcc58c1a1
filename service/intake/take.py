"""Takes in what was sent to a site: checked, kept as it came, and stored, all or nothing.

Every way in (HTTP, files, collectors) ends here. What whoever asks may do is not this module's business. From whom a
batch came is kept with it: `source` is a word for the way and a name (`token gateway`, `file june.csv`), always the
same for the same sender, since readings of one source replace each other and those of two may contradict.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from sqlalchemy import Engine
from sqlmodel import Session

from service.intake import limits, weather
from service.intake.batch import LISTED, Batch, Problem
from service.intake.csv_form import csv_of
from service.intake.days import days_reached
from service.intake.json_form import parse_json
from service.intake.parquet_form import parquet_of
from service.intake.parse import CSV_TYPE, JSON_TYPE, PARQUET_TYPE, UnknownFormat, media_type, parse_readings
from service.intake.problems import Refused
from service.intake.weather_csv import samples_from_weather_csv
from service.store import payloads, readings, site_days, sites
from service.store.audit import note
from service.store.database import writing
from service.store.grids import Samples
from service.store.payloads import Sent
from service.store.tables import Site

LARGEST_BATCH_DAYS = 60_000
"""Days of one unit and channel in one batch (24 units with six channels in a year are 52,560)."""

LONGEST_SOURCE = 300

FROM_HERE_PARQUET = 5000
"""Values; of 400,000 Parquet is made in a fifteenth of the time of CSV, and kept on a third of the disk."""

Check = Callable[[list[Samples], Mapping[str, Any]], Batch]
Write = Callable[[Session, str, tuple[Samples, ...]], readings.Counts]


class NoSuchSite(Exception):  # noqa: N818 - an answer, not a fault
    """There is no site of that id."""


@dataclass(frozen=True)
class Receipt:
    """What became of a batch; the contract's answer, and whether anything differs from before."""

    accepted: int
    replaced: int
    rejected: int
    problems: list[dict[str, Any]]
    changed: bool


@dataclass(frozen=True)
class Import:
    """Who reads a batch from which file, for the audit list; the batches that programs send all day are not noted."""

    by: str
    file: str
    part: int = 0
    """Of a file that is taken in parts, only the first is noted."""

    @property
    def source(self) -> str:
        """Return from whom such a batch came, unless it is known better."""
        return f"file {self.file}"


def take_readings(
    engine: Engine,
    site_id: str,
    body: bytes,
    content_type: str,
    interval_min: int | None = None,
    *,
    imported: Import | None = None,
    source: str = "",
) -> Receipt:
    """Take a body of readings; Refused, UnknownFormat or NoSuchSite if nothing of it is kept."""
    samples = parse_readings(body, content_type, interval_min)
    kind = media_type(content_type)
    sent = Sent("readings", _described(kind, interval_min), body, _source(source, imported))
    return _take(
        engine, site_id, sent, samples, limits.checked, partial(readings.write, source=sent.source), imported
    )


def _described(kind: str, interval_min: int | None) -> str:
    return f"{kind}; interval_min={interval_min}" if kind == CSV_TYPE and interval_min else kind


def take_samples(
    engine: Engine,
    site_id: str,
    samples: list[Samples],
    *,
    imported: Import | None = None,
    source: str = "",
    noted: Sequence[Problem] = (),
) -> Receipt:
    """Take samples that came in another form; they are kept as what was sent, in our own.

    `noted` is what whoever made samples of it noticed on the way (`counter_noted`): kept as problems, not as rejected.
    """
    sent = Sent("readings", *_own_form(samples), _source(source, imported))
    write = partial(readings.write, source=sent.source)
    return _take(engine, site_id, sent, samples, _noting(noted), write, imported)


def take_noted(engine: Engine, site_id: str, noted: Sequence[Problem], *, source: str) -> None:
    """Keep what was noticed about counters that were read elsewhere, each note once; NoSuchSite if there is none."""
    with writing(engine) as session:
        if session.get(Site, site_id) is None:
            raise NoSuchSite
        for one in noted:
            told = asdict(one)
            sent = Sent(
                payloads.NOTED, JSON_TYPE, json.dumps([source, told]).encode(), source[:LONGEST_SOURCE]
            )
            payloads.keep(session, site_id, sent, [told], changed=False)


def take_weather(
    engine: Engine,
    site_id: str,
    body: bytes,
    content_type: str = JSON_TYPE,
    interval_min: int | None = None,
    *,
    imported: Import | None = None,
    source: str = "",
) -> Receipt:
    """Take a body of weather; Refused, UnknownFormat or NoSuchSite if nothing of it is kept."""
    kind = media_type(content_type)
    if kind == JSON_TYPE:
        samples = weather.samples_from_weather(parse_json(body))
    elif kind == CSV_TYPE:
        samples = samples_from_weather_csv(body, interval_min)
    else:
        raise UnknownFormat(JSON_TYPE, CSV_TYPE)
    sent = Sent("weather", _described(kind, interval_min), body, _source(source, imported))
    return _take(engine, site_id, sent, samples, weather.checked, readings.write_weather, imported)


def _take(
    engine: Engine,
    site_id: str,
    sent: Sent,
    samples: list[Samples],
    check: Check,
    write: Write,
    imported: Import | None,
) -> Receipt:
    _refuse_too_many_days(samples)
    with writing(engine) as session:
        # Batches to one site wait for each other, since each reads what is held before it writes. The lock is
        # PostgreSQL's weaker one, which lets others keep rows that refer to the site.
        site = session.get(Site, site_id, with_for_update={"key_share": True})
        if site is None:
            raise NoSuchSite
        batch = check(samples, site.record)
        counts = write(session, site_id, batch.samples)
        problems = batch.problems_as_json()
        payloads.keep(session, site_id, sent, problems, changed=counts.changed)
        if counts.changed:
            sites.touch(session, site_id)
            site_days.want(session, site_id, days_reached(batch.samples, site.record))
        if imported is not None and imported.part == 0:
            note(session, imported.by, f"{sent.kind}.imported", site_id=site_id, file=imported.file)
    return Receipt(counts.accepted, counts.replaced, batch.rejected, problems, counts.changed)


def _own_form(samples: list[Samples]) -> tuple[str, bytes]:
    """Return the samples as we read them: as Parquet where they are so many that text is slow and large."""
    many = sum(s.values.size for s in samples) >= FROM_HERE_PARQUET
    return (PARQUET_TYPE, parquet_of(samples)) if many else (CSV_TYPE, csv_of(samples))


def _noting(noted: Sequence[Problem]) -> Check:
    def checked(samples: list[Samples], record: Mapping[str, Any]) -> Batch:
        batch = limits.checked(samples, record)
        return replace(batch, problems=(*batch.problems, *noted[:LISTED]))

    return checked


def _source(source: str, imported: Import | None) -> str:
    """Return the source's name as it is kept: short enough for a key."""
    return (source or (imported.source if imported else ""))[:LONGEST_SOURCE]


def _refuse_too_many_days(samples: list[Samples]) -> None:
    days = sum(np.unique(s.starts // 86_400).size for s in samples)
    if days > LARGEST_BATCH_DAYS:
        raise Refused.one(
            "", f"spans {days} days of units and channels, more than {LARGEST_BATCH_DAYS}; split it"
        )
