"""Plays the open services on a port of this computer, in the forms that they document. Real sockets, real HTTP.

Nobody of this project could ask the real ones while this was written. So the forms are those that pvlib reads and the
values those that pvlib's own tests expect of the live services (pvlib 0.16.1, BSD licence: tests/iotools/
test_nasa_power.py, test_era5.py, test_sodapro.py, test_pvgis.py and the files beside them), each named where it stands.
"""

from __future__ import annotations

import io
import json
import ssl
import subprocess
import time
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from typing import Any
from urllib.parse import parse_qs, unquote, urlsplit

NASA_GHI = [
    0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 50.25, 184.2, 281.55, 368.3, 406.48,
    386.45, 316.05, 210.1, 109.05, 12.9, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0,
]  # fmt: skip
"""W/m2 on 2025-02-02 at 44.76 N, 7.64 E by NASA POWER; test_nasa_power.py."""

ERA5_AIR_C = [16.6, 15.2, 13.5, 11.2, 10.8, 9.1, 7.3, 6.8, 7.6, 7.4, 8.5, 8.1, 9.8, 11.5, 14.1, 17.4, 18.3, 20.0,
              20.7, 20.9, 21.5, 21.6, 21.0, 20.7]  # fmt: skip
ERA5_GHI = [153.0, 18.4, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 60.0, 229.5, 427.8, 620.1, 785.5, 910.1, 984.2,
            1005.9, 962.4, 844.1, 685.2, 526.9, 331.4]  # fmt: skip
"""degC and W/m2 on 2020-06-01 at 40.01 N, 80.01 W by ERA5, light at its hour's end; test_era5.py."""

HORIZON = [
    (-180.0, 9.9),
    (-172.5, 13.0),
    (-165.0, 14.5),
    (-157.5, 15.7),
    (0.0, 6.5),
    (90.0, 21.4),
    (180.0, 9.9),
]
"""The first four are of test_read_pvgis_horizon.csv, azimuths from south as the service counts them, north twice."""

KEY = "0badcafe-0000-4000-8000-000000000000"
EMAIL = "roofs@firm.example"

Reply = tuple[int, str, bytes]
Answer = Callable[[str, dict[str, str], bytes, dict[str, str]], Reply]


class Server:
    """A service on a port of this computer; `answer` may be exchanged, `asked` has the requests."""

    def __init__(self, answer: Answer) -> None:
        self.answer = answer
        self.asked: list[tuple[str, dict[str, str]]] = []
        self.url = ""


@contextmanager
def serving(answer: Answer, tls: ssl.SSLContext | None = None) -> Iterator[Server]:
    """Run a server until the block ends."""
    served = Server(answer)

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_GET(self) -> None:
            path = urlsplit(self.path)
            query = {name: values[0] for name, values in parse_qs(path.query, separator="&").items()}
            body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
            served.asked.append((path.path, query))
            status, kind, content = served.answer(path.path, query, body, dict(self.headers))
            self.send_response(status)
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            with suppress(BrokenPipeError, ConnectionResetError):  # who asked has given up
                self.wfile.write(content)

        do_POST = do_GET  # noqa: N815 - the library's form

        def log_message(self, *_: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    if tls is not None:
        server.socket = tls.wrap_socket(server.socket, server_side=True)
    served.url = f"http://127.0.0.1:{server.server_port}/"
    thread = Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield served
    finally:
        server.shutdown()
        server.server_close()


def own_certificate(folder: Path) -> tuple[ssl.SSLContext, Path]:
    """Return a context for 127.0.0.1 and the certificate that a client has to trust."""
    key, certificate = folder / "key.pem", folder / "certificate.pem"
    subject = ("-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1")
    made = ("-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2")
    files = ("-keyout", str(key), "-out", str(certificate))
    subprocess.run(["openssl", "req", *made, *subject, *files], check=True, capture_output=True)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, key)
    return context, certificate


def as_json(found: Any, status: int = 200) -> Reply:
    return status, "application/json", json.dumps(found).encode()


def always(reply: Reply, after_s: float = 0.0) -> Answer:
    def answer(*_: Any) -> Reply:
        time.sleep(after_s)
        return reply

    return answer


# NASA POWER


def nasa_power(
    _path: str, query: dict[str, str], _body: bytes = b"", _headers: dict[str, str] | None = None
) -> Reply:
    """Answer as the hourly point API does: its parameters by hour, -999 where there is nothing."""
    first, last = (datetime.strptime(query[n], "%Y%m%d").replace(tzinfo=UTC) for n in ("start", "end"))
    hours = [first + timedelta(hours=h) for h in range(24 * ((last - first).days + 1))]
    values = {
        "ALLSKY_SFC_SW_DWN": lambda t: NASA_GHI[t.hour],
        "T2M": lambda t: -999.0 if t.hour == 3 else 4.0 + 0.25 * t.hour,
    }
    names = query["parameters"].split(",")
    return as_json(
        {
            "type": "Feature",
            "geometry": {
                "type": "Point",
                "coordinates": [float(query["longitude"]), float(query["latitude"]), 705.88],
            },
            "properties": {
                "parameter": {n: {t.strftime("%Y%m%d%H"): values[n](t) for t in hours} for n in names}
            },
            "header": {
                "title": "NASA/POWER Source Native Resolution Hourly Data",
                "api": {"version": "v2.5.0", "name": "POWER Hourly API"},
                "sources": ["SYN1DEG", "POWER", "MERRA2"],
                "fill_value": -999.0,
                "time_standard": "UTC",
                "start": query["start"],
                "end": query["end"],
            },
            "messages": [],
            "parameters": {n: {"units": "", "longname": n} for n in names},
            "times": {"data": 1.0, "process": 0.1},
        }
    )


# PVGIS


def pvgis(
    path: str, query: dict[str, str], _body: bytes = b"", _headers: dict[str, str] | None = None
) -> Reply:
    """Answer as `seriescalc` and `printhorizon` do."""
    if path.endswith("printhorizon"):
        profile = [{"A": azimuth, "H_hor": elevation} for azimuth, elevation in HORIZON]
        inputs = {
            "location": {"latitude": float(query["lat"]), "longitude": float(query["lon"]), "elevation": 1.0}
        }
        outputs = {"horizon_profile": profile, "winter_solstice": [], "summer_solstice": []}
        return as_json(
            {"inputs": {**inputs, "horizon_db": "DEM-calculated"}, "outputs": outputs, "meta": {"inputs": {}}}
        )
    last = int(query["endyear"])
    if last > 2023:
        said = "endyear: Incorrect value. Please, enter an integer between 2005 and 2023."
        return as_json({"message": said, "status": 400}, 400)
    start = datetime(int(query["startyear"]), 1, 1, 0, 10, tzinfo=UTC)
    hours = [start + timedelta(hours=h) for h in range(24 * 40)]
    row = {"Gb(i)": 100.0, "Gd(i)": 50.0, "Gr(i)": 0.0, "H_sun": 5.0, "WS10m": 1.52, "Int": 0.0}
    hourly = [{"time": t.strftime("%Y%m%d:%H%M"), **row, "T2m": float(t.hour)} for t in hours]
    return as_json({"inputs": {}, "outputs": {"hourly": hourly}, "meta": {"inputs": {}, "outputs": {}}})


# ERA5


def era5(server: Server) -> Answer:
    """Return what answers as the data store does: a job, its state, its result, a ZIP archive of one CSV."""
    days: list[str] = []

    def answer(path: str, _query: dict[str, str], body: bytes, headers: dict[str, str]) -> Reply:
        given = {name.lower(): value for name, value in headers.items()}
        if not path.endswith(".zip") and given.get("private-token") != KEY:
            said = {"type": "permission denied", "title": "unauthorized", "status": 401}
            return as_json({**said, "detail": f"operation not allowed for {given.get('private-token')}"}, 401)
        if path.endswith("/execution"):
            days[:] = json.loads(body)["inputs"]["date"][0].split("/")
            return as_json({"jobID": "7f0c", "status": "accepted", "metadata": {"messages": []}}, 201)
        if path.endswith("/results"):
            return as_json({"asset": {"value": {"href": f"{server.url}cache/result.zip"}}})
        if path.endswith(".zip"):
            return 200, "application/zip", _zipped(_era5_csv(*days))
        return as_json({"jobID": "7f0c", "status": "successful"})

    return answer


def _era5_csv(first: str, last: str) -> str:
    start = datetime.fromisoformat(first).replace(tzinfo=UTC)
    count = 24 * ((datetime.fromisoformat(last).replace(tzinfo=UTC) - start).days + 1)
    rows = ["valid_time,t2m,ssrd,latitude,longitude"]
    for hour in range(count):
        at, kelvin = start + timedelta(hours=hour), ERA5_AIR_C[hour % 24] + 273.15
        light = 3600 * ERA5_GHI[hour % 24]
        rows.append(f"{at:%Y-%m-%d %H:%M:%S},{kelvin:.5f},{light:.1f},40.0,-80.0")
    return "\n".join(rows)


def _zipped(text: str) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as archive:
        archive.writestr("result.csv", text)
    return made.getvalue()


# CAMS

CAMS_HEAD = """# Coding: utf-8
# File format version: 5
# Title: CAMS Radiation Service v3.2 all-sky irradiation (derived from satellite data).
# Latitude (positive North, ISO 19115): 55.7906
# Longitude (positive East, ISO 19115): 12.5251
# Altitude (m): 39.00
# Time reference: Universal time (UT)
# Summarization (integration) period: 0 year 0 month 0 day 1 h 0 min 0 s
# noValue: nan
#
# Observation period;TOA;Clear sky GHI;Clear sky BHI;Clear sky DHI;Clear sky BNI;GHI;BHI;DHI;BNI;Reliability
"""
"""The lines of cams_radiation_1min_verbose.csv that are read, with an hour in the place of a minute."""


def cams(
    _path: str, query: dict[str, str], _body: bytes = b"", _headers: dict[str, str] | None = None
) -> Reply:
    """Answer as the radiation service does: a CSV, or an XML report of what is wrong."""
    given = dict(part.split("=", 1) for part in unquote(query["DataInputs"]).split(";"))
    if unquote(given["username"]) != EMAIL:
        said = f"User {given['username']} is not registered"
        report = f"<ows:ExceptionReport><ows:ExceptionText>{said}</ows:ExceptionText></ows:ExceptionReport>"
        return 400, "text/xml", report.encode()
    start = datetime.fromisoformat(given["date_begin"])
    count = 24 * ((datetime.fromisoformat(given["date_end"]) - start).days + 1)
    rows = []
    for hour in range(count):
        at = start + timedelta(hours=hour)
        light = NASA_GHI[at.hour]
        span = f"{at:%Y-%m-%dT%H:%M:%S.0}/{at + timedelta(hours=1):%Y-%m-%dT%H:%M:%S.0}"
        rows.append(f"{span};900;800;700;100;850;{light};{light};0.0;{light};1.0000")
    return 200, "text/csv", (CAMS_HEAD + "\n".join(rows)).encode()
