"""Readings as Parquet, in the columns in which they are given out."""

from __future__ import annotations

import io
from math import isnan
from typing import Any

from service.intake import fields
from service.intake.csv_form import header_errors
from service.intake.problems import Refused
from service.intake.rows import Rows
from service.store.grids import Samples

LARGEST_ROWS = 2_000_000
"""Parquet packs so well that a small body may hold more than memory does."""


def samples_from_parquet(body: bytes) -> list[Samples]:
    """Return the samples; `start` must be a timestamp with a timezone."""
    found = _table(body)
    rows = Rows(header_errors(found.column_names, None))
    fields.refuse(rows.errors)
    for i, row in enumerate(found.to_pylist()):
        place = f"row {i}"
        interval_min = fields.interval(row.pop("interval_min"), f"{place}.", rows.errors)
        rows.add({name: _plain(value) for name, value in row.items()}, place, interval_min)
    return rows.samples()


def _table(body: bytes) -> Any:
    import pyarrow as pa  # noqa: PLC0415 - 60 MB that a server without Parquet need not hold
    import pyarrow.parquet as pq  # noqa: PLC0415

    try:
        file = pq.ParquetFile(io.BytesIO(body))
        if file.metadata.num_rows > LARGEST_ROWS:
            raise Refused.one("", f"has more than {LARGEST_ROWS} rows; split the file")
        return file.read()
    except (pa.ArrowException, OSError):
        raise Refused.one("", "is not a readable Parquet file") from None


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return None if isnan(value) else value
    return value.isoformat() if hasattr(value, "isoformat") else value
