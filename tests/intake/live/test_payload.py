"""What is understood of a message, and that nothing that a device sends does harm."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from service.intake.live.model import Sample
from service.intake.live.payload import LARGEST_BYTES, MOST_ROWS, PayloadSpec, samples_of
from service.intake.problems import field_errors

ARRIVED = datetime(2026, 6, 14, 10, 0, 30, tzinfo=UTC)
UNITS = {
    "rows": "$.units",
    "serial": {"path": "@.sn"},
    "time": {"path": "$.sent"},
    "values": {"power_w": "@.power", "counter_wh": {"path": "@.total", "factor": 1000}},
    "interval_min": 5,
}
PLAIN = {"format": "number", "serial": {"level": "unit"}, "values": {"power_w": {}}, "interval_min": 5}


def spec(base: dict[str, Any], **changes: Any) -> PayloadSpec:
    return PayloadSpec.model_validate({**base, **changes})


def read(
    base: dict[str, Any], message: Any, **changes: Any
) -> tuple[list[tuple[str, str, float]], list[str]]:
    body = message if isinstance(message, bytes) else json.dumps(message).encode()
    found, problems = samples_of(
        spec(base, **changes), body, ARRIVED, {"unit": "482913377001", "2": "482913377002"}
    )
    return [(s.serial, s.kind, s.value) for s in found], [f"{p.field} {p.message}".strip() for p in problems]


def test_rows_with_the_time_of_their_message() -> None:
    message = {
        "sent": "2026-06-14T12:00:00+02:00",
        "units": [{"sn": 482913377001, "power": "231.5", "total": 12.5}],
    }
    found, problems = samples_of(spec(UNITS), json.dumps(message).encode(), ARRIVED)
    at = datetime(2026, 6, 14, 10, tzinfo=UTC)
    assert found == [
        Sample("482913377001", "power_w", at, 231.5),
        Sample("482913377001", "counter_wh", at, 12_500.0),
    ]
    assert problems == []


def test_plain_number_of_a_unit_named_by_its_topic() -> None:
    assert read(PLAIN, b" 231.5\n") == ([("482913377001", "power_w", 231.5)], [])
    assert read(PLAIN, b"1", serial={"level": 2})[0] == [("482913377002", "power_w", 1.0)]


@pytest.mark.parametrize(
    ("message", "changes"),
    [
        (
            {"482913377001": {"p": 1}},
            {"rows": "$.*", "serial": {"member": True}, "values": {"power_w": "@.p"}},
        ),
        ({"482913377001": 1}, {"rows": "$.*", "serial": {"member": True}, "values": {"power_w": "@"}}),
        ([["482913377001", 1]], {"rows": "$", "serial": {"path": "@[0]"}, "values": {"power_w": "@[1]"}}),
        (
            {"id": "482913377001", "channels": [{"name": "a", "v": 7}, {"name": "p", "v": 1}]},
            {"rows": "$", "serial": {"path": "$.id"}, "values": {"power_w": "$.channels[?@.name=='p'].v"}},
        ),
        ({"p": 1}, {"rows": "$", "serial": {"constant": "482913377001"}, "values": {"power_w": "$.p"}}),
    ],
)
def test_shapes_of_messages(message: Any, changes: dict[str, Any]) -> None:
    assert read({**UNITS, "time": None}, message, **changes) == ([("482913377001", "power_w", 1.0)], [])


@pytest.mark.parametrize(
    ("given", "timezone", "expected"),
    [
        ("2026-06-14T10:00:00Z", None, "2026-06-14T10:00:00"),
        ("2026-06-14T12:00:00.250+02:00", None, "2026-06-14T10:00:00.250000"),
        (1_781_431_200, None, "2026-06-14T10:00:00"),
        (1_781_431_200_250, None, "2026-06-14T10:00:00.250000"),
        ("1781431200.25", None, "2026-06-14T10:00:00.250000"),
        ("2026-06-14 12:00:00", "Europe/Berlin", "2026-06-14T10:00:00"),
    ],
)
def test_times(given: Any, timezone: str | None, expected: str) -> None:
    message = {"t": given, "p": 1}
    changes = {"rows": "$", "serial": {"constant": "1"}, "values": {"power_w": "@.p"}}
    time = {"path": "@.t", "timezone": timezone}
    found, problems = samples_of(spec(UNITS, time=time, **changes), json.dumps(message).encode(), ARRIVED)
    assert [s.at.isoformat() for s in found] == [f"{expected}+00:00"], problems


@pytest.mark.parametrize(("hour", "expected"), [(0, 0), (1, 1), (2, 1)])
def test_clock_time_that_shows_twice_is_the_showing_nearer_to_its_arrival(hour: int, expected: int) -> None:
    # On 25 October 2026 Berlin's clock goes from 03:00 CEST back to 02:00 CET at 01:00 UTC (tz database).
    one = spec(
        PLAIN, format="json", time={"path": "@.t", "timezone": "Europe/Berlin"}, values={"power_w": "@.p"}
    )
    arrived = datetime(2026, 10, 25, hour, 31, tzinfo=UTC)
    found, _ = samples_of(one, b'{"t": "2026-10-25T02:30:00", "p": 1}', arrived, {"unit": "1"})
    assert found[0].at == datetime(2026, 10, 25, expected, 30, tzinfo=UTC)


@pytest.mark.parametrize(
    ("message", "said"),
    [
        (b"\xff", "is not readable text (UTF-8)"),
        (b"{", "is not valid JSON"),
        (b"[" * 200_000, "is nested too deeply"),
        (b'{"units": [{"sn": "1", "power": ' + b"9" * 5000 + b"}]}", "is not valid JSON"),
        (b" " * (LARGEST_BYTES + 1), "has more than 1000000 bytes"),
        ({"units": []}, "holds none of the values asked for (@.power, @.total)"),
        ({"units": [{"sn": "1", "power": None}]}, "holds none of the values asked for"),
        ({"sent": 1_781_431_200, "units": [{"power": 1}]}, "$['units'][0].sn names no unit"),
        ({"sent": 1_781_431_200, "units": [{"sn": True, "power": 1}]}, "$['units'][0].sn must be a serial"),
        ({"sent": 1_781_431_200, "units": [{"sn": " ", "power": 1}]}, "must be a serial of 1 to 80"),
        ({"sent": 1_781_431_200, "units": [{"sn": 10**4000, "power": 1}]}, "must be a serial of 1 to 80"),
        ({"units": [{"sn": "1", "power": 1}]}, "$.sent holds no time"),
        ({"sent": "noon", "units": [{"sn": "1", "power": 1}]}, "$.sent must be an ISO 8601 time"),
        ({"sent": "²", "units": [{"sn": "1", "power": 1}]}, "$.sent must be an ISO 8601 time"),
        ({"sent": True, "units": [{"sn": "1", "power": 1}]}, "$.sent must be an ISO 8601 time"),
        ({"sent": 1e300, "units": [{"sn": "1", "power": 1}]}, "$.sent must be an ISO 8601 time"),
        ({"sent": 0, "units": [{"sn": "1", "power": 1}]}, "$.sent lies before the year 2000"),
        ({"sent": "2026-06-16T10:00Z", "units": [{"sn": "1", "power": 1}]}, "lies more than a day ahead"),
        ({"sent": "2026-06-14T10:00", "units": [{"sn": "1", "power": 1}]}, "has no offset from UTC"),
    ],
)  # fmt: skip
def test_message_that_cannot_be_understood_is_said_with_its_place(message: Any, said: str) -> None:
    found, problems = read(UNITS, message)
    assert found == []
    assert len(problems) == 1
    assert said in problems[0]


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (b"true", "must be a number"),
        (b"{}", "must be a number"),
        (b'"12,5"', "write the decimal separator as a point"),
        (b'"1_000"', "must be a number"),
        (b"NaN", "is not a finite number"),
        (b'"nan"', "is not a finite number"),
        (b"1e999", "is not a finite number"),
        (b"1" + b"0" * 400, "is not a finite number"),
    ],
)
def test_wrong_value_is_told_and_its_neighbours_are_taken(value: bytes, said: str) -> None:
    message = b'{"sent": 1781431200, "units": [{"sn": "1", "power": %b}, {"sn": "2", "power": 5}]}' % value
    found, problems = read(UNITS, message)
    assert found == [("2", "power_w", 5.0)]
    assert len(problems) == 1
    assert problems[0].startswith("$['units'][0].power ")
    assert said in problems[0]


def test_message_of_many_rows_is_bounded() -> None:
    message = {"sent": 1_781_431_200, "units": [{"sn": "1", "power": 1}] * (MOST_ROWS + 5)}
    found, problems = read(UNITS, message)
    assert (len(found), problems) == (
        MOST_ROWS,
        ["$.units leads to more than 10000 rows; the rest was left out"],
    )
    wrong = {"sent": 1_781_431_200, "units": [{"sn": "1", "power": "x"}] * 50}
    assert read(UNITS, wrong)[1][-1] == "30 more problems; correct those above first"


def test_path_that_leads_to_several_values_is_told() -> None:
    found, problems = read(UNITS, {"sent": 1_781_431_200, "units": [{"sn": "1", "power": [1, 2]}]},
                           values={"power_w": "@.power[*]"})  # fmt: skip
    assert (found, problems) == (
        [],
        ["$['units'][0].power[*] leads to several values; make the path lead to one"],
    )


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["sn", "power", "units", "sent"]), inner)
    ),
    max_leaves=12,
)


@settings(max_examples=60, deadline=None)
@given(
    st.binary(max_size=60) | JSON.map(lambda v: json.dumps(v).encode()),
    st.sampled_from(["$.units", "$", "$..*"]),
)
def test_no_message_raises(body: bytes, rows: str) -> None:
    for base, changes in ((UNITS, {"rows": rows}), (PLAIN, {})):
        found, problems = samples_of(spec(base, **changes), body, ARRIVED, {"unit": "1"})
        assert found or problems


@pytest.mark.parametrize(
    ("base", "changes", "field", "said"),
    [
        (UNITS, {"rows": "$.units["}, "rows", "is no JSONPath as RFC 9535 has it"),
        (UNITS, {"rows": "units"}, "rows", "must begin with $"),
        (UNITS, {"rows": "@.units"}, "rows", "must begin with $"),
        (UNITS, {"rows": "$..a..b"}, "rows", "once at most"),
        (UNITS, {"rows": "$[?$.a]"}, "rows", "once at most"),
        (UNITS, {"rows": "$[?match(@.a, '(a+)+')]"}, "rows", "is no JSONPath"),
        (UNITS, {"serial": {"path": ""}}, "serial.path", "must begin with $"),
        (UNITS, {"serial": {}}, "serial", "give just one"),
        (UNITS, {"serial": {"path": "@.a", "level": 1}}, "serial", "give just one"),
        (UNITS, {"values": {"power": "@.a"}}, "values.power", "must be one of power_w, power_kw"),
        (UNITS, {"values": {"counter_wh": "@.a", "energy_wh": "@.b"}, "label": "end"}, "values.energy_wh",
         "says the same of a unit as counter_wh does; leave one of the two out"),
        (UNITS, {"values": {"power_kw": "@.a", "power_w": "@.b"}}, "values.power_w", "as power_kw does"),
        (UNITS, {"values": {"power_w": "@.a["}}, "values.power_w.path", "is no JSONPath"),
        (UNITS, {"values": {"power_w": {"path": "@.a", "factor": 0}}}, "values.power_w.factor", "must not be 0"),
        (UNITS, {"values": {}}, "values", "needs at least 1 entry"),
        (UNITS, {"time": {"path": "$.t", "timezone": "Berlin"}}, "time.timezone", "is not a known timezone"),
        (UNITS, {"interval_min": 7}, "interval_min", "must be one of 5, 10, 15, 30 or 60"),
        (UNITS, {"row": "$"}, "row", "is not a known field"),
        (UNITS, {"values": {"energy_wh": "@.e"}}, "label", "is required for energies"),
        (UNITS, {"values": {"energy_wh": "@.e"}, "label": "end", "time": None}, "time", "would count twice"),
        (PLAIN, {"time": {"path": "$.t"}}, "time", "cannot be read from a message that is a plain number"),
        (PLAIN, {"values": {"power_w": "@.a"}}, "values", "must be one value without a path"),
    ],
)  # fmt: skip
def test_spec_that_cannot_work_is_refused_by_field(base: Any, changes: Any, field: str, said: str) -> None:
    with pytest.raises(ValidationError) as caught:
        spec(base, **changes)
    errors = field_errors(caught.value.errors())
    assert [e.field for e in errors] == [field]
    assert said in errors[0].message


def test_spec_survives_being_written_and_read() -> None:
    one = spec(UNITS)
    assert PayloadSpec.model_validate(one.model_dump(mode="json")) == one
