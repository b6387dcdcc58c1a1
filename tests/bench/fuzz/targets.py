"""What is spoiled and where it is sent."""

from __future__ import annotations

import io
import json
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet

from service.intake.live.intervals import intervals
from service.intake.live.payload import PayloadSpec, samples_of
from tests.intake.export import corpus, written
from tests.intake.roof import SERIALS, START, record, table

JSON, CSV, PARQUET = "application/json", "text/csv", "application/vnd.apache.parquet"
ANY = "application/octet-stream"
SITE = "/api/v1/sites/{site}"
EXPORT = f"{SITE}/exports?name=spoiled"
ANSWERS = "answer=label=start&answer=timezone=Europe/Berlin&answer=day_first=true&answer=quantity=energy_wh"
"""Whatever a file leaves open is answered, so that what it holds is stored."""

EXPORTS = 60
"""Exported files of as many makes are spoiled."""


@dataclass(frozen=True)
class Target:
    """Good bodies of one address; `share` is how many in a hundred calls go there."""

    name: str
    share: int
    method: str
    path: str
    content_type: str
    good: Callable[[], list[bytes]]
    direct: Callable[[bytes], object] | None = None
    """What reads it, where it does not come over HTTP; it must raise nothing."""


def _tables() -> list[bytes]:
    values = [0, 0.5, None, 3.25, 20.0, 1] * 8
    bodies = [
        table(*values),
        table(*values, power_w={SERIALS[1]: [120, None, 8]}, ac_voltage_v={SERIALS[1]: [231.5, 232, 0]}),
        {"interval_min": 15, "start": START, "energy_wh": dict.fromkeys(SERIALS, values)},
        {"interval_min": 5, "readings": [_row(i) for i in range(20)]},
    ]
    return [json.dumps(body).encode() for body in bodies]


def _row(number: int) -> dict[str, Any]:
    start = f"2026-05-04T{10 + number // 12}:{number % 12 * 5:02}:00+01:00"
    return {"serial": SERIALS[number % 3], "start": start, "energy_wh": 1.25 * number, "temperature_c": 31.5}


def _csv() -> list[bytes]:
    lines = [f"{r['serial']},{r['start']},{r['energy_wh']}" for r in map(_row, range(40))]
    quoted = ['"serial","start","power_w"', *(line.replace(",", '","').join('""') for line in lines)]
    return ["\n".join(["serial,start,energy_wh", *lines]).encode(), "\r\n".join(quoted).encode()]


def _parquet() -> list[bytes]:
    rows = [
        {**row, "start": datetime.fromisoformat(row["start"]), "interval_min": 5}
        for row in map(_row, range(40))
    ]
    found = []
    for compression in ("none", "zstd"):
        sink = io.BytesIO()
        pyarrow.parquet.write_table(pa.Table.from_pylist(rows), sink, compression=compression)
        found.append(sink.getvalue())
    return found


def _weather() -> list[bytes]:
    hours = {"ghi_w_m2": [0, 120, 640.5, None], "air_temp_c": [-3, 12, 20, 31], "wind_m_s": [0, 2.5]}
    return [
        json.dumps({"interval_min": 60, "start": START, **hours}).encode(),
        json.dumps({"interval_min": 15, "start": START, "poa_w_m2": {"south roof": [5, 700, 900]}}).encode(),
    ]


def _records() -> list[bytes]:
    return [json.dumps(record()).encode()]


def _corrections() -> list[bytes]:
    unit, other = SERIALS[:2]
    found = [
        {"kind": "plane", "plane": "south roof", "azimuth_deg": 190, "tilt_deg": 30},
        {"kind": "swap", "serials": [unit, other]},
        {"kind": "clock", "changes": [{"from": None, "minutes": 60}]},
    ]
    return [json.dumps({"correction": one}).encode() for one in found]


def _exports() -> list[bytes]:
    with tempfile.TemporaryDirectory() as folder:
        makes = (corpus.any_make(seed) for seed in range(EXPORTS))
        return [written.write(make, Path(folder))[0].read_bytes() for make in makes]


def _messages() -> list[bytes]:
    units = [{"sn": s, "at": "2026-05-04T12:00:00+01:00", "p": 211.5, "e": "12.25"} for s in SERIALS]
    return [
        json.dumps({"sent": 1_777_900_000, "units": units}).encode(),
        json.dumps({"units": units[:1]}).encode(),
    ]


MESSAGE = PayloadSpec.model_validate(
    {
        "rows": "$.units",
        "serial": {"path": "@.sn"},
        "time": {"path": "@.at"},
        "values": {"power_w": "@.p", "counter_kwh": {"path": "@.e", "factor": 0.5}},
        "interval_min": 5,
    }
)


def _read_message(body: bytes) -> None:
    arrived = datetime(2026, 5, 4, 12, tzinfo=UTC)
    samples, problems = samples_of(MESSAGE, body, arrived)
    assert samples or problems, "neither read nor told why not"
    intervals(samples, 5)


TARGETS = (
    Target("readings as JSON", 37, "POST", f"{SITE}/readings", JSON, _tables),
    Target("readings as CSV", 18, "POST", f"{SITE}/readings?interval_min=5", CSV, _csv),
    Target("readings as Parquet", 8, "POST", f"{SITE}/readings?interval_min=5", PARQUET, _parquet),
    Target("weather", 10, "POST", f"{SITE}/weather", JSON, _weather),
    Target("a new record", 10, "PUT", SITE, JSON, _records),
    Target("corrections", 6, "POST", f"{SITE}/corrections", JSON, _corrections),
    Target("messages of live sources", 8, "", "", JSON, _messages, _read_message),
    Target("exported files, looked at", 1, "POST", f"{EXPORT}&dry_run=true", ANY, _exports),
    Target("exported files, taken", 2, "POST", f"{EXPORT}&{ANSWERS}", ANY, _exports),
)
