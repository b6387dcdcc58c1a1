"""What is spoiled and where it is sent."""

from __future__ import annotations

import io
import json
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet
from PIL import Image

from service.intake.live.intervals import intervals
from service.intake.live.messages import understood
from service.intake.live.payload import PayloadSpec, samples_of
from tests.intake.export import corpus, written
from tests.intake.roof import SERIALS, START, record, table

JSON, CSV, PARQUET = "application/json", "text/csv", "application/vnd.apache.parquet"
ANY = "application/octet-stream"
SITE, PAGE = "/api/v1/sites/{site}", "/sites/{site}"
EXPORT = f"{SITE}/exports?name=spoiled"
ANSWERS = "answer=label=start&answer=timezone=Europe/Berlin&answer=day_first=true&answer=quantity=energy_wh"
"""Whatever a file leaves open is answered, so that what it holds is stored."""

EXPORTS = 60
"""Exported files of as many makes are spoiled."""

FORMS = 12
"""So many of them as a page's form sends them: what is in them is read as over the API."""


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
    by_person: bool = False
    """Whether it is a page's form, which somebody sends who is signed in."""


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


FEED_TOPIC, FEED = (
    "roof/+serial/state",
    {
        "serial": {"level": "serial"},
        "time": {"path": "$.at"},
        "values": {"power_kw": {"path": "$.p", "factor": 0.001}, "signal_pct": "$.s", "counter_wh": "$.e"},
        "interval_min": 5,
    },
)
FEEDS = tuple(
    PayloadSpec.model_validate(one)
    for one in (
        FEED,
        {"format": "number", "serial": {"level": "serial"}, "values": {"power_w": {}}, "interval_min": 15},
        {"rows": "$.*", "serial": {"member": True}, "values": {"energy_wh": "@.e"}, "time": {"path": "@.at"},
         "label": "end", "interval_min": 5},
    )
)  # fmt: skip


def _on_topics() -> list[bytes]:
    said = {"at": "2026-05-04T12:00:00+01:00", "p": 211.5, "s": 71, "e": 12_000}
    return [b"211.5", json.dumps(said).encode(), json.dumps(dict.fromkeys(SERIALS, said)).encode()]


def _read_on_topic(body: bytes) -> None:
    arrived = datetime(2026, 5, 4, 12, tzinfo=UTC)
    for spec in FEEDS:
        samples, problems = understood(spec, FEED_TOPIC, f"roof/{SERIALS[0]}/state", body, arrived)
        assert samples or problems, "neither read nor told why not"
        intervals(samples, spec.interval_min, rated_w=350)


def _feeds() -> list[bytes]:
    found = [
        {"feeds": [{"topic": f"roof/+serial/{n}", "payload": FEED} for n in range(many)]} for many in (1, 3)
    ]
    return [json.dumps(one).encode() for one in found]


BOUNDARY = "spoiled-7f3a"
FORM = f"multipart/form-data; boundary={BOUNDARY}"


def _form(fields: Mapping[str, str], file: tuple[str, str, bytes] | None = None) -> bytes:
    """Return a form by RFC 7578; `file` is its field, its name and what is in it."""
    parts = [(f'name="{name}"', value.encode()) for name, value in fields.items()]
    if file is not None:
        parts.append((f'name="{file[0]}"; filename="{file[1]}"\r\nContent-Type: {ANY}', file[2]))
    begun = (
        f"--{BOUNDARY}\r\nContent-Disposition: form-data; {head}\r\n\r\n".encode() + body + b"\r\n"
        for head, body in parts
    )
    return b"".join(begun) + f"--{BOUNDARY}--\r\n".encode()


def _brought() -> list[bytes]:
    return [_form({}, ("file", "june.csv", body)) for body in _exports()[:FORMS]]


def _marks() -> list[bytes]:
    found = []
    for kind in ("JPEG", "PNG", "WEBP"):
        picture = io.BytesIO()
        Image.radial_gradient("L").convert("RGB").save(picture, kind)
        fields = {"mark": "looked_at", "subject": f"unit:{SERIALS[0]}", "note": "A branch before it."}
        found.append(_form(fields, ("photo", f"roof.{kind.lower()}", picture.getvalue())))
    return found


def _pasted() -> list[bytes]:
    lines = [f"{serial}\tsouth roof\t1\t{n + 1}" for n, serial in enumerate(SERIALS)]
    table_text, grid = "\n".join(["serial\tplane\trow\tcolumn", *lines]), "\t".join(SERIALS)
    fields = {"plane": "south roof", "whole": "yes"}
    return [
        _form({**fields, "text": table_text}),
        _form({"plane": "south roof", "text": grid}),
        _form(fields, ("file", "plan.csv", table_text.replace("\t", ",").encode())),
        _form({"text": json.dumps(record())}),
    ]


TARGETS = (
    Target("readings as JSON", 32, "POST", f"{SITE}/readings", JSON, _tables),
    Target("readings as CSV", 15, "POST", f"{SITE}/readings?interval_min=5", CSV, _csv),
    Target("readings as Parquet", 6, "POST", f"{SITE}/readings?interval_min=5", PARQUET, _parquet),
    Target("weather", 9, "POST", f"{SITE}/weather", JSON, _weather),
    Target("a new record", 8, "PUT", SITE, JSON, _records),
    Target("corrections", 5, "POST", f"{SITE}/corrections", JSON, _corrections),
    Target("feeds", 5, "PUT", f"{SITE}/feeds", JSON, _feeds),
    Target("messages of live sources", 5, "", "", JSON, _messages, _read_message),
    Target("messages on a feed's topics", 5, "", "", JSON, _on_topics, _read_on_topic),
    Target("exported files, looked at", 1, "POST", f"{EXPORT}&dry_run=true", ANY, _exports),
    Target("exported files, taken", 3, "POST", f"{EXPORT}&{ANSWERS}", ANY, _exports),
    Target("exported files on a page", 1, "POST", f"{PAGE}/exports", FORM, _brought, by_person=True),
    Target("photos", 2, "POST", f"{PAGE}/mark", FORM, _marks, by_person=True),
    Target("pasted plans", 3, "POST", f"{PAGE}/plan/paste", FORM, _pasted, by_person=True),
)
