"""HTTP devices, asked over a real server: JSON, CSV and whole files, every way of signing in, and what goes wrong."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from threading import Event
from typing import Any

import pytest

from service.collect import clock
from service.collect.http import HttpSource
from service.collect.trouble import Trouble
from service.intake.live.model import Sample
from tests.collect.device import PASSWORD, TOKEN, USER, Device, Heard, device

UNITS = {"units": [{"sn": "101", "e": 5123.5, "p": 180}, {"sn": "102", "e": 4870, "p": 175.5}]}
PAYLOAD = {
    "rows": "$.units",
    "serial": {"path": "@.sn"},
    "values": {"counter_wh": "@.e", "power_w": "@.p"},
    "interval_min": 5,
}


@pytest.fixture(scope="module")
def _server() -> Iterator[Device]:
    with device() as made:
        yield made


@pytest.fixture
def hub(_server: Device) -> Device:
    _server.answers.clear()
    _server.asked.clear()
    _server.headers.clear()
    _server.auth = ""
    return _server


def _source(url: str, **settings: Any) -> HttpSource:
    given = {"kind": "http", "name": "hub", "url": url, "every_s": 60, "timeout_s": 20, "payload": PAYLOAD}
    return HttpSource.model_validate({k: v for k, v in (given | settings).items() if v is not None})


def _read_once(source: HttpSource) -> Heard:
    heard, stop = Heard(), Event()
    stop.set()
    source.run(heard, stop)
    return heard


def test_json_becomes_samples_of_the_moment(hub: Device) -> None:
    before = datetime.now(UTC)
    heard = _read_once(_source(hub.says("/units", UNITS)))
    assert [(s.serial, s.kind, s.value) for s in heard.found] == [
        ("101", "counter_wh", 5123.5), ("101", "power_w", 180), ("102", "counter_wh", 4870), ("102", "power_w", 175.5),
    ]  # fmt: skip
    assert all(before <= s.at <= datetime.now(UTC) for s in heard.found)
    assert (heard.times, heard.troubles) == (1, [])


@pytest.mark.parametrize(
    ("written", "text"),
    [
        ({}, "Unit,Time,Power (W)\r\n101,2026-06-14T10:00:00,180.5\r\n102,2026-06-14T10:00:00,\r\n"),
        (
            {"delimiter": ";", "decimal": "comma", "encoding": "latin-1"},
            "Unit;Time;Power (W)\n101;2026-06-14T10:00:00;180,5\n",
        ),
        ({"headings": ["Unit", "Time", "Power (W)"]}, "101,2026-06-14T10:00:00,180.5\n"),
    ],
)
def test_csv_is_read_by_its_headings(hub: Device, written: dict[str, Any], text: str) -> None:
    payload = {
        "serial": {"path": "@.Unit"},
        "time": {"path": "@.Time", "timezone": "Europe/Berlin"},
        "values": {"power_w": "@['Power (W)']"},
        "interval_min": 5,
    }
    source = _source(hub.says("/log.csv", text.encode("latin-1")), format="csv", csv=written, payload=payload)
    heard = _read_once(source)
    assert heard.found == [Sample("101", "power_w", datetime(2026, 6, 14, 8, tzinfo=UTC), 180.5)]
    assert heard.troubles == []


def test_a_whole_file_is_forwarded_under_its_name(hub: Device) -> None:
    url = hub.says("/export/june%202026.csv", b"any;thing")
    heard = _read_once(_source(url, format="file", payload=None, mapping="hub log"))
    assert heard.files == [("june-202026.csv", b"any;thing")]


@pytest.mark.parametrize(
    ("kind", "auth", "said"),
    [
        ("basic", {"user": USER, "password": PASSWORD}, "this user with this password; correct them"),
        ("digest", {"user": USER, "password": PASSWORD}, "this user with this password; correct them"),
        ("bearer", {"token": TOKEN}, "this token; correct it"),
    ],
)
def test_it_signs_in(hub: Device, kind: str, auth: dict[str, str], said: str) -> None:
    url, hub.auth = hub.says("/units?all=1", UNITS), kind
    assert len(_read_once(_source(url, auth={"kind": kind, **auth})).found) == 4
    wrong = dict.fromkeys(auth, "wrong")
    refused = _read_once(_source(url, auth={"kind": kind, **wrong}))
    assert refused.found == []
    assert refused.troubles == [f"It does not take {said}."]


def test_the_way_in_that_the_device_wants_is_named(hub: Device) -> None:
    url, hub.auth = hub.says("/units", UNITS), "digest"
    basic = {"kind": "basic", "user": USER, "password": PASSWORD}
    with pytest.raises(Trouble, match="wants auth of the kind digest, not basic; correct the kind"):
        _source(url, auth=basic).probe()
    with pytest.raises(Trouble, match="wants to know who asks; give it auth of the kind digest"):
        _source(url).probe()


def test_own_headers_are_sent(hub: Device) -> None:
    _read_once(_source(hub.says("/units", UNITS), headers={"X-Api-Key": "k"}))
    assert hub.headers[0]["X-Api-Key"] == "k"


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("/nothing", "nothing at this address"),
        ("/status/503", "status 503; it is asked again"),
        ("/status/403", "does not let this user read"),
        ("/to//to//nothing", "nothing at this address"),
        ("/loop", "leads round in circles"),
        ("/slow", "does not answer (timed out)"),
        ("/large", "more than 1000000 bytes"),
        ("/words", "is not valid JSON"),
        ("/empty", "holds none of the values asked for"),
        ("/elsewhere", "leads on to another one (localhost)"),
    ],
)
def test_what_hinders_is_said_with_a_remedy(hub: Device, path: str, said: str) -> None:
    hub.says("/large", b" " * 1_000_001)
    hub.says("/words", b"<html>")
    hub.says("/empty", {"units": [{"sn": "101"}]})
    port = hub.address.rpartition(":")[2]
    path = {"/loop": "/to/" * 8, "/elsewhere": f"/to/http://localhost:{port}/units"}.get(path, path)
    heard = _read_once(_source(hub.address + path, timeout_s=0.3 if path == "/slow" else 20))
    assert (heard.found, heard.times, len(heard.troubles)) == ([], 0, 1)
    assert said in heard.troubles[0]


def test_units_that_the_device_calls_otherwise_get_their_serials(hub: Device) -> None:
    heard = _read_once(_source(hub.says("/units", UNITS), serials={"101": "482913377001"}))
    assert [s.serial for s in heard.found] == ["482913377001", "482913377001", "102", "102"]


def test_what_is_understood_of_an_answer_is_kept(hub: Device) -> None:
    units = {"units": [*UNITS["units"], {"sn": "103", "p": "much"}]}
    heard = _read_once(_source(hub.says("/units", units)))
    assert len(heard.found) == 4
    assert "$['units'][2]" in heard.troubles[0]
    assert "must be a number" in heard.troubles[0]


def test_a_redirection_on_the_same_device_is_followed(hub: Device) -> None:
    hub.says("/units", UNITS)
    assert len(_read_once(_source(hub.address + "/to//units")).found) == 4


def test_a_day_at_a_time_asks_for_the_days_missed(hub: Device) -> None:
    zone = "Pacific/Auckland"
    source = _source(hub.address + "/day/{date}", days={"timezone": zone, "back": 3, "written": "%Y%m%d"})
    today = source.days.today()  # type: ignore[union-attr]
    for n in range(4):
        hub.says(f"/day/{today - timedelta(n):%Y%m%d}", UNITS)
    heard = _read_once(source)
    assert hub.asked == [f"/day/{today - timedelta(n):%Y%m%d}" for n in range(4)]
    assert (len(heard.found), heard.troubles) == (16, [])
    assert abs((today - date.today()).days) <= 1  # noqa: DTZ011 - any zone will do


@pytest.fixture
def _doubted(monkeypatch: pytest.MonkeyPatch) -> None:
    made = clock.Clock()
    made.doubt(None)
    monkeypatch.setattr(clock, "CLOCK", made)


@pytest.mark.usefixtures("_doubted")
def test_a_day_is_not_asked_for_while_the_time_is_not_known(hub: Device) -> None:
    heard = _read_once(_source(hub.address + "/day/{date}", days={"timezone": "UTC"}))
    assert hub.asked == []
    assert "once the service has answered" in heard.troubles[0]


@pytest.mark.usefixtures("_doubted")
def test_values_with_a_time_of_their_own_do_not_wait_for_the_clock(hub: Device) -> None:
    url = hub.says("/units", {"at": "2026-06-14T10:00:00+02:00", **UNITS})
    own = _read_once(_source(url, payload=PAYLOAD | {"time": {"path": "$.at"}}))
    assert {s.at for s in own.found} == {datetime(2026, 6, 14, 8, tzinfo=UTC)}
    assert all(clock.is_mark(s.at) for s in _read_once(_source(url)).found)


def test_probing_says_what_came_and_keeps_nothing(hub: Device) -> None:
    assert (
        _source(hub.says("/units", UNITS)).probe() == "4 values of 2 units, such as counter_wh 5123.5 of 101"
    )
    with pytest.raises(Trouble, match="nothing at this address"):
        _source(hub.address + "/none").probe()
    values = {"power_w": "@.p", "counter_wh": "@.energy"}
    with pytest.raises(Trouble, match=r"It has no counter_wh \(@\.energy\): correct that"):
        _source(hub.address + "/units", payload={**PAYLOAD, "values": values}).probe()
    with pytest.raises(Trouble, match=r"\$\.devices: leads to nothing in the message; correct the path"):
        _source(hub.address + "/units", payload={**PAYLOAD, "rows": "$.devices"}).probe()


def test_a_device_without_tls_is_told_as_such(hub: Device) -> None:
    url = hub.says("/units", UNITS).replace("http://", "https://")
    with pytest.raises(Trouble, match=r"does not speak TLS.*http://"):
        _source(url).probe()


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a certificate that nobody has signed but itself."""
    file = tmp_path_factory.mktemp("tls") / "device.pem"
    subject = ["-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1"]
    new = [
        "openssl",
        "req",
        "-x509",
        "-newkey",
        "ec",
        "-pkeyopt",
        "ec_paramgen_curve:prime256v1",
        "-nodes",
        "-days",
        "2",
    ]
    subprocess.run(
        [*new, *subject, "-keyout", str(file.with_suffix(".key")), "-out", str(file)],
        check=True,
        capture_output=True,
    )
    return file


def test_a_certificate_of_its_own_is_taken_only_when_told_so(certificate: Path) -> None:
    with device(certificate) as hub:
        url = hub.says("/units", UNITS)
        (said,) = _read_once(_source(url)).troubles
        assert (
            "its certificate is not the one expected: self-signed certificate); give the certificate" in said
        )
        assert len(_read_once(_source(url, ca_file=certificate)).found) == 4
        assert len(_read_once(_source(url, verify=False)).found) == 4
