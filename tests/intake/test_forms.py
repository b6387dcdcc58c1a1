"""The forms of readings: all say the same, and each thing that can be wrong with the form is refused by place."""

from __future__ import annotations

import io
import json
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from service.intake.json_form import parse_json, samples_from_json
from service.intake.parse import CSV_TYPE, PARQUET_TYPE, UnknownFormat, parse_readings
from service.intake.problems import Refused
from service.store.grids import Samples
from tests.intake.roof import JSON, SERIALS, START, table

FIRST = int(datetime(2026, 5, 3, 23, tzinfo=UTC).timestamp())


def _parsed(data: Any) -> list[Samples]:
    return samples_from_json(data)


def _refusals(data: Any) -> dict[str, str]:
    with pytest.raises(Refused) as refused:
        samples_from_json(data)
    return {error.field: error.message for error in refused.value.errors}


def _csv_refusals(text: str, interval_min: int | None = 5) -> dict[str, str]:
    with pytest.raises(Refused) as refused:
        parse_readings(text.encode(), CSV_TYPE, interval_min)
    return {error.field: error.message for error in refused.value.errors}


def _plain(samples: list[Samples]) -> set[tuple[str, str, int, int, float]]:
    return {
        (s.serial, s.channel, s.interval_min, start, value)
        for s in samples
        for start, value in zip(s.starts.tolist(), s.values.tolist(), strict=True)
        if not np.isnan(value)
    }


EXPECTED = {
    (SERIALS[0], "energy_wh", 5, FIRST, 0.0),
    (SERIALS[0], "energy_wh", 5, FIRST + 300, 0.4),
    (SERIALS[0], "energy_wh", 5, FIRST + 900, 1.5),
    (SERIALS[1], "energy_wh", 5, FIRST, 2.0),
    (SERIALS[0], "temperature_c", 5, FIRST + 300, -3.5),
}


def test_table() -> None:
    data = table(0, 0.4, None, 1.5, temperature_c={SERIALS[0]: [None, -3.5]})
    data["energy_wh"][SERIALS[1]] = [2]

    assert _plain(_parsed(data)) == EXPECTED


def test_rows_say_the_same_in_any_order_and_offset() -> None:
    rows = [
        {"serial": SERIALS[0], "start": "2026-05-04T00:15:00+01:00", "energy_wh": 1.5},
        {"serial": SERIALS[0], "start": "2026-05-03T23:05:00Z", "energy_wh": 0.4, "temperature_c": -3.5},
        {"serial": f" {SERIALS[1]} ", "start": "2026-05-04T04:45:00+05:45", "energy_wh": 2},
        {"serial": SERIALS[0], "start": "2026-05-04T00:10:00+01:00", "energy_wh": None},
        {"serial": SERIALS[0], "start": START, "energy_wh": 0},
    ]

    assert _plain(_parsed({"interval_min": 5, "readings": rows})) == EXPECTED


CSV = f"""serial,start,energy_wh,temperature_c
{SERIALS[0]},2026-05-04T00:00:00+01:00,0,
{SERIALS[0]},2026-05-04T00:05:00+01:00,0.4,-3.5

{SERIALS[0]},2026-05-04T00:10:00+01:00,,
{SERIALS[0]}, 2026-05-04T00:15:00+01:00 , 1.5 ,
"{SERIALS[1]}",2026-05-04T00:00:00+01:00,2e0,
"""


@pytest.mark.parametrize("text", [CSV, "\ufeff" + CSV, CSV.replace("\n", "\r\n")])
def test_csv_says_the_same(text: str) -> None:
    assert _plain(parse_readings(text.encode(), f"{CSV_TYPE}; charset=utf-8", 5)) == EXPECTED


def test_csv_may_carry_its_interval() -> None:
    text = f"start,serial,energy_wh,interval_min\n{START},{SERIALS[0]},1,15\n{START},{SERIALS[0]},1,30\n"

    assert [s.interval_min for s in parse_readings(text.encode(), CSV_TYPE, None)] == [15, 30]


def test_parquet_says_the_same() -> None:
    seconds = [FIRST, FIRST + 300, FIRST + 600, FIRST + 900, FIRST]
    columns = pa.table(
        {
            "serial": [SERIALS[0]] * 4 + [SERIALS[1]],
            "start": pa.array([1000 * s for s in seconds], pa.timestamp("ms", "UTC")),
            "energy_wh": [0.0, 0.4, None, 1.5, 2.0],
            "temperature_c": [None, -3.5, float("nan"), None, None],
            "interval_min": [5] * 5,
        }
    )
    body = io.BytesIO()
    pq.write_table(columns, body)

    assert _plain(parse_readings(body.getvalue(), PARQUET_TYPE)) == EXPECTED


def test_further_tables_and_rows_beside_the_first() -> None:
    rows = {"interval_min": 15, "readings": [{"serial": "x", "start": START, "power_w": 5}]}
    found = _parsed(table(1, further=[table(2, interval_min=30), rows]))

    assert [(s.interval_min, s.channel) for s in found] == [
        (5, "energy_wh"),
        (30, "energy_wh"),
        (15, "power_w"),
    ]


def test_what_is_not_finite_is_not_taken_for_not_heard() -> None:
    body = json.dumps(table(1, None, 10**400)).replace("null", "NaN, null, 1e999, -Infinity")
    values = samples_from_json(parse_json(body.encode()))[0].values

    assert np.isinf(values).tolist() == [False, True, False, True, True, True]
    assert np.isnan(values).tolist() == [False, False, True, False, False, False]


@pytest.mark.parametrize(
    ("data", "field", "message"),
    [
        ([], "", "must be an object"),
        ({}, "energy_wh", "is required"),
        (table(1, interval_min=None), "interval_min", "is required; give 5, 10, 15, 30 or 60"),
        (table(1, interval_min=7), "interval_min", "give 5, 10, 15, 30 or 60"),
        (table(1, interval_min=5.5), "interval_min", "give 5, 10, 15, 30 or 60"),
        (table(1, interval_min="5"), "interval_min", "give 5, 10, 15, 30 or 60"),
        (table(1, interval_min=[5]), "interval_min", "give 5, 10, 15, 30 or 60"),
        (table(1, interval_min=True), "interval_min", "give 5, 10, 15, 30 or 60"),
        (table(1, start=None), "start", "is required"),
        (table(1, start=5), "start", "ISO 8601"),
        (table(1, start="yesterday"), "start", "ISO 8601"),
        (table(1, start="2026-05-04"), "start", "no offset"),
        (table(1, start="2026-05-04T00:00:00"), "start", "no offset"),
        (table(1, start="1999-12-31T23:59:59Z"), "start", "between the years 2000 and 2100"),
        (table(1, start="0001-01-01T00:00:00+14:00"), "start", "between the years"),
        (table(1, start="9999-12-31T23:59:59-14:00"), "start", "between the years"),
        (table(*[1] * 3, start="2099-12-31T23:55:00Z"), "start", "beyond the year 2100"),
        (table(1, energy={"x": [1]}), "energy", "did you mean energy_wh"),
        (table(1, energy_wh=[1]), "energy_wh", "one list for each serial"),
        (table(1, energy_wh={"a": 1}), "energy_wh.a", "list of numbers"),
        (table(1, energy_wh={"a": [1, "2"]}), "energy_wh.a[1]", "without quotation marks"),
        (table(1, energy_wh={"a": [True]}), "energy_wh.a[0]", "number or null"),
        (table(1, energy_wh={"a": [[1]]}), "energy_wh.a[0]", "number or null"),
        (table(1, energy_wh={"a": [1], " a": [1]}), "energy_wh. a", "given twice"),
        (table(1, energy_wh={"": [1]}), "energy_wh.", "1 to 80 printable"),
        (table(1, energy_wh={"1" * 81: [1]}), f"energy_wh.{'1' * 80}…", "1 to 80 printable"),
        (table(1, energy_wh={"a\0": [1]}), "energy_wh.a?", "1 to 80 printable"),
        (table(1, energy_wh={"\ud800": [1]}), "energy_wh.?", "1 to 80 printable"),
        (table(1, further=1), "further", "list of tables"),
        (table(1, further=[1]), "further[0]", "must be an object"),
        (table(1, further=[table(1, further=[])]), "further", "another 'further'"),
        (table(1, further=[table("x")]), f"further[0].energy_wh.{SERIALS[0]}[0]", "number or null"),
        ({"interval_min": 5, "readings": {}}, "readings", "list of readings"),
        ({"interval_min": 5, "readings": [1]}, "readings[0]", "must be an object"),
        (
            {"interval_min": 5, "readings": [{"start": START, "energy_wh": 1}]},
            "readings[0].serial",
            "required",
        ),
        (
            {"interval_min": 5, "readings": [{"serial": 5, "start": START, "energy_wh": 1}]},
            "readings[0].serial",
            "text in quotation marks",
        ),
        ({"interval_min": 5, "readings": [{"serial": "a", "energy_wh": 1}]}, "readings[0].start", "required"),
        (
            {"interval_min": 5, "readings": [{"serial": "a", "start": START}]},
            "readings[0].energy_wh",
            "is required",
        ),
        (
            {"interval_min": 5, "readings": [{"serial": "a", "start": START, "energy_wh": "1"}]},
            "readings[0].energy_wh",
            "number or null",
        ),
        (
            {"interval_min": 5, "readings": [{"serial": "a", "start": START, "energy_kwh": 1}]},
            "readings[0].energy_kwh",
            "did you mean energy_wh",
        ),
    ],
)
def test_wrong_json_is_refused_by_place(data: Any, field: str, message: str) -> None:
    assert message in _refusals(data)[field]


@pytest.mark.parametrize(
    ("text", "field", "message"),
    [
        ("", "serial", "is missing"),
        ("a;b;c\n", "a;b;c", "with commas between"),
        ("serial,energy_wh\nx,1\n", "start", "is missing; the first line must name"),
        ("serial,start\nx,1\n", "energy_wh", "is missing"),
        ("serial,start,energy_wh,energy_wh\n", "", "names a column twice"),
        ("serial,start,energy\n", "energy", "did you mean energy_wh"),
        (f"serial,start,energy_wh\nx,{START}\n", "line 2", "must have 3 columns"),
        (f"serial,start,energy_wh\nx,{START},a\n", "line 2.energy_wh", "must be a number or empty"),
        (f'serial,start,energy_wh\nx,{START},"0,4"\n', "line 2.energy_wh", "decimal separator as a point"),
        (f"serial,start,energy_wh\nx,{START},1_000\n", "line 2.energy_wh", "must be a number"),
        (f"serial,start,energy_wh\n,{START},1\n", "line 2.serial", "1 to 80"),
        ("serial,start,energy_wh\nx,2026-05-04 00:00,1\n", "line 2.start", "no offset"),
        (f"serial,start,energy_wh,interval_min\nx,{START},1,7\n", "line 2.interval_min", "give 5"),
        (f"serial,start,energy_wh,interval_min\nx,{START},1,\n", "line 2.interval_min", "is required"),
        (f'serial,start,energy_wh\n"x,{START},1\n', "", "not valid CSV"),
    ],
)
def test_wrong_csv_is_refused_by_place(text: str, field: str, message: str) -> None:
    assert message in _csv_refusals(text)[field]


def test_csv_needs_an_interval() -> None:
    assert "give 5" in _csv_refusals(f"serial,start,energy_wh\nx,{START},1\n", None)["interval_min"]


def test_csv_in_another_encoding_is_refused() -> None:
    with pytest.raises(Refused, match="UTF-8"):
        parse_readings("serial,start,energy_wh\nä,1,1\n".encode("latin-1"), CSV_TYPE, 5)


def test_a_thousand_errors_are_counted_and_a_hundred_listed() -> None:
    rows = [{"serial": "a", "start": "x", "energy_wh": 1}] * 1500
    with pytest.raises(Refused) as refused:
        samples_from_json({"interval_min": 5, "readings": rows})

    assert len(refused.value.errors) == 101
    assert refused.value.errors[-1].message.startswith("900 more errors")


def test_parquet_that_is_none_is_refused() -> None:
    with pytest.raises(Refused, match="not a readable Parquet file"):
        parse_readings(b"PAR1 and nothing else", PARQUET_TYPE)


def test_parquet_with_a_name_that_is_no_text_is_refused() -> None:
    body = io.BytesIO()
    pq.write_table(pa.table({"temperature_c": [1.0]}), body)

    with pytest.raises(Refused, match="not a readable Parquet file"):
        parse_readings(body.getvalue().replace(b"temperature_c", b"temperatur\xd3_c"), PARQUET_TYPE)


def test_parquet_with_a_time_that_no_clock_has_is_refused() -> None:
    body = io.BytesIO()
    start = pa.array([2**60], pa.timestamp("ms", "UTC"))
    pq.write_table(pa.table({"serial": ["a"], "start": start, "energy_wh": [1.0], "interval_min": [5]}), body)

    with pytest.raises(Refused, match="not a readable Parquet file"):
        parse_readings(body.getvalue(), PARQUET_TYPE)


def test_parquet_without_a_timezone_is_refused() -> None:
    body = io.BytesIO()
    start = pa.array([FIRST], pa.timestamp("s"))
    pq.write_table(pa.table({"serial": ["a"], "start": start, "energy_wh": [1.0], "interval_min": [5]}), body)

    with pytest.raises(Refused, match="no offset"):
        parse_readings(body.getvalue(), PARQUET_TYPE)


@pytest.mark.parametrize(
    "content_type", ["", "text/plain", "application/octet-stream", "multipart/form-data"]
)
def test_other_formats_are_named_as_unknown(content_type: str) -> None:
    with pytest.raises(UnknownFormat, match="text/csv"):
        parse_readings(b"", content_type)


@pytest.mark.parametrize(
    ("body", "message"),
    [
        (b"", "not valid JSON"),
        (b"{", "not valid JSON"),
        (b'{"a": 1} x', "not valid JSON"),
        (b"\xff\xfe\xfa", "UTF-8|JSON"),
        (b'{"a": "\xe4"}', "not valid UTF-8"),
        (b"[" * 200_000, "nested too deeply"),
        (b"1" * 5000, "not valid JSON"),
        (b'{"a": 1, "a": 2}', "given twice"),
        (b'{"x": [{"b": 1, "b": 1}]}', "b: is given twice"),
    ],
)
def test_what_is_no_json_is_refused(body: bytes, message: str) -> None:
    with pytest.raises(Refused, match=message):
        parse_json(body)


def test_json_content_type_may_have_parameters() -> None:
    body = json.dumps(table(1)).encode()

    assert len(parse_readings(body, f"{JSON}; charset=utf-8")) == 1
