"""What the collector holds until the service has it: samples as they were read, readings made of them, whole files.

One SQLite file, written through to the disk: what a call returned from survives a power cut. It knows neither devices
nor the service. A day of a unit is cleared `KEEP_DAYS` after it last changed and all of it was sent; what is not sent
is never cleared.
"""

from __future__ import annotations

import hashlib
import json
import logging
import sqlite3
import time
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import isfinite
from pathlib import Path
from threading import RLock
from typing import Any, NamedTuple

from service.collect import disk
from service.collect.clock import CLOCK, MARK, Clock, is_mark
from service.collect.trouble import Trouble
from service.intake.live.intervals import REACH
from service.intake.live.model import Sample

KEEP_DAYS = 14
"""Values that come later than so long after all others of their day are told and not used."""
HEARD_KNOWN_TO_S = 60
"""Spares the disk: a source that answers again and again is noted so often at most."""
DAY_S = 86_400
_HOUR_US = 3_600_000_000
_EDGE_S = 3600 + int(REACH.total_seconds())
"""So much of a cleared day is kept where the day beside it may still need it."""
LARGEST_FILE_MB = 64

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Reading:
    """A unit's value in one interval."""

    serial: str
    interval_min: int
    start: int
    channel: str
    value: float


@dataclass(frozen=True)
class HeldFile:
    """A file that waits."""

    digest: str
    source: str
    name: str
    location: str
    """Where the service told before how far it has come; empty if it did not."""


class Aside(NamedTuple):
    """What was odd about a unit's values of a kind, and when (microseconds); `due` if the service is to know of it."""

    serial: str
    kind: str
    at: int
    reason: str
    due: bool


@dataclass(frozen=True)
class Laid:
    """Readings made of samples, and what was odd about these."""

    readings: Sequence[Reading]
    aside: Sequence[Aside] = ()


Lay = Callable[[Sequence[tuple[str, Sample]], tuple[datetime, datetime], datetime], Laid]
"""Makes readings of a unit's samples, each with its source; given the first and the last moment of what is new, and
until when intervals are complete."""


class Outbox:
    """An open outbox; threads may share it."""

    def __init__(self, connection: sqlite3.Connection, largest_mb: int, clock: Clock, session: str) -> None:
        self._db, self._clock, self._session = connection, clock, session
        self._largest = largest_mb * 1_000_000
        self._lock = RLock()
        self.is_damaged = False
        """Found out while it was used; opening it again sets it aside."""
        self._noted: dict[str, float] = {}
        self._troubled: dict[str, str] = dict(
            connection.execute("SELECT name, trouble FROM source WHERE trouble IS NOT NULL").fetchall()
        )

    # -- what sources call -------------------------------------------------------------------------------------------

    def samples(self, source: str, found: Sequence[Sample]) -> None:
        """Keep samples; Trouble if there is no room."""
        found = [sample for sample in found if isfinite(sample.value)]
        if not found:
            return
        with self._writing() as db:
            self._refuse_if_full(db)
            timed = [sample for sample in found if not is_mark(sample.at)]
            self._hold(db, source, [sample for sample in found if is_mark(sample.at)])
            _keep(db, source, timed)

    def file(self, source: str, path: Path) -> None:
        """Keep a whole file; Trouble if it cannot be read or there is no room."""
        try:
            if path.stat().st_size > LARGEST_FILE_MB * 1_000_000:
                raise Trouble(f"{path.name} has more than {LARGEST_FILE_MB} MB; split it.")
            body = path.read_bytes()
        except OSError as error:
            raise Trouble(
                f"{path.name} cannot be read ({error.strerror}); correct its permissions."
            ) from None
        digest = hashlib.sha256(body).hexdigest()
        if self._read("SELECT 1 FROM file WHERE digest = ?", (digest,)):
            return
        row = (digest, source, path.name, len(body), zlib.compress(body), int(time.time()))
        with self._writing() as db:
            self._refuse_if_full(db)
            db.execute(
                "INSERT INTO file (digest, source, name, size, body, taken_at) VALUES (?, ?, ?, ?, ?, ?) "
                "ON CONFLICT DO NOTHING",
                row,
            )

    def heard(self, source: str) -> None:
        """Note that the source answered."""
        now = time.monotonic()
        if (
            source not in self._troubled
            and now - self._noted.get(source, -HEARD_KNOWN_TO_S) < HEARD_KNOWN_TO_S
        ):
            return
        with self._writing() as db:
            db.execute(
                "INSERT INTO source (name, heard_at) VALUES (?, ?) ON CONFLICT (name) DO UPDATE "
                "SET heard_at = excluded.heard_at, trouble = NULL, trouble_at = NULL",
                (source, int(time.time())),
            )
        self._noted[source] = now
        if self._troubled.pop(source, None):
            log.warning("%s answers again.", source)

    def trouble(self, source: str, message: str) -> None:
        """Note what hinders the source."""
        if self._troubled.get(source) == message:
            return
        with self._writing() as db:
            db.execute(
                "INSERT INTO source (name, trouble, trouble_at) VALUES (?, ?, ?) ON CONFLICT (name) DO UPDATE "
                "SET trouble = excluded.trouble, trouble_at = coalesce(trouble_at, excluded.trouble_at)",
                (source, message, int(time.time())),
            )
        self._troubled[source] = message
        log.warning("%s: %s", source, message)

    # -- from samples to readings ------------------------------------------------------------------------------------

    def date_held(self) -> None:
        """Give the values that came before the clock was known their time, now that it is."""
        if not self._clock.is_known:
            return
        with self._writing() as db:
            rows = db.execute(
                "SELECT on_us, serial, kind, value, source FROM held WHERE session = ?", (self._session,)
            ).fetchall()
            for on_us, serial, kind, value, source in rows:
                _keep(db, source, [Sample(serial, kind, self._clock.at(on_us / 1e6), value)])
            db.execute("DELETE FROM held WHERE session = ?", (self._session,))

    def lay(self, lay: Lay, until: datetime) -> None:
        """Make readings of the samples before `until` that were not laid out yet, a unit and a day at a time."""
        latest = microseconds(until)
        for (serial,) in self._read("SELECT DISTINCT serial FROM sample WHERE fresh AND at < ?", (latest,)):
            while self._lay_some(serial, lay, latest):
                pass

    def _lay_some(self, serial: str, lay: Lay, latest: int) -> bool:
        with self._writing() as db:
            fresh = "FROM sample WHERE fresh AND serial = ? AND at < ?"
            (first,) = db.execute(f"SELECT min(at) {fresh}", (serial, latest)).fetchone()
            if first is None:
                return False
            before = min(first + DAY_S * 1_000_000, latest)
            (last,) = db.execute(f"SELECT max(at) {fresh}", (serial, before)).fetchone()
            around = 2 * microseconds(_EPOCH + REACH) + _HOUR_US
            rows = db.execute(
                "SELECT source, kind, at, value FROM sample WHERE serial = ? AND at BETWEEN ? AND ?",
                (serial, first - around, last + around),
            ).fetchall()
            samples = [(source, Sample(serial, kind, moment(at), value)) for source, kind, at, value in rows]
            laid = lay(samples, (moment(first), moment(last)), moment(latest))
            _put(db, laid.readings)
            db.executemany("INSERT INTO aside VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING", laid.aside)
            db.execute("UPDATE sample SET fresh = 0 WHERE fresh AND serial = ? AND at < ?", (serial, before))
            return True

    def asides_due(self, most: int) -> list[Aside]:
        """Return what was odd and the service does not know yet."""
        return [Aside(*row) for row in self._read("SELECT * FROM aside WHERE due LIMIT ?", (most,))]

    def asides_told(self, told: Sequence[Aside]) -> None:
        """Note that the service knows of these."""
        with self._writing() as db:
            keys = [(one.serial, one.kind, one.at) for one in told]
            db.executemany("UPDATE aside SET due = 0 WHERE serial = ? AND kind = ? AND at = ?", keys)

    # -- from readings to the service --------------------------------------------------------------------------------

    def due(self, most: int, *, newest_first: bool) -> list[Reading]:
        """Return readings of one interval length that the service has not acknowledged."""
        order = "DESC" if newest_first else "ASC"
        rows = self._read(
            "SELECT serial, interval_min, start, channel, value FROM reading "  # noqa: S608 - the order is ours
            f"WHERE state = 'due' ORDER BY start {order}, interval_min, serial LIMIT ?",
            (most,),
        )
        return [Reading(*row) for row in rows if row[1] == rows[0][1]]

    def sent(self, readings: Sequence[Reading], kept_out: Sequence[tuple[Reading, str]] = ()) -> None:
        """Note that the service has these as they were read, and which of them it does not compute with."""
        with self._writing() as db:
            db.executemany(_SET_STATE, [("sent", None, *_key(r)) for r in readings])
            db.executemany(_SET_STATE, [("kept_out", reason, *_key(r)) for r, reason in kept_out])
            _set_fact(db, "acknowledged_at", int(time.time()))

    def refused(self, reading: Reading, reason: str) -> None:
        """Keep aside a reading that the service does not take."""
        with self._writing() as db:
            db.execute(_SET_STATE, ("refused", reason, *_key(reading)))

    def files_due(
        self, tried_as: Callable[[str], str], tried_before: Mapping[str, int]
    ) -> Iterator[HeldFile]:
        """Give the files that wait: never tried, tried in another way, or (by their state) before some time."""
        rows = self._read(
            "SELECT digest, source, name, state, told, tried_at, tried_as FROM file WHERE state <> 'sent' "
            "ORDER BY taken_at, name",
            (),
        )
        for digest, source, name, state, told, tried_at, way in rows:
            changed = way != tried_as(source)
            if tried_at is None or changed or tried_at <= tried_before.get(state, 0):
                location = json.loads(told)["location"] if told and not changed else ""
                yield HeldFile(digest, source, name, location)

    def body(self, file: HeldFile) -> bytes:
        """Return the bytes of a file that waits."""
        return zlib.decompress(self._read("SELECT body FROM file WHERE digest = ?", (file.digest,))[0][0])

    def file_done(self, digest: str, state: str, told: Any, tried_as: str) -> None:
        """Note what the service said to a file; one that it has taken needs its bytes no longer."""
        with self._writing() as db:
            db.execute(
                "UPDATE file SET state = ?, told = ?, tried_at = ?, tried_as = ?, "
                "body = CASE WHEN ? = 'sent' THEN NULL ELSE body END WHERE digest = ?",
                (state, json.dumps(told), int(time.time()), tried_as, state, digest),
            )
            if state == "sent":
                _set_fact(db, "acknowledged_at", int(time.time()))

    def try_again(self) -> None:
        """Let what the service refused be due once more."""
        with self._writing() as db:
            db.execute("UPDATE reading SET state = 'due', reason = NULL WHERE state = 'refused'")
            db.execute("UPDATE file SET tried_at = NULL")

    def fact(self, name: str) -> Any:
        """Return what was noted under a name, None if nothing was."""
        rows = self._read("SELECT value FROM fact WHERE name = ?", (name,))
        return json.loads(rows[0][0]) if rows else None

    def note(self, name: str, value: Any) -> None:
        """Note something under a name, unless it is noted so already."""
        if self.fact(name) != value:
            with self._writing() as db:
                _set_fact(db, name, value)

    # -- clearing ----------------------------------------------------------------------------------------------------

    def clear(self, now: int) -> None:
        """Clear the days that have rested long enough; only while the clock is known."""
        with self._writing() as db:
            db.execute("UPDATE unit_day SET rested_since = ? WHERE rested_since IS NULL", (now,))
            rested = db.execute(
                "SELECT serial, day FROM unit_day WHERE NOT cleared AND rested_since < ? LIMIT 500",
                (now - KEEP_DAYS * DAY_S,),
            ).fetchall()
            for serial, day in rested:
                _clear(db, serial, day)

    # -- the file itself ---------------------------------------------------------------------------------------------

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._db.close()

    def _read(self, sql: str, values: tuple[Any, ...]) -> list[Any]:
        with self._lock, self._told():
            return self._db.execute(sql, values).fetchall()

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        with self._lock, self._told():
            try:
                self._db.execute("BEGIN IMMEDIATE")
                yield self._db
                self._db.execute("COMMIT")
            except BaseException:
                self._roll_back()
                raise

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Turn what the disk does into trouble that can be told."""
        try:
            yield
        except sqlite3.OperationalError as error:
            raise Trouble(
                f"The outbox cannot be written ({error}); make room on the disk and check it. Nothing that it holds is "
                "lost."
            ) from error
        except sqlite3.DatabaseError as error:
            self.is_damaged |= type(error) is sqlite3.DatabaseError
            raise

    def _roll_back(self) -> None:
        if self._db.in_transaction:
            self._db.execute("ROLLBACK")

    def _refuse_if_full(self, db: sqlite3.Connection) -> None:
        pages, free, size = (
            db.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("page_count", "freelist_count", "page_size")
        )
        if (pages - free) * size > self._largest:
            raise Trouble(
                f"The outbox holds {self._largest // 1_000_000} MB that are not sent, its largest size; nothing more "
                "is read until the service takes some. See to the connection, or raise largest_mb."
            )

    def _hold(self, db: sqlite3.Connection, source: str, found: Sequence[Sample]) -> None:
        db.executemany(
            "INSERT INTO held VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET value = excluded.value",
            [(self._session, (s.at - MARK) // _US, s.serial, s.kind, s.value, source) for s in found],
        )


_US = timedelta(microseconds=1)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_SET_STATE = (
    "UPDATE reading SET state = ?, reason = ? "
    "WHERE serial = ? AND interval_min = ? AND start = ? AND channel = ? AND value = ?"
)


def opened(path: Path, largest_mb: int, session: str, clock: Clock = CLOCK) -> Outbox:
    """Return the outbox at a path, made if there is none."""
    connection, said = disk.opened(path, largest_mb)
    outbox = Outbox(connection, largest_mb, clock, session)
    if said:
        log.error(said)
        outbox.note("set_aside", said)
    return outbox


def microseconds(at: datetime) -> int:
    """Return a moment as it is kept: microseconds since 1970."""
    return (at - _EPOCH) // _US


def moment(us: int) -> datetime:
    """Return the moment that is kept so."""
    return _EPOCH + us * _US


def _keep(db: sqlite3.Connection, source: str, found: Sequence[Sample]) -> None:
    late = 0
    for sample in found:
        at = microseconds(sample.at)
        day = at // (DAY_S * 1_000_000)
        if db.execute(
            "SELECT 1 FROM unit_day WHERE serial = ? AND day = ? AND cleared", (sample.serial, day)
        ).fetchone():
            late += 1
            continue
        changed = db.execute(
            "INSERT INTO sample VALUES (?, ?, ?, ?, ?, 1) ON CONFLICT DO UPDATE "
            "SET value = excluded.value, source = excluded.source, fresh = 1 WHERE value <> excluded.value",
            (sample.serial, sample.kind, at, sample.value, source),
        ).rowcount
        if changed:
            db.execute(
                "INSERT INTO unit_day (serial, day) VALUES (?, ?) ON CONFLICT DO UPDATE SET rested_since = NULL",
                (sample.serial, day),
            )
    if late:
        before = db.execute("SELECT value FROM fact WHERE name = 'late'").fetchone()
        _set_fact(db, "late", late + (json.loads(before[0]) if before else 0))


def _put(db: sqlite3.Connection, made: Sequence[Reading]) -> None:
    for r in made:
        if db.execute(
            "SELECT 1 FROM unit_day WHERE serial = ? AND day = ? AND cleared", (r.serial, r.start // DAY_S)
        ).fetchone():
            continue
        db.execute(
            "INSERT INTO reading (serial, interval_min, start, channel, value) VALUES (?, ?, ?, ?, ?) "
            "ON CONFLICT DO UPDATE SET value = excluded.value, state = 'due', reason = NULL "
            "WHERE value <> excluded.value",
            (r.serial, r.interval_min, r.start, r.channel, round(r.value, 4)),
        )


def _clear(db: sqlite3.Connection, serial: str, day: int) -> None:
    """Clear a day, save its ends where the day beside it may still need them."""
    first, last = day * DAY_S, (day + 1) * DAY_S
    waits = db.execute(
        "SELECT EXISTS (SELECT 1 FROM reading WHERE serial = ?1 AND state = 'due' AND start >= ?2 AND start < ?3) "
        "OR EXISTS (SELECT 1 FROM sample WHERE serial = ?1 AND fresh AND at >= ?2 * 1000000 AND at < ?3 * 1000000)",
        (serial, first, last),
    ).fetchone()[0]
    if waits:
        return
    db.execute("UPDATE unit_day SET cleared = 1 WHERE serial = ? AND day = ?", (serial, day))
    begin = first - _EDGE_S if _is_cleared(db, serial, day - 1) else first + _EDGE_S
    end = last + _EDGE_S if _is_cleared(db, serial, day + 1) else last - _EDGE_S
    db.execute(
        "DELETE FROM sample WHERE serial = ? AND at >= ? AND at < ?",
        (serial, begin * 1_000_000, end * 1_000_000),
    )
    db.execute(
        "DELETE FROM reading WHERE serial = ? AND start >= ? AND start < ? AND state = 'sent'",
        (serial, first, last),
    )


def _is_cleared(db: sqlite3.Connection, serial: str, day: int) -> bool:
    sql = "SELECT 1 FROM unit_day WHERE serial = ? AND day = ? AND cleared"
    return db.execute(sql, (serial, day)).fetchone() is not None


def _key(r: Reading) -> tuple[Any, ...]:
    return r.serial, r.interval_min, r.start, r.channel, r.value


def _set_fact(db: sqlite3.Connection, name: str, value: Any) -> None:
    db.execute(
        "INSERT INTO fact VALUES (?, ?) ON CONFLICT DO UPDATE SET value = excluded.value",
        (name, json.dumps(value)),
    )
