"""Readings and weather, one row per channel and UTC day. This module alone knows how they are packed.

A day on a regular grid is a zlib-compressed array of little-endian float32, NaN where not heard. Starts that
keep to no grid (odd seconds, a wandering phase) are packed as pairs of second and value under a channel that
ends in `LOOSE`: kept exactly, so that sending again still replaces, and apportioned to the grid when loaded.
What is plausible is intake's to judge; nothing is refused here.
"""

from __future__ import annotations

import zlib
from collections.abc import Collection, Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import islice, pairwise
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import ColumnElement, Table, and_, bindparam, case, delete, func, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlmodel import Session

from service.store.grids import (
    IntArray,
    Samples,
    Series,
    apportioned,
    keeps_to_a_grid,
    moment,
    placed,
    seconds,
    superseded,
)
from service.store.tables import ReadingDay, ReadingSource, WeatherDay

__all__ = [
    "CHANNELS",
    "SEVERAL",
    "Counts",
    "Samples",
    "Series",
    "contested",
    "held_span",
    "is_heard",
    "kept",
    "load",
    "load_weather",
    "write",
    "write_weather",
]

CHANNELS = (
    "energy_wh",
    "power_w",
    "dc_voltage_v",
    "ac_voltage_v",
    "frequency_hz",
    "temperature_c",
    "signal_pct",
)
"""What a unit may report, by the contract's names."""

LOOSE = "~"
SEVERAL = "*"
"""In place of a day's source: several, of which each is kept apart."""

DAY_S = 86_400
SERIES_PER_QUERY = 200
_PAIR = np.dtype([("second", "<u4"), ("value", "<f4")])


@dataclass(frozen=True)
class Counts:
    """What a write did: values `accepted` where none was, values that `replaced` one, whether any differs."""

    accepted: int = 0
    replaced: int = 0
    changed: bool = False

    def __add__(self, other: Counts) -> Counts:
        """Return the two writes taken as one."""
        return Counts(
            self.accepted + other.accepted, self.replaced + other.replaced, self.changed or other.changed
        )


class _Key(NamedTuple):
    """A row's key under its site; the serial is empty for weather, `day` counts from 1970-01-01."""

    serial: str
    channel: str
    day: int
    interval_min: int
    offset_min: int


class _Block(NamedTuple):
    """A row's heard values, sorted by start."""

    starts: IntArray
    values: NDArray[np.float32]


_Model = type[ReadingDay] | type[ReadingSource] | type[WeatherDay]
_Row = tuple[_Key, bytes]
_Shelf = dict[_Key, _Block]
"""All rows at hand of one unit and channel."""


def load(
    session: Session,
    site_id: str,
    *,
    start: datetime,
    end: datetime,
    channels: Collection[str] | None = None,
) -> list[Series]:
    """Return what is held for intervals that start in [start, end), each series on a grid over the window.

    A unit whose interval or phase changed has one series per grid.
    """
    return _gridded(_rows(session, ReadingDay, site_id, start=start, end=end, channels=channels), start, end)


def kept(
    session: Session,
    site_id: str,
    *,
    start: datetime,
    end: datetime,
    channels: Collection[str] | None = None,
) -> list[Samples]:
    """Return the heard values that start in [start, end) with their starts just as they were sent."""
    rows = _rows(session, ReadingDay, site_id, start=start, end=end, channels=channels)
    first, last = seconds(start), seconds(end)
    found = (_joined(key, blocks, first, last) for key, blocks in _by_grid(rows))
    return [samples for samples in found if samples.starts.size]


def held_span(session: Session, site_id: str) -> tuple[datetime, datetime] | None:
    """Return the start of the first and the end of the last interval held; None if there is none."""
    c = _table(ReadingDay).c
    days = session.execute(select(func.min(c.day), func.max(c.day)).where(c.site_id == site_id)).one()
    if days[0] is None:
        return None
    wanted = select(*_columns(ReadingDay)).where(c.site_id == site_id, c.day.in_(days))
    blocks = [(key.interval_min, _unpack(key, raw).starts) for key, raw in _keyed(session, wanted)]
    first = min(int(starts[0]) for _, starts in blocks)
    last = max(int(starts[-1]) + interval * 60 for interval, starts in blocks)
    return moment(first), moment(last)


def is_heard(session: Session, site_id: str, serial: str) -> bool:
    """Return whether anything is held of the serial."""
    c = _table(ReadingDay).c
    wanted = select(c.day).where(c.site_id == site_id, c.unit_serial == serial).limit(1)
    return session.execute(wanted).first() is not None


def write(session: Session, site_id: str, batch: Iterable[Samples], source: str = "") -> Counts:
    """Keep a batch; a value replaces what is held for its start, and shorter intervals within its own.

    NaN replaces nothing. Where another source has sent the same unit's day before, what each said is kept beside it.
    The caller holds the site's row lock and commits.
    """
    return _write(session, ReadingDay, site_id, batch, source)


def load_weather(session: Session, site_id: str, *, start: datetime, end: datetime) -> list[Series]:
    """Return the weather held for [start, end) as `load` does; serials are empty."""
    return _gridded(_rows(session, WeatherDay, site_id, start=start, end=end), start, end)


def write_weather(session: Session, site_id: str, batch: Iterable[Samples]) -> Counts:
    """Keep weather by the rules of `write`; its starts must be whole minutes."""
    return _write(session, WeatherDay, site_id, batch)


# Writing


def _write(
    session: Session, model: _Model, site_id: str, batch: Iterable[Samples], source: str = ""
) -> Counts:
    counts = Counts()
    remaining = iter(batch)
    while part := list(islice(remaining, SERIES_PER_QUERY)):
        counts += _write_part(session, model, site_id, part, source)
    return counts


def _write_part(
    session: Session, model: _Model, site_id: str, part: Sequence[Samples], source: str
) -> Counts:
    heard = [s for s in map(_heard, part) if s.starts.size]
    if not heard:
        return Counts()
    before = dict(_near(session, model, site_id, heard))
    shelves: dict[tuple[str, str], _Shelf] = {(s.serial, s.channel): {} for s in heard}
    for key, raw in before.items():
        shelves.get((key.serial, _channel(key)), {})[key] = _unpack(key, raw)
    counts = sum((_merge(shelves[s.serial, s.channel], s) for s in heard), Counts())
    after = {key: _pack(key, block) for shelf in shelves.values() for key, block in shelf.items()}
    changed = {key: raw for key, raw in after.items() if raw != before.get(key)}
    _store(session, model, site_id, changed, source)
    if source:
        _keep_apart(session, site_id, source, heard, before, changed)
    return Counts(counts.accepted, counts.replaced, bool(changed))


def _heard(samples: Samples) -> Samples:
    """Return the samples without NaN, sorted by start; of twins the later sent stands last."""
    known = ~np.isnan(samples.values)
    starts, values = samples.starts[known], samples.values[known]
    order = np.argsort(starts, kind="stable")
    return Samples(samples.serial, samples.channel, samples.interval_min, starts[order], values[order])


def _merge(shelf: _Shelf, samples: Samples) -> Counts:
    last_of_twins = np.append(np.diff(samples.starts) > 0, True)
    starts = samples.starts[last_of_twins]
    replaced = np.zeros(starts.size, dtype=bool)
    for key, block in shelf.items():
        gone, by = superseded(block.starts, key.interval_min, starts, samples.interval_min)
        replaced[by] = True
        shelf[key] = _Block(block.starts[~gone], block.values[~gone])
    for key, block in _split(samples, starts, samples.values[last_of_twins].astype(np.float32)):
        shelf[key] = _united(shelf[key], block) if key in shelf else block
    accepted = int(np.count_nonzero(~replaced))
    return Counts(accepted, samples.starts.size - accepted)


def _split(samples: Samples, starts: IntArray, values: NDArray[np.float32]) -> Iterator[tuple[_Key, _Block]]:
    if not samples.serial or keeps_to_a_grid(starts, samples.interval_min):
        offsets, channel = starts // 60 % samples.interval_min, samples.channel
    else:
        offsets, channel = np.zeros_like(starts), samples.channel + LOOSE
    rows = starts // DAY_S * 60 + offsets
    bounds = [0, *(np.flatnonzero(np.diff(rows)) + 1).tolist(), starts.size]
    for first, last in pairwise(bounds):
        day, offset = divmod(int(rows[first]), 60)
        key = _Key(samples.serial, channel, day, samples.interval_min, offset)
        yield key, _Block(starts[first:last], values[first:last])


def _united(held: _Block, new: _Block) -> _Block:
    starts = np.concatenate([held.starts, new.starts])
    order = np.argsort(starts, kind="stable")
    return _Block(starts[order], np.concatenate([held.values, new.values])[order])


def _store(session: Session, model: _Model, site_id: str, rows: dict[_Key, bytes], source: str = "") -> None:
    """Keep the rows; `source` is put to those that had none, and stays out where it is empty."""
    table, connection = _table(model), session.connection()
    full = [{**_named(model, site_id, k), "values": zlib.compress(raw, 1)} for k, raw in rows.items() if raw]
    if full:
        insert: Any = (postgresql if connection.dialect.name == "postgresql" else sqlite).insert(table)
        values: dict[str, Any] = {"values": insert.excluded["values"]}
        if model is ReadingDay:
            full = [{**row, "source": source} for row in full]
            unsaid = (table.c.source == "") & (insert.excluded.source != "")
            values["source"] = case((unsaid, insert.excluded.source), else_=table.c.source)
        connection.execute(insert.on_conflict_do_update(index_elements=table.primary_key, set_=values), full)
    emptied = [_named(model, site_id, key) for key, raw in rows.items() if not raw]
    if emptied:
        keys = [column == bindparam(f"old_{column.name}") for column in table.primary_key]
        old = [{f"old_{name}": value for name, value in row.items()} for row in emptied]
        connection.execute(delete(table).where(*keys), old)


# Several sources


def contested(session: Session, site_id: str, *, start: datetime, end: datetime) -> dict[str, list[Samples]]:
    """Return by source what each said in [start, end) of the units' days that several have sent."""
    c = _table(ReadingSource).c
    days = c.day.between(_date(seconds(start) // DAY_S - 1), _date(seconds(end) // DAY_S))
    wanted = select(c.source, *_columns(ReadingSource)).where(c.site_id == site_id, days)
    first, last = seconds(start), seconds(end)
    rows: dict[str, list[Samples]] = {}
    for source, *row in session.execute(wanted.order_by(c.source)):
        key, raw = _row(row)
        rows.setdefault(source, []).append(_joined(key, [_unpack(key, raw)], first, last))
    return rows


def _keep_apart(
    session: Session,
    site_id: str,
    source: str,
    heard: Sequence[Samples],
    before: Mapping[_Key, bytes],
    changed: Container[_Key],
) -> None:
    """Keep what each source said of the days of which this one now said something after another."""
    others = _others(session, site_id, source, heard)
    mine = {key: block for s in heard if others for key, block in _last_said(s) if key in others}
    # Where another's whole day only came once more, word for word, there is nothing to tell apart.
    mine = {key: block for key, block in mine.items() if key in changed or others[key] == SEVERAL}
    if not mine:
        return
    theirs = {(key, others[key]): before[key] for key in mine if others[key] != SEVERAL}
    earlier = _said_before(session, site_id, source, mine)
    said = {
        (key, source): _pack(key, _over(earlier[key], block) if key in earlier else block)
        for key, block in mine.items()
    }
    _store_apart(session, site_id, {**theirs, **said})
    _mark_several(session, site_id, [key for key, _ in theirs])


def _others(session: Session, site_id: str, source: str, heard: Sequence[Samples]) -> dict[_Key, str]:
    c = _table(ReadingDay).c
    wanted = select(c.source, *_columns(ReadingDay)[:-1]).where(
        _touched(ReadingDay, site_id, heard), c.source.not_in(("", source))
    )
    return {_key(row): other for other, *row in session.execute(wanted)}


def _said_before(session: Session, site_id: str, source: str, keys: Iterable[_Key]) -> dict[_Key, _Block]:
    c = _table(ReadingSource).c
    days = {_date(key.day) for key in keys}
    wanted = select(*_columns(ReadingSource)).where(c.site_id == site_id, c.source == source, c.day.in_(days))
    return {key: _unpack(key, raw) for key, raw in _keyed(session, wanted)}


def _last_said(samples: Samples) -> Iterator[tuple[_Key, _Block]]:
    last = np.append(np.diff(samples.starts) > 0, True)
    return _split(samples, samples.starts[last], samples.values[last].astype(np.float32))


def _over(held: _Block, new: _Block) -> _Block:
    stays = ~np.isin(held.starts, new.starts)
    return _united(_Block(held.starts[stays], held.values[stays]), new)


def _store_apart(session: Session, site_id: str, rows: Mapping[tuple[_Key, str], bytes]) -> None:
    table, connection = _table(ReadingSource), session.connection()
    insert: Any = (postgresql if connection.dialect.name == "postgresql" else sqlite).insert(table)
    full = [
        {**_named(ReadingDay, site_id, key), "source": source, "values": zlib.compress(raw, 1)}
        for (key, source), raw in rows.items()
    ]
    values = {"values": insert.excluded["values"]}
    connection.execute(insert.on_conflict_do_update(index_elements=table.primary_key, set_=values), full)


def _mark_several(session: Session, site_id: str, keys: Sequence[_Key]) -> None:
    if keys:
        table = _table(ReadingDay)
        names = [column.name for column in table.primary_key]
        wanted = update(table).where(*(table.c[name] == bindparam(f"of_{name}") for name in names))
        rows = [{f"of_{n}": v for n, v in _named(ReadingDay, site_id, key).items()} for key in keys]
        session.connection().execute(wanted.values(source=SEVERAL), rows)


# Packing


def _pack(key: _Key, block: _Block) -> bytes:
    """Return the row's bytes before compression; none if nothing is left."""
    if not block.starts.size:
        return b""
    second = block.starts - key.day * DAY_S
    if _is_loose(key):
        pairs = np.empty(second.size, dtype=_PAIR)
        pairs["second"], pairs["value"] = second, block.values
        return pairs.tobytes()
    cells = np.full(1440 // key.interval_min, np.nan, dtype="<f4")
    cells[second // 60 // key.interval_min] = block.values
    return cells.tobytes()


def _unpack(key: _Key, raw: bytes) -> _Block:
    midnight = key.day * DAY_S
    if _is_loose(key):
        pairs = np.frombuffer(raw, dtype=_PAIR)
        return _Block(pairs["second"].astype(np.int64) + midnight, pairs["value"].astype(np.float32))
    cells = np.frombuffer(raw, dtype="<f4")
    heard = np.flatnonzero(~np.isnan(cells))
    return _Block(midnight + 60 * (key.offset_min + key.interval_min * heard), cells[heard])


def _is_loose(key: _Key) -> bool:
    return bool(key.serial) and key.channel.endswith(
        LOOSE
    )  # weather has no serial, and planes may end in anything


def _channel(key: _Key) -> str:
    return key.channel.removesuffix(LOOSE) if _is_loose(key) else key.channel


# Rows


def _table(model: _Model) -> Table:
    table: Table = model.__table__  # type: ignore[union-attr]
    return table


def _columns(model: _Model) -> list[Any]:
    names = ("channel", "day", "interval_min", "offset_min", "values")
    return [_table(model).c[name] for name in (names if model is WeatherDay else ("unit_serial", *names))]


def _named(model: _Model, site_id: str, key: _Key) -> dict[str, Any]:
    row = {
        "site_id": site_id,
        "channel": key.channel,
        "day": _date(key.day),
        "interval_min": key.interval_min,
        "offset_min": key.offset_min,
    }
    return {**row, "unit_serial": key.serial} if model is ReadingDay else row


def _rows(
    session: Session,
    model: _Model,
    site_id: str,
    *,
    start: datetime,
    end: datetime,
    channels: Collection[str] | None = None,
) -> list[_Row]:
    """Return the rows that may reach into the window, sorted by key."""
    c = _table(model).c
    days = c.day.between(_date(seconds(start) // DAY_S - 1), _date(seconds(end) // DAY_S))
    wanted = select(*_columns(model)).where(c.site_id == site_id, days)
    if channels is not None:
        wanted = wanted.where(c.channel.in_(_with_loose(channels)))
    return sorted(_keyed(session, wanted))


def _near(session: Session, model: _Model, site_id: str, part: Sequence[Samples]) -> Iterator[_Row]:
    """Give the rows that new samples may touch: of their days, and the next for an interval over midnight."""
    return _keyed(session, select(*_columns(model)).where(_touched(model, site_id, part)))


def _touched(model: _Model, site_id: str, part: Sequence[Samples]) -> ColumnElement[bool]:
    c = _table(model).c
    first = min(int(s.starts[0]) for s in part) // DAY_S
    last = max(int(s.starts[-1]) for s in part) // DAY_S + 1
    days = c.day.between(_date(first), _date(last))
    touched = and_(c.site_id == site_id, days, c.channel.in_(_with_loose(s.channel for s in part)))
    return touched if model is WeatherDay else and_(touched, c.unit_serial.in_({s.serial for s in part}))


def _with_loose(channels: Iterable[str]) -> set[str]:
    return {name + ending for name in channels for ending in ("", LOOSE)}


def _keyed(session: Session, wanted: Any) -> Iterator[_Row]:
    return (_row(row) for row in session.execute(wanted))


def _row(row: Sequence[Any]) -> _Row:
    return _key(row[:-1]), zlib.decompress(row[-1])


def _key(row: Sequence[Any]) -> _Key:
    *serial, channel, day, interval_min, offset_min = row
    number = (day - date(1970, 1, 1)).days
    return _Key(serial[0] if serial else "", channel, number, interval_min, offset_min)


def _date(day_number: int) -> date:
    return date(1970, 1, 1) + timedelta(days=day_number)


# From rows to series


def _by_grid(rows: Iterable[_Row]) -> Iterator[tuple[_Key, list[_Block]]]:
    """Give the blocks of each unit, channel and grid in the order of their days; the key has no day."""
    grids: dict[_Key, list[_Block]] = {}
    for key, raw in rows:
        grids.setdefault(key._replace(day=0), []).append(_unpack(key, raw))
    return iter(grids.items())


def _joined(key: _Key, blocks: Sequence[_Block], first: int, last: int) -> Samples:
    starts = np.concatenate([b.starts for b in blocks])
    inside = (starts >= first) & (starts < last)
    values = np.concatenate([b.values for b in blocks])[inside].astype(np.float64)
    return Samples(key.serial, _channel(key), key.interval_min, starts[inside], values)


def _gridded(rows: Iterable[_Row], start: datetime, end: datetime) -> list[Series]:
    first, last = seconds(start), seconds(end)
    grids = {key: _joined(key, blocks, first - DAY_S, last) for key, blocks in _by_grid(rows)}
    for key in filter(_is_loose, list(grids)):
        full = key._replace(channel=_channel(key))
        found = [s for s in (grids.pop(key), grids.get(full)) if s is not None and s.starts.size]
        if found:
            grids[full] = apportioned(found)
    series = [
        placed(samples, key.offset_min, first, last) for key, samples in sorted(grids.items(), key=_first)
    ]
    return [s for s in series if not np.all(np.isnan(s.values))]


def _first(item: tuple[_Key, Samples]) -> _Key:
    return item[0]
