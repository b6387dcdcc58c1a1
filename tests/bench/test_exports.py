"""A large export is read in bounded memory: three times the rows must take hardly more."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import pytest

from service.intake.export.model import Known
from service.intake.export.propose import propose
from service.intake.export.read import Tally, read
from service.intake.export.tables import tables_of
from tests.intake.export import written
from tests.intake.export.corpus import RECORD, Make

KNOWN = Known.of_record(RECORD)
LARGEST_GROWTH = 1.25


def _peak_bytes(path: Path) -> tuple[int, int]:
    """Return the highest memory while the file is proposed and read, and how many values it gave."""
    tracemalloc.start()
    (table,) = tables_of(path)
    recipe = propose(table, KNOWN, {"label": "start"}).recipe
    assert recipe is not None
    values = sum(s.values.size for piece in read(table, recipe, KNOWN, Tally()) for s in piece.samples)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak, values


@pytest.mark.parametrize("shape", ["long", "wide"])
def test_memory_stays_bounded(shape: str, tmp_path: Path) -> None:
    small, large = (Make(f"days_{days}", days=days, interval=5, shape=shape) for days in (200, 700))
    (few, _), (many, values) = (_peak_bytes(written.write(make, tmp_path)[0]) for make in (small, large))
    assert values > 600_000
    assert many <= LARGEST_GROWTH * few
