"""Large exports: how fast they go from file to store, beside pandas reading the same file, and in what memory."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from time import perf_counter, process_time
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pytest
from sqlalchemy import Engine

from service.intake.export.bring import bring, plan
from service.intake.export.tables import tables_of
from service.intake.record import as_stored, read_record
from service.store import sites
from service.store.database import make_engine, writing
from tests.intake.export.corpus import RECORD

UNITS = 24
SERIALS = [f"4829133770{number:02}" for number in range(UNITS)]
FASTEST_EXPECTED = 300_000
"""Rows a second of the long shape, readings a second of the wide one."""

LARGEST_GROWTH = 1.15
LARGEST_MB = 450


def record() -> dict[str, Any]:
    """Return a site with the units of the files."""
    like = {k: v for k, v in RECORD["units"][0].items() if k not in ("row", "column")}
    return as_stored(read_record({**RECORD, "units": [{**like, "serial": s} for s in SERIALS]}))


def write(path: Path, shape: str, days: int) -> int:
    """Write energies of so many days, every five minutes, and return how many readings there are."""
    times = pd.date_range("2016-01-01", periods=days * 288, freq="5min", tz="UTC")
    hours = (times.hour + times.minute / 60).to_numpy() - 11.1
    sky = np.random.default_rng(1).uniform(0.3, 1, (times.size, 1))
    units = np.random.default_rng(2).uniform(0.95, 1.03, (times.size, UNITS))
    energy = 25 * np.clip(np.cos(hours / 14 * np.pi), 0, None)[:, None] * sky * units
    clock = times.tz_convert("Europe/Berlin").strftime("%Y-%m-%d %H:%M:%S")
    with path.open("w", encoding="ascii", newline="") as stream:
        stream.write(_heading(shape))
        for at, row in zip(clock, energy.tolist(), strict=True):
            cells = [f"{wh:.3f}" for wh in row]
            if shape == "wide":
                stream.write(f"{at},{','.join(cells)}\r\n")
            else:
                stream.writelines(f"{at},{s},{c}\r\n" for s, c in zip(SERIALS, cells, strict=True))
    return energy.size


def _heading(shape: str) -> str:
    columns = [f"{s} (Wh)" for s in SERIALS] if shape == "wide" else ["Serial", "Energy (Wh)"]
    return f"Time,{','.join(columns)}\r\n"


def _taken(engine: Engine, path: Path) -> tuple[int, float]:
    """Return how many readings of the file are stored after how many seconds."""
    with writing(engine) as session:
        site = sites.create(session, record())
    began = perf_counter()
    planned = plan(tables_of(path), site.record, {"label": "start"})
    taken = bring(engine, site.id, site.record, planned, by="bench", file=path.name, keep=lambda _: None)
    assert (taken.rejected, taken.missing) == (0, 0)
    return taken.accepted + taken.replaced, perf_counter() - began


@pytest.mark.parametrize("shape", ["long", "wide"])
def test_year_of_a_roof_to_the_store(shape: str, engine: Engine, tmp_path: Path) -> None:
    path = tmp_path / f"{shape}.csv"
    count = write(path, shape, days=365)
    began = perf_counter()
    rows = len(pd.read_csv(path))
    alone = perf_counter() - began
    computing = process_time()
    found, taken = _taken(engine, path)
    computing = process_time() - computing
    megabytes = path.stat().st_size / 1e6
    print(f"\n{shape}, {engine.dialect.name}: {rows / taken:,.0f} rows/s, {count / taken:,.0f} readings/s")
    print(f"{taken:.1f} s for {megabytes:.0f} MB, of which {computing:.1f} s of this processor")
    print(f"{taken / alone:.1f} times pandas.read_csv alone ({alone:.2f} s)")
    assert found == count
    assert count / taken >= FASTEST_EXPECTED


def test_workbook_of_half_a_million_rows(tmp_path: Path, engine: Engine) -> None:
    path = tmp_path / "long.xlsx"
    csv = tmp_path / "long.csv"
    write(csv, "long", days=73)
    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet()
    for number, line in enumerate(csv.read_text().splitlines()):
        at, serial, wh = line.split(",")
        sheet.append([at, serial, float(wh) if number else wh])
    book.save(path)
    found, taken = _taken(engine, path)
    print(f"\nworkbook: {found / taken:,.0f} rows/s, {path.stat().st_size / 1e6:.1f} MB in {taken:.1f} s")
    assert found == 73 * 288 * UNITS


@pytest.mark.parametrize("shape", ["long", "wide"])
def test_memory_stays_as_it_is_when_files_grow(shape: str, tmp_path: Path) -> None:
    days = {"long": (150, 1500), "wide": (830, 8300)}[shape]
    peaks = []
    for number in days:
        path = tmp_path / f"{shape}_{number}.csv"
        write(path, shape, number)
        peaks.append(_peak_mb(path, tmp_path / f"{number}.sqlite"))
        print(f"\n{shape}: {path.stat().st_size / 1e6:.0f} MB read in {peaks[-1]:.0f} MB")
        path.unlink()
    assert peaks[1] <= LARGEST_GROWTH * peaks[0]
    assert peaks[1] <= LARGEST_MB


def _peak_mb(path: Path, database: Path) -> float:
    command = [sys.executable, "-m", "tests.bench.test_exports", str(path), f"sqlite:///{database}"]
    return float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def _main() -> Iterator[str]:
    from service.store.migrate import upgrade  # noqa: PLC0415 - for the process that is measured

    engine = make_engine(sys.argv[2])
    upgrade(engine)
    _taken(engine, Path(sys.argv[1]))
    # The kernel's own mark: what getrusage tells began with the memory of the process that started this one.
    status = Path("/proc/self/status").read_text()
    yield f"{int(status.split('VmHWM:')[1].split()[0]) / 1024:.1f}"


if __name__ == "__main__":
    print(*_main())
