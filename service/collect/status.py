"""How the collector stands, read from its outbox while it runs or after it has died, in plain words."""

from __future__ import annotations

import json
import shutil
import sqlite3
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from service.collect import disk
from service.collect.clock import REPAIRED_S, TOLD_S, session
from service.collect.config import Config

SILENT_S = 86_400
"""A source that has said nothing for so long is worth a look, even without a trouble of its own."""
LEAST_FREE_MB = 200
SHOWN = 5


@dataclass(frozen=True)
class SourceState:
    """One source: when it was last heard (s ago), and what hinders it."""

    name: str
    heard_s: int | None
    trouble: str | None
    trouble_s: int | None


@dataclass(frozen=True)
class FileState:
    """A file that the service has not taken: its questions, or why it was refused."""

    source: str
    name: str
    state: str
    waits_s: int
    said: Sequence[str]
    mapping: str | None


@dataclass(frozen=True)
class Status:
    """How the collector stands; ages in seconds."""

    running: bool
    started_s: int | None
    outbox_mb: float
    free_mb: float
    sources: Sequence[SourceState]
    values_waiting: int
    readings_waiting: int
    oldest_reading_s: int | None
    values_without_time: int
    values_of_lost_times: int
    files: Sequence[FileState]
    refused: Sequence[str]
    refused_count: int
    kept_out: Sequence[str]
    kept_out_count: int
    not_counted: Sequence[str]
    not_counted_count: int
    late_count: int
    acknowledged_s: int | None
    service_trouble: str | None
    service_trouble_s: int | None
    clock_ahead_s: float | None
    clock_error_s: float | None
    set_aside: str | None

    @property
    def is_well(self) -> bool:
        """Return whether nothing needs anybody."""
        return not list(self.worries())

    def worries(self) -> Iterator[str]:
        """Give what somebody should see to."""
        if not self.running:
            yield "Start the collector again, and find out what ended it: power, or its log."
        yield from self._of_sources()
        if self.service_trouble:
            yield self.service_trouble
        yield from self._of_what_waits()
        if self.set_aside:
            yield self.set_aside
        if self.free_mb < LEAST_FREE_MB:
            yield f"The disk of the outbox has only {self.free_mb:.0f} MB left; make room."

    def _of_sources(self) -> Iterator[str]:
        for source in self.sources:
            if source.trouble:
                yield f"{source.name}: {source.trouble}"
            elif source.heard_s is None:
                yield f"{source.name}: nothing was heard of it yet."
            elif source.heard_s > SILENT_S:
                yield f"{source.name}: nothing was heard of it for {age(source.heard_s)}; check its power and network."

    def _of_what_waits(self) -> Iterator[str]:
        for file in self.files:
            if file.state in ("asked", "refused"):
                yield f"{file.name}: {file_words(file)}"
        if self.refused_count:
            yield (
                f"{counted(self.refused_count, 'reading')} refused by the service and kept aside, such as: "
                f"{self.refused[0]}. Correct what is wrong there; the collector tries again when it is started again."
            )
        if self.values_of_lost_times:
            yield (
                f"{counted(self.values_of_lost_times, 'value')} came while the clock was not known, and the machine "
                "was switched off before it was: kept, and not sent. A clock with a battery prevents it."
            )

    def as_json(self) -> dict[str, Any]:
        """Return it for programs."""
        return {**asdict(self), "well": self.is_well, "worries": list(self.worries())}


def file_words(file: FileState) -> str:
    """Return what is the matter with a file and what to do."""
    if file.state == "refused":
        return f"is not taken: {'; '.join(file.said)}."
    remedy = (
        "Answer on the site's page for exported files; with the answers kept there under the name "
        f"“{file.mapping}” the next of its kind passes."
        if file.mapping
        else "Answer on the site's page for exported files; to be asked only once, keep the answers there under a name "
        'and put mapping = "that name" under the source.'
    )
    return f"the service asks: {' '.join(file.said) or 'see there.'} {remedy}"


def status_of(config: Config) -> Status | None:
    """Return how the collector stands, None if it has never run on this outbox."""
    path = config.collector.outbox
    if not path.exists():
        return None
    running = disk.is_held(path)
    with disk.looked_at(path) as db:
        return _status(db, config, running)


def _status(db: sqlite3.Connection, config: Config, running: bool) -> Status:
    now = int(time.time())
    facts = {name: json.loads(value) for name, value in db.execute("SELECT name, value FROM fact")}
    clock, trouble = facts.get("clock") or {}, facts.get("service_trouble") or {}
    clock = clock if clock.get("session") == session() else {}
    path = config.collector.outbox
    waiting, oldest = db.execute("SELECT count(*), min(start) FROM reading WHERE state = 'due'").fetchone()
    refused = _readings(db, "refused")
    kept_out = _readings(db, "kept_out")
    return Status(
        running=running,
        started_s=_ago(now, facts.get("started_at")),
        outbox_mb=round(
            sum(f.stat().st_size for f in path.parent.glob(f"{path.name}*") if f.is_file()) / 1e6, 1
        ),
        free_mb=round(shutil.disk_usage(path.parent).free / 1e6),
        sources=_sources(db, config, now),
        values_waiting=_count(db, "sample WHERE fresh"),
        readings_waiting=waiting,
        oldest_reading_s=None if oldest is None else now - oldest,
        values_without_time=_count(db, "held WHERE session = ?", session()),
        values_of_lost_times=_count(db, "held WHERE session <> ?", session()),
        files=_files(db, config, now),
        refused=refused,
        refused_count=_count(db, "reading WHERE state = 'refused'"),
        kept_out=kept_out,
        kept_out_count=_count(db, "reading WHERE state = 'kept_out'"),
        not_counted=[
            f"{serial}: {reason}"
            for serial, reason in db.execute(
                "SELECT serial, reason FROM aside ORDER BY at DESC LIMIT ?", (SHOWN,)
            )
        ],
        not_counted_count=_count(db, "aside"),
        late_count=facts.get("late", 0),
        acknowledged_s=_ago(now, facts.get("acknowledged_at")),
        service_trouble=trouble.get("text"),
        service_trouble_s=_ago(now, trouble.get("since")),
        clock_ahead_s=clock.get("ahead_s"),
        clock_error_s=clock.get("error_s"),
        set_aside=facts.get("set_aside"),
    )


def _sources(db: sqlite3.Connection, config: Config, now: int) -> list[SourceState]:
    known = {
        name: rest for name, *rest in db.execute("SELECT name, heard_at, trouble, trouble_at FROM source")
    }
    states = []
    for source in config.sources:
        heard_at, trouble, trouble_at = known.get(source.name, (None, None, None))
        states.append(SourceState(source.name, _ago(now, heard_at), trouble, _ago(now, trouble_at)))
    return states


def _files(db: sqlite3.Connection, config: Config, now: int) -> list[FileState]:
    mappings: Mapping[str, str | None] = {source.name: source.remembered_as() for source in config.sources}
    rows = db.execute(
        "SELECT source, name, state, taken_at, told FROM file WHERE state <> 'sent' ORDER BY taken_at DESC, name"
    )
    return [
        FileState(
            source,
            name,
            state,
            now - taken_at,
            json.loads(told)["said"] if told else [],
            mappings.get(source),
        )
        for source, name, state, taken_at, told in rows
    ]


def _readings(db: sqlite3.Connection, state: str) -> list[str]:
    rows = db.execute(
        "SELECT serial, channel, value, reason FROM reading WHERE state = ? ORDER BY start DESC LIMIT ?",
        (state, SHOWN),
    )
    return [f"{serial} {channel} {value:g}: {reason}" for serial, channel, value, reason in rows]


def _count(db: sqlite3.Connection, what: str, *values: Any) -> int:
    found: int = db.execute(f"SELECT count(*) FROM {what}", values).fetchone()[0]  # noqa: S608 - the text is ours
    return found


def _ago(now: int, at: int | None) -> int | None:
    return None if at is None else max(0, now - at)


def lines(status: Status) -> Iterator[str]:
    """Give the status as a person reads it."""
    since = (
        f"was started {age(status.started_s)} ago" if status.started_s is not None else "was never started"
    )
    yield f"The collector runs; it {since}." if status.running else f"The collector does not run; it {since}."
    for source in status.sources:
        heard = "never heard" if source.heard_s is None else f"heard {age(source.heard_s)} ago"
        yield f"  {source.name}: {heard}"
    sent = "nothing yet" if status.acknowledged_s is None else f"last {age(status.acknowledged_s)} ago"
    yield f"The service acknowledged {sent}."
    yield from _waiting(status)
    yield from _clock(status)
    yield f"The outbox takes {status.outbox_mb:g} MB; {status.free_mb:.0f} MB of its disk are free."
    yield from _remarks(status)
    worries = list(status.worries())
    if worries:
        yield "See to this:"
        yield from (f"  - {worry}" for worry in worries)
    else:
        yield "Nothing needs to be done."


def _waiting(status: Status) -> Iterator[str]:
    parts = [counted(status.readings_waiting, "reading")] if status.readings_waiting else []
    parts += (
        [f"{counted(status.values_waiting, 'value')} of intervals that still run"]
        if status.values_waiting
        else []
    )
    parts += [counted(len(status.files), "file")] if status.files else []
    oldest = (
        f", the oldest from {age(status.oldest_reading_s)} ago" if status.oldest_reading_s is not None else ""
    )
    yield f"Waiting: {', '.join(parts) or 'nothing'}{oldest}."
    if status.values_without_time:
        yield f"Waiting for the service to say what time it is: {counted(status.values_without_time, 'value')}."


def _clock(status: Status) -> Iterator[str]:
    ahead = status.clock_ahead_s
    if ahead is None:
        yield "The clock was not compared with the service's since this machine was switched on."
        return
    where = "ahead of" if ahead > 0 else "behind"
    known = f"known to {status.clock_error_s:.1f} s"
    off = f"The clock of this machine is {age(abs(ahead))} {where} the service's ({known})"
    if abs(ahead) > REPAIRED_S:
        yield f"{off}; the service's time is used. Set the clock all the same."
    elif abs(ahead) > TOLD_S:
        yield f"{off}; so little is left as it is. Set the clock if you can."
    else:
        yield "The clock agrees with the service's."


def _remarks(status: Status) -> Iterator[str]:
    if status.kept_out_count:
        kept_out = counted(status.kept_out_count, "reading")
        yield f"The service has {kept_out} with which it does not compute, such as: {status.kept_out[0]}."
    if status.not_counted_count:
        not_counted = counted(status.not_counted_count, "thing")
        yield f"Noticed about counters and sources: {not_counted}, the last: {status.not_counted[0]}."
    if status.late_count:
        yield f"{counted(status.late_count, 'value')} came for days that are long since sent and cleared: not used."


def counted(count: int, noun: str) -> str:
    """Return how many of something."""
    return f"{count} {noun}{'' if count == 1 else 's'}"


def age(seconds: float) -> str:
    """Return a span in words."""
    for unit, name in ((86_400, "day"), (3600, "hour"), (60, "minute")):
        if seconds >= unit:
            return counted(int(seconds // unit), name)
    return counted(round(seconds), "second")
