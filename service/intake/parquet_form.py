"""Readings as Parquet, in the columns in which they are given out."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from math import isnan
from typing import Any

import numpy as np

from service.intake import fields
from service.intake.csv_form import header_errors
from service.intake.problems import Refused
from service.intake.rows import Rows
from service.store.grids import Samples

LARGEST_ROWS = 2_000_000
"""Parquet packs so well that a small body may hold more than memory does."""

ROWS_AT_ONCE = 10_000


def samples_from_parquet(body: bytes) -> list[Samples]:
    """Return the samples; `start` must be a timestamp with a timezone."""
    rows = Rows([])
    for i, row in enumerate(_rows(body)):
        place = f"row {i}"
        interval_min = fields.interval(row.pop("interval_min"), f"{place}.", rows.errors)
        rows.add({name: _plain(value) for name, value in row.items()}, place, interval_min)
    return rows.samples()


def parquet_of(samples: Sequence[Samples]) -> bytes:
    """Return samples of any channels in our form, which `samples_from_parquet` reads back as they are."""
    import pyarrow as pa  # noqa: PLC0415 - as below
    import pyarrow.parquet as pq  # noqa: PLC0415

    lengths = [s.starts.size for s in samples]
    nothing = [pa.nulls(n, pa.float64()) for n in lengths]
    serials, kinds = list(dict.fromkeys(s.serial for s in samples)), pa.timestamp("s", tz="UTC")
    units = np.repeat(np.array([serials.index(s.serial) for s in samples], dtype=np.int32), lengths)
    columns = {
        "serial": pa.DictionaryArray.from_arrays(units, pa.array(serials, pa.string())),
        "start": pa.array(np.concatenate([s.starts for s in samples])).cast(kinds),
        "interval_min": np.repeat([s.interval_min for s in samples], lengths),
    }
    for channel in dict.fromkeys(s.channel for s in samples):
        found = [
            pa.array(s.values) if s.channel == channel else none
            for s, none in zip(samples, nothing, strict=True)
        ]
        columns[channel] = pa.chunked_array(found, pa.float64())
    out = io.BytesIO()
    pq.write_table(pa.table(columns), out, compression="none")  # what is kept is compressed as a whole
    return out.getvalue()


def _rows(body: bytes) -> Iterator[dict[str, Any]]:
    import pyarrow as pa  # noqa: PLC0415 - 60 MB that a server without Parquet need not hold
    import pyarrow.parquet as pq  # noqa: PLC0415

    # Beside its own errors the library has those of Python, of names that are no text and times that no clock has.
    try:
        file = pq.ParquetFile(io.BytesIO(body))
        fields.refuse(header_errors(file.schema_arrow.names, None))
        if file.metadata.num_rows > LARGEST_ROWS:
            raise Refused.one("", f"has more than {LARGEST_ROWS} rows; split the file")
        for batch in file.iter_batches(ROWS_AT_ONCE):
            yield from batch.to_pylist()
    except (pa.ArrowException, OSError, ValueError, OverflowError):
        raise Refused.one("", "is not a readable Parquet file") from None


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return None if isnan(value) else value
    return value.isoformat() if hasattr(value, "isoformat") else value
