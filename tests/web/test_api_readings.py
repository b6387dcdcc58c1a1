"""Readings and weather over HTTP: taken in every form, given back in every form, and taken again."""

from __future__ import annotations

import csv
import io
from datetime import datetime, timedelta
from typing import Any

import pyarrow.parquet as pq
import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine, select

from service.intake.parse import CSV_TYPE, JSON_TYPE, PARQUET_TYPE
from service.store.database import reading
from service.store.tables import Payload
from tests.intake.roof import SERIALS, START, record, table


@pytest.fixture
def path(client: TestClient) -> str:
    """The path of a new site."""
    return f"/api/v1/sites/{client.post('/api/v1/sites', json=record()).json()['id']}"


def _sent(client: TestClient, path: str, data: Any) -> dict[str, Any]:
    answer = client.post(f"{path}/readings", json=data)
    assert answer.status_code == 200, answer.text
    receipt: dict[str, Any] = answer.json()
    return receipt


def _given(client: TestClient, path: str, accept: str = JSON_TYPE, **params: str) -> Any:
    answer = client.get(f"{path}/readings", params=params, headers={"Accept": accept})
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"].partition(";")[0] == accept
    return answer


RECEIPT = {"accepted": 0, "replaced": 0, "rejected": 0, "problems": []}


def test_the_contract_s_table(client: TestClient, path: str) -> None:
    assert _sent(client, path, table(0, 0.4, None, 1.5)) == {**RECEIPT, "accepted": 3}
    assert _sent(client, path, table(0, 0.4, None, 1.5)) == {**RECEIPT, "replaced": 3}
    assert _given(client, path).json() == {
        "interval_min": 5,
        "start": "2026-05-03T23:00:00+00:00",
        "energy_wh": {SERIALS[0]: [0, 0.4, None, 1.5]},
    }


def test_a_value_kept_out_is_listed_with_its_place(client: TestClient, path: str) -> None:
    receipt = _sent(client, path, table(1, -2))

    assert (receipt["accepted"], receipt["rejected"]) == (1, 1)
    assert receipt["problems"] == [
        {
            "serial": SERIALS[0],
            "start": "2026-05-03T23:05:00+00:00",
            "field": "energy_wh",
            "value": -2.0,
            "message": "is below 0, which energy_wh cannot be; kept out",
        }
    ]


def test_from_whom_readings_came_is_kept(client: TestClient, engine: Engine, path: str) -> None:
    _sent(client, path, table(1))
    named = client.post(f"{path}/readings", json=table(2), headers={"Yieldproof-Source": "attic"})
    refused = client.post(f"{path}/readings", json=table(2), headers={"Yieldproof-Source": "x" * 101})

    with reading(engine) as session:
        sources = session.scalars(select(Payload.source).order_by(Payload.received_at)).all()
    assert sources == ["token test", "token test, attic"]
    assert named.status_code == 200
    assert refused.status_code == 422
    assert "Yieldproof-Source" in refused.text


def test_csv_with_the_interval_in_the_address(client: TestClient, path: str) -> None:
    text = f"serial,start,energy_wh\n{SERIALS[0]},{START},1.25\n"
    headers = {"Content-Type": "text/csv"}
    answer = client.post(f"{path}/readings?interval_min=5", content=text, headers=headers)

    assert answer.json() == {**RECEIPT, "accepted": 1}
    refused = client.post(f"{path}/readings", content=text, headers=headers)
    assert refused.json()["errors"][0]["field"] == "interval_min"


def test_a_mistyped_value_keeps_nothing_of_the_batch(client: TestClient, path: str) -> None:
    answer = client.post(f"{path}/readings", json=table(1, "2"))  # type: ignore[arg-type]

    assert answer.status_code == 422
    assert answer.json()["errors"][0]["field"] == f"energy_wh.{SERIALS[0]}[1]"
    assert _given(client, path).json()["energy_wh"] == {}


@pytest.mark.parametrize("content_type", ["", "text/plain", "application/xml"])
def test_readings_in_an_unknown_form_are_a_problem_of_415(
    client: TestClient, path: str, content_type: str
) -> None:
    answer = client.post(f"{path}/readings", content=b"x", headers={"Content-Type": content_type})

    assert answer.status_code == 415
    assert "text/csv" in answer.json()["detail"]


def _mixed(client: TestClient, path: str) -> None:
    """Send two intervals, a phase beside the hour, odd seconds and several channels."""
    later = "2026-05-05T00:00:00+01:00"
    _sent(client, path, table(0.1, None, 3.3, temperature_c={SERIALS[0]: [20.5], SERIALS[1]: [None, 21]}))
    _sent(client, path, table(interval_min=30, start="2026-05-06T00:15:00Z", power_w={SERIALS[1]: [7]}))
    rows = [{"serial": 'odd "one", x', "start": "2026-05-04T10:00:07Z", "energy_wh": 1.1, "signal_pct": 50}]
    _sent(client, path, {"interval_min": 15, "readings": rows})
    _sent(client, path, table(2.2, start=later))


@pytest.mark.parametrize("accept", [JSON_TYPE, CSV_TYPE, PARQUET_TYPE])
def test_what_is_given_out_can_be_sent_again_and_is_the_same(
    client: TestClient, path: str, accept: str
) -> None:
    _mixed(client, path)
    given = _given(client, path, accept)
    other = f"/api/v1/sites/{client.post('/api/v1/sites', json=record()).json()['id']}"

    headers = {"Content-Type": given.headers["content-type"]}
    receipt = client.post(f"{other}/readings", content=given.content, headers=headers).json()

    assert receipt == {**RECEIPT, "accepted": 8}
    assert _given(client, other, accept).content == given.content


def test_json_has_the_largest_table_first_and_the_others_beside_it(client: TestClient, path: str) -> None:
    _mixed(client, path)
    given = _given(client, path).json()

    assert (given["interval_min"], given["start"]) == (5, "2026-05-03T23:00:00+00:00")
    assert given["energy_wh"][SERIALS[0]][:3] == [0.1, None, 3.3]
    assert given["temperature_c"] == {SERIALS[0]: [20.5], SERIALS[1]: [None, 21]}
    assert [part["interval_min"] for part in given["further"]] == [30, 15]
    assert given["further"][1]["readings"][0] == {
        "serial": 'odd "one", x',
        "start": "2026-05-04T10:00:07+00:00",
        "energy_wh": 1.1,
    }


def test_csv_has_a_line_for_each_serial_and_start(client: TestClient, path: str) -> None:
    _sent(client, path, table(0.1, None, 3, temperature_c={SERIALS[0]: [None, -5.5]}))
    lines = list(csv.reader(io.StringIO(_given(client, path, CSV_TYPE).text)))

    assert lines == [
        ["serial", "start", "energy_wh", "temperature_c", "interval_min"],
        [SERIALS[0], "2026-05-03T23:00:00+00:00", "0.1", "", "5"],
        [SERIALS[0], "2026-05-03T23:05:00+00:00", "", "-5.5", "5"],
        [SERIALS[0], "2026-05-03T23:10:00+00:00", "3", "", "5"],
    ]


def test_parquet_has_typed_columns(client: TestClient, path: str) -> None:
    _sent(client, path, table(0.1, None, 3))
    found = pq.read_table(io.BytesIO(_given(client, path, PARQUET_TYPE).content))

    assert {f.name: str(f.type) for f in found.schema} == {
        "serial": "string",
        "start": "timestamp[ms, tz=UTC]",
        "energy_wh": "float",
        "interval_min": "int32",
    }
    assert found.column("energy_wh").to_pylist() == [pytest.approx(0.1, rel=1e-7), 3]


def test_the_window_is_of_starts(client: TestClient, path: str) -> None:
    _sent(client, path, table(1, 2, 3, 4))
    window = {"start": "2026-05-04T00:05:00+01:00", "end": "2026-05-03T23:15:00Z"}

    assert _given(client, path, **window).json() == {
        "interval_min": 5,
        "start": "2026-05-03T23:05:00+00:00",
        "energy_wh": {SERIALS[0]: [2, 3]},
    }


def test_a_plus_that_was_not_escaped_is_understood(client: TestClient, path: str) -> None:
    _sent(client, path, table(1, 2))
    answer = client.get(f"{path}/readings?start=2026-05-04T00:05:00+01:00")

    assert answer.json()["energy_wh"] == {SERIALS[0]: [2]}


@pytest.mark.parametrize("accept", [JSON_TYPE, CSV_TYPE, PARQUET_TYPE])
def test_nothing_held_is_an_empty_table_that_can_be_sent(client: TestClient, path: str, accept: str) -> None:
    given = _given(client, path, accept)
    headers = {"Content-Type": accept}

    assert client.post(f"{path}/readings", content=given.content, headers=headers).json() == RECEIPT


@pytest.mark.parametrize(
    ("accept", "status", "kind"),
    [
        ("", 200, JSON_TYPE),
        ("*/*", 200, JSON_TYPE),
        ("text/*", 200, CSV_TYPE),
        ("TEXT/CSV", 200, CSV_TYPE),
        ("application/json;q=0.1, text/csv", 200, CSV_TYPE),
        ("text/html, application/xhtml+xml, */*;q=0.8", 200, JSON_TYPE),
        ("*/*, application/json;q=0", 200, CSV_TYPE),
        ("image/png", 406, "application/problem+json"),
        ("application/json;q=0", 406, "application/problem+json"),
        ("application/json;q=x", 406, "application/problem+json"),
    ],
)
def test_the_form_is_what_is_accepted(
    client: TestClient, path: str, accept: str, status: int, kind: str
) -> None:
    answer = client.get(f"{path}/readings", headers={"Accept": accept})

    assert answer.status_code == status
    assert answer.headers["content-type"].partition(";")[0] == kind


@pytest.mark.parametrize("what", ["readings", "verification"])
@pytest.mark.parametrize(
    ("params", "field", "message"),
    [
        ({"start": "2026-05-04T00:00:00"}, "start", "no offset"),
        ({"end": "soon"}, "end", "ISO 8601"),
        ({"start": ""}, "start", "ISO 8601"),
        ({"start": "1970-01-01T00:00:00Z"}, "start", "2000 and 2100"),
        ({"start": "2026-05-04T00:00:00Z", "end": "2026-05-04T01:00:00+01:00"}, "end", "later than start"),
        ({"start": "2026-05-05T00:00:00Z", "end": "2026-05-04T00:00:00Z"}, "end", "later than start"),
        ({"start": "2025-01-01T00:00:00Z", "end": "2026-06-01T00:00:00Z"}, "start", "more than 400 days"),
        ({"start": "2025-01-01T00:00:00Z"}, "start", "more than 400 days"),
        ({"strat": "2026-05-31T00:00:00Z"}, "strat", "did you mean start"),
    ],
)
def test_a_wrong_window_is_refused(
    client: TestClient, path: str, what: str, params: dict[str, str], field: str, message: str
) -> None:
    _sent(client, path, table(1, start="2026-05-31T00:00:00Z"))
    answer = client.get(f"{path}/{what}", params=params)

    assert answer.status_code == 422
    assert message in {e["field"]: e["message"] for e in answer.json()["errors"]}[field]


def test_weather_is_taken_and_its_wrong_values_listed(client: TestClient, path: str) -> None:
    data = {"interval_min": 15, "start": START, "ghi_w_m2": [100, 9999], "poa_w_m2": {"south roof": [90]}}
    answer = client.post(f"{path}/weather", json=data)

    assert answer.status_code == 200
    assert (answer.json()["accepted"], answer.json()["rejected"]) == (2, 1)
    assert answer.json()["problems"][0]["field"] == "ghi_w_m2"
    refused = client.post(f"{path}/weather", json={**data, "poa_w_m2": {"north": [1]}})
    assert refused.json()["errors"][0]["field"] == "poa_w_m2.north"


def test_weather_is_taken_as_csv_too(client: TestClient, path: str) -> None:
    rows = f"start,ghi_w_m2,poa_w_m2:south roof\n{START},100,90\n"
    sent = {"content": rows, "headers": {"Content-Type": "text/csv"}}
    answer = client.post(f"{path}/weather?interval_min=15", **sent)
    assert (answer.status_code, answer.json()["accepted"]) == (200, 2)
    assert client.post(f"{path}/weather", **sent).json()["errors"][0]["field"] == "interval_min"
    strange = client.post(f"{path}/weather", content="x", headers={"Content-Type": "text/plain"})
    assert strange.status_code == 415


def test_no_readings_no_verification_but_what_to_do(client: TestClient, path: str) -> None:
    answer = client.get(f"{path}/verification")

    assert answer.status_code == 404
    assert "send some to POST" in answer.json()["detail"]


def test_no_readings_in_the_window_says_when_there_are(client: TestClient, path: str) -> None:
    _sent(client, path, table(1))
    window = {"start": "2026-05-10T00:00:00Z", "end": "2026-05-11T00:00:00Z"}
    answer = client.get(f"{path}/verification", params=window)

    assert answer.status_code == 404
    assert "2026-05-03T23:00:00+00:00 to 2026-05-03T23:05:00+00:00" in answer.json()["detail"]


CONTRACT_UNIT = {
    "serial", "plane", "row", "column", "branch", "rank", "measured_wh", "expected_wh", "reference_yield_h",
    "performance_ratio", "performance_ratio_25c", "performance_index", "performance_index_low",
    "performance_index_high", "heard_share", "smallest_visible_loss_pct", "causes",
}  # fmt: skip
CONTRACT_FINDING = {
    "cause", "serials", "plane", "branch", "confidence", "first_seen", "last_seen", "lost_wh",
    "annual_loss_kwh", "evidence", "advice",
}  # fmt: skip


def test_a_verification_has_the_contract_s_fields(client: TestClient, path: str) -> None:
    begin = datetime.fromisoformat("2026-05-04T06:00:00+01:00")
    for day in range(3):
        start = (begin + timedelta(days=day)).isoformat()
        hump = [round(20 * (1 - abs(i - 72) / 72), 1) for i in range(144)]
        _sent(client, path, table(start=start, energy_wh={SERIALS[0]: hump, SERIALS[1]: hump, "999": hump}))

    answer = client.get(f"{path}/verification").json()

    assert set(answer) == {"site_id", "start", "end", "sky", "verdict", "units", "findings", "not_yet"}
    assert answer["site_id"] == path.rpartition("/")[2]
    assert answer["verdict"] in {"verified", "attention", "too_little_light"}
    assert {"source", "clear_share", "light"} <= set(answer["sky"])
    assert sorted(unit["serial"] for unit in answer["units"]) == sorted(SERIALS)
    assert sorted(unit["rank"] for unit in answer["units"]) == [1, 2, 3]
    assert all(set(unit) == CONTRACT_UNIT for unit in answer["units"])
    assert all(set(finding) >= CONTRACT_FINDING for finding in answer["findings"])
    assert {"not_reporting", "not_on_record"} <= {finding["cause"] for finding in answer["findings"]}


def test_a_verification_of_a_window_is_of_that_window(client: TestClient, path: str) -> None:
    hump = [round(20 * (1 - abs(i - 72) / 72), 1) for i in range(144)]
    for day in (4, 5):
        _sent(client, path, table(*hump, start=f"2026-05-0{day}T06:00:00+01:00"))
    window = {"start": "2026-05-05T00:00:00+01:00", "end": "2026-05-06T00:00:00+01:00"}
    answer = client.get(f"{path}/verification", params=window).json()

    assert datetime.fromisoformat(answer["start"]) >= datetime.fromisoformat(window["start"])
    assert datetime.fromisoformat(answer["end"]) <= datetime.fromisoformat(window["end"])
    measured = {unit["serial"]: unit["measured_wh"] for unit in answer["units"]}
    assert measured[SERIALS[0]] == pytest.approx(sum(hump), rel=1e-3)
