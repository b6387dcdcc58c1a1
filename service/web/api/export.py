"""Readings as JSON, CSV or Parquet, each in a form that can be sent again and gives the same readings."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from fastapi.responses import JSONResponse, Response
from numpy.typing import NDArray

from service.intake.parse import CSV_TYPE, JSON_TYPE, PARQUET_TYPE
from service.store.grids import IntArray, Samples, moment
from service.store.readings import CHANNELS
from service.web.api.schema import REF, TableBody
from service.web.errors import Failed

Float32s = NDArray[np.float32]
EMPTY_START = 946_684_800
"""Start of a table without any reading: the year 2000."""


# Which format


def chosen(accept: str) -> str:
    """Return the format that the header Accept likes best; Failed if it takes none."""
    liked = [_quality(part) for part in accept.split(",") if part.strip()] or [("*/*", 1.0)]
    ranked = [(_liking(kind, liked), kind) for kind in _FORMATS]
    best, kind = max(ranked, key=lambda item: item[0])
    if best <= 0:
        raise Failed(406, f"Readings are given as {', '.join(_FORMATS)}; ask for one in the header Accept.")
    return kind


def _quality(part: str) -> tuple[str, float]:
    kind, *parameters = (p.strip().lower() for p in part.split(";"))
    for parameter in parameters:
        name, _, value = parameter.partition("=")
        if name.strip() == "q":
            try:
                return kind, float(value)
            except ValueError:
                return kind, 0.0
    return kind, 1.0


def _liking(kind: str, liked: Sequence[tuple[str, float]]) -> float:
    """Return the quality that the most exact entry gives to the format."""
    for pattern in (kind, f"{kind.partition('/')[0]}/*", "*/*"):
        for named, quality in liked:
            if named == pattern:
                return quality
    return 0.0


def response(kind: str, found: Sequence[Samples], site_id: str) -> Response:
    """Return the readings in the format."""
    return _FORMATS[kind](found, site_id)


# JSON


def _as_json(found: Sequence[Samples], _: str) -> Response:
    parts = list(_tables(found)) + list(_rows(found))
    first = (
        parts[0] if parts else {"interval_min": 5, "start": moment(EMPTY_START).isoformat(), "energy_wh": {}}
    )
    return JSONResponse({**first, "further": parts[1:]} if parts[1:] else first)


def _tables(found: Sequence[Samples]) -> Iterator[dict[str, Any]]:
    """Give a table for each interval and phase, the one with the most series first."""
    groups: dict[tuple[int, int], list[Samples]] = {}
    for samples in found:
        phase = _phase(samples)
        if phase is not None:
            groups.setdefault((samples.interval_min, phase), []).append(samples)
    for (interval_min, _), group in sorted(groups.items(), key=lambda item: -len(item[1])):
        yield _table(interval_min, group)


def _phase(samples: Samples) -> int | None:
    """Return how many minutes after the full interval the starts are; None if they keep to no grid."""
    if np.any(samples.starts % 60):
        return None
    phases = np.unique(samples.starts // 60 % samples.interval_min)
    return int(phases[0]) if phases.size == 1 else None


def _table(interval_min: int, group: Sequence[Samples]) -> dict[str, Any]:
    step = interval_min * 60
    start = min(int(s.starts[0]) for s in group)
    table: dict[str, Any] = {"interval_min": interval_min, "start": moment(start).isoformat()}
    for channel in CHANNELS:
        lists = {s.serial: _from(start, step, s) for s in group if s.channel == channel}
        if lists:
            table[channel] = lists
    return table


def _from(start: int, step: int, samples: Samples) -> list[float | None]:
    place = (samples.starts - start) // step
    cells = np.full(int(place[-1]) + 1, np.nan, dtype=np.float32)
    cells[place] = samples.values
    return _numbers(cells)


def _numbers(values: Float32s) -> list[float | None]:
    """Return the shortest decimals that are these 32-bit numbers: 0.4 and not 0.4000000059604645."""
    short = pa.array(values, from_pandas=True).cast(pa.string()).cast(pa.float64())
    numbers: list[float | None] = short.to_pylist()
    return numbers


def _rows(found: Sequence[Samples]) -> Iterator[dict[str, Any]]:
    """Give rows, for each interval, of those samples that keep to no grid."""
    loose = [s for s in found if _phase(s) is None]
    for interval_min in sorted({s.interval_min for s in loose}):
        yield {
            "interval_min": interval_min,
            "readings": [
                {"serial": s.serial, "start": moment(start).isoformat(), s.channel: value}
                for s in loose
                if s.interval_min == interval_min
                for start, value in zip(s.starts.tolist(), _numbers(_float32(s)), strict=True)
            ],
        }


def _float32(samples: Samples) -> Float32s:
    return samples.values.astype(np.float32)


# Columns


def _columns(found: Sequence[Samples]) -> pa.Table:
    """Return one row for each serial, interval and start, with a column for each channel that is held."""
    channels = [c for c in CHANNELS if any(s.channel == c for s in found)] or ["energy_wh"]
    groups: dict[tuple[str, int], list[Samples]] = {}
    for samples in found:
        groups.setdefault((samples.serial, samples.interval_min), []).append(samples)
    parts = [_group_columns(key, group, channels) for key, group in groups.items()]
    return pa.concat_tables(parts) if parts else _group_columns(("", 5), [], channels)


def _group_columns(key: tuple[str, int], group: Sequence[Samples], channels: Sequence[str]) -> pa.Table:
    starts = np.unique(np.concatenate([s.starts for s in group])) if group else np.empty(0, dtype=np.int64)
    values = {channel: _column(channel, starts, group) for channel in channels}
    return pa.table(
        {
            "serial": pa.array([key[0]] * starts.size, pa.string()),
            "start": pa.array(starts * 1000, pa.timestamp("ms", "UTC")),
            **{channel: pa.array(column, from_pandas=True) for channel, column in values.items()},
            "interval_min": pa.array(np.full(starts.size, key[1], dtype=np.int32)),
        }
    )


def _column(channel: str, starts: IntArray, group: Sequence[Samples]) -> Float32s:
    column = np.full(starts.size, np.nan, dtype=np.float32)
    for samples in group:
        if samples.channel == channel:
            column[np.searchsorted(starts, samples.starts)] = samples.values
    return column


def _as_csv(found: Sequence[Samples], site_id: str) -> Response:
    table = _columns(found)
    texts = [_texts(name, table.column(name)) for name in table.column_names]
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(table.column_names)
    writer.writerows(zip(*texts, strict=True))
    return _file(out.getvalue().encode(), f"{CSV_TYPE}; charset=utf-8", f"readings-{site_id}.csv")


def _texts(name: str, column: pa.ChunkedArray) -> list[str | None]:
    if name == "start":
        iso = np.datetime_as_string(column.to_numpy().astype("datetime64[s]"))
        return [f"{text}+00:00" for text in iso.tolist()]
    texts: list[str | None] = column.cast(pa.string()).to_pylist()
    return texts


def _as_parquet(found: Sequence[Samples], site_id: str) -> Response:
    out = io.BytesIO()
    pq.write_table(_columns(found), out)
    return _file(out.getvalue(), PARQUET_TYPE, f"readings-{site_id}.parquet")


def _file(content: bytes, kind: str, name: str) -> Response:
    return Response(
        content, media_type=kind, headers={"Content-Disposition": f'attachment; filename="{name}"'}
    )


_FORMATS: dict[str, Callable[[Sequence[Samples], str], Response]] = {
    JSON_TYPE: _as_json,
    CSV_TYPE: _as_csv,
    PARQUET_TYPE: _as_parquet,
}

DESCRIBED: dict[str, Any] = {
    "content": {
        JSON_TYPE: {"schema": {"$ref": REF.format(model=TableBody.__name__)}},
        CSV_TYPE: {"schema": {"type": "string"}},
        PARQUET_TYPE: {"schema": {"type": "string", "format": "binary"}},
    }
}
