"""Files of other programs on the pages, by plain forms: asked, corrected, stored once, remembered, removed."""

from __future__ import annotations

import csv
import io
import re
from html import unescape
from typing import Any

import pytest
from fastapi.testclient import TestClient
from httpx import Response
from openpyxl import load_workbook
from sqlalchemy import Engine, func, select

from service.jobs import uploads as work
from service.jobs.queue import make_queue
from service.settings import Settings
from service.store import audit, mappings, uploads
from service.store.database import reading, writing
from service.store.tables import Site, Upload, UploadPiece
from service.web.app import create_app
from tests.web.bring import UNITS, exported
from tests.web.visit import add_person, add_site, sign_in

pytestmark = pytest.mark.one_database


@pytest.fixture
def site_id(engine: Engine) -> str:
    return add_site(engine, None)


@pytest.fixture
def office(visitor: TestClient, engine: Engine) -> TestClient:
    return sign_in(visitor, add_person(engine, "office"))


def _bring(client: TestClient, site_id: str, body: bytes, name: str = "may.csv") -> str:
    answer = client.post(f"/sites/{site_id}/exports", files={"file": (name, body)}, follow_redirects=False)
    assert answer.status_code == 303, answer.text
    return answer.headers["location"]


def _text(answer: Response) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", answer.text)).split())


def _send(client: TestClient, where: str, page: Response, **fields: str) -> Response:
    """Send the page's form with what stands in it, but for the fields given."""
    turn = re.search(r'name="turn" value="(\d+)"', page.text)
    assert turn is not None
    return client.post(where, data={"turn": turn[1], **fields})


def _count(engine: Engine, model: Any) -> int:
    with reading(engine) as session:
        return session.execute(select(func.count()).select_from(model)).scalar_one()


def _version(engine: Engine) -> int:
    with reading(engine) as session:
        return session.execute(select(Site.data_version)).scalar_one()


def test_file_is_asked_about_looked_over_and_stored(office: TestClient, engine: Engine, site_id: str) -> None:
    where = _bring(office, site_id, exported())
    page = office.get(where)
    assert "The file leaves one thing open" in _text(page)
    assert "Store these readings" not in page.text
    assert _send(office, where, page, do="take").status_code == 200
    assert _version(engine) == 0, "a question is open"
    page = _send(office, where, office.get(where), label="start", do="show")
    assert "Is this how the file is meant?" in _text(page)
    assert "Tue 5 May 2026, 13:00" in _text(page)
    assert "The light of this file has its middle at 13:07; the sun is highest at" in _text(page)
    assert _version(engine) == 0, "nobody has confirmed it"
    page = _send(office, where, page, do="take", mapping="monthly")
    assert "256 readings are new." in _text(page)
    assert f"/sites/{site_id}#ranking" in page.text
    assert _version(engine) == 1
    assert _count(engine, UploadPiece) == 0
    with reading(engine) as session:
        noted = audit.latest(session, site_id=site_id)
    assert [(row.who, row.action, row.details) for row in noted] == [
        ("office person", "readings.imported", {"file": "may.csv"})
    ]


def test_next_file_of_its_kind_is_read_by_the_remembered_answers_until_they_are_forgotten(
    office: TestClient, engine: Engine, site_id: str
) -> None:
    with writing(engine) as session:
        mappings.remember(session, site_id, "of another kind", {"label": "end"}, "tables of stone")
    where = _bring(office, site_id, exported())
    page = _send(office, where, office.get(where), label="start", do="show")
    _send(office, where, page, do="take", mapping="monthly")
    again = _bring(office, site_id, exported(), name="june.csv")
    page = office.get(again)
    assert "Is this how the file is meant?" in _text(page)
    assert 'name="mapping" value="monthly"' in page.text
    page = _send(office, again, page, do="take", mapping="monthly")
    assert "256 were held already" in _text(page)
    assert _version(engine) == 1, "the same readings again change nothing"
    assert "monthly" in office.get(f"/sites/{site_id}/exports").text
    office.post(f"/sites/{site_id}/exports/forget", data={"name": "monthly"})
    assert "one thing open" in _text(office.get(_bring(office, site_id, exported())))
    with reading(engine) as session:
        assert audit.latest(session)[0].action == "mapping.removed"


def test_what_was_understood_is_corrected_by_hand_before_anything_is_stored(
    office: TestClient, engine: Engine, site_id: str
) -> None:
    where = _bring(office, site_id, exported())
    page = _send(office, where, office.get(where), label="start", do="show")
    page = _send(office, where, page, do="take", timezone="UTC", quantity="power_w")
    assert _version(engine) == 0, "this is not what was shown"
    assert "In UTC the light is 65 min off solar noon" in _text(page)
    assert "The light of this file has its middle at 14:07" in _text(page)
    with reading(engine) as session:
        held = uploads.get(session, site_id, 1)
    assert held is not None
    assert held.answers == {"label": "start", "timezone": "UTC"}, "the quantity was so already"
    page = _send(office, where, page, do="show", timezone="Atlantis")
    assert page.status_code == 422
    assert "must be a zone such as" in _text(page)


def test_second_who_stores_or_changes_a_file_is_told_and_nothing_happens_twice(
    office: TestClient, engine: Engine, site_id: str
) -> None:
    where = _bring(office, site_id, exported())
    first = _send(office, where, office.get(where), label="start", do="show")
    changed = _send(office, where, first, do="show", timezone="UTC")
    late = _send(office, where, first, do="take")
    assert late.status_code == 409
    assert "Somebody has changed or stored this file" in _text(late)
    assert _version(engine) == 0
    assert "readings are new" in _text(_send(office, where, changed, do="take"))
    assert _send(office, where, changed, do="take").status_code == 409
    assert _version(engine) == 1


def test_rejected_rows_come_as_csv_and_workbook_with_their_reasons(office: TestClient, site_id: str) -> None:
    where = _bring(office, site_id, exported(broken=True))
    page = _send(office, where, office.get(where), label="start", do="show")
    page = _send(office, where, page, do="take")
    assert "1 was rejected, with its reason." in _text(page)
    rows = list(csv.reader(io.StringIO(office.get(f"{where}/rejected.csv").text.lstrip("\ufeff"))))
    assert rows[1][1:] == ["31", "60418820011", "'=HYPERLINK(1)", "is not a number"]
    sheet = load_workbook(io.BytesIO(office.get(f"{where}/rejected.xlsx").content)).active
    assert sheet is not None
    assert [cell.value for cell in sheet[2]][2:] == ["60418820011", "=HYPERLINK(1)", "is not a number"]
    assert sheet["D2"].data_type == "s"


@pytest.mark.parametrize(
    ("body", "name", "said"),
    [
        (b"hello\nworld\n", "notes.txt", "no column holds times with a date"),
        (b"PK\x03\x04rubbish", "june.xlsx", "damaged"),
        (exported(units=("1", "2")), "may.csv", "serial"),
    ],
)
def test_file_that_cannot_be_read_says_why_and_what_is_needed(
    office: TestClient, site_id: str, body: bytes, name: str, said: str
) -> None:
    page = office.get(_bring(office, site_id, body, name=name))
    if "This file cannot be read" in page.text:
        assert said in _text(page)
        assert "A file can be read if a column holds times" in _text(page)
    else:
        assert "Which unit is meant by each name in the file?" in _text(page)


def test_nothing_chosen_is_said_so_and_a_file_can_be_removed(
    office: TestClient, engine: Engine, site_id: str
) -> None:
    answer = office.post(f"/sites/{site_id}/exports", files={"file": ("", b"")})
    assert answer.status_code == 422
    assert "No file came" in _text(answer)
    where = _bring(office, site_id, exported())
    office.post(f"{where}/remove")
    assert (_count(engine, Upload), _count(engine, UploadPiece)) == (0, 0)
    assert office.get(where).status_code == 404


def test_large_file_waits_on_a_page_that_shows_how_far_it_is(
    settings: Settings, engine: Engine, site_id: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(work, "SMALL_BYTES", 100)
    jobs = make_queue(settings, engine)
    jobs.huey.flush()
    with TestClient(
        create_app(settings, engine=engine, jobs=jobs), base_url="http://roofs.example"
    ) as client:
        sign_in(client, add_person(engine, "office"))
        where = _bring(client, site_id, exported())
        with writing(engine) as session:
            key = uploads.key_of(session.get_one(Upload, (site_id, 1)))
            uploads.tell(session, key, seen=30, total=120)
            uploads.leave(session, key)
        page = client.get(where)
        assert '<progress max="100" value="25"' in page.text
        assert 'http-equiv="refresh"' in page.text
        for task in jobs.huey.pending():
            jobs.huey.execute(task)
        assert "The file leaves one thing open" in _text(client.get(where))


def test_picture_of_the_light_and_its_numbers(office: TestClient, site_id: str) -> None:
    where = _bring(office, site_id, exported())
    svg = office.get(f"{where}/light.svg?look=narrow-dark")
    assert svg.headers["content-type"] == "image/svg+xml"
    assert "the sun is highest" in svg.text
    rows = list(csv.reader(io.StringIO(office.get(f"{where}/light.csv").text.lstrip("\ufeff"))))
    noon = next(row for row in rows if row[0] == "13:00")
    assert float(noon[1]) == pytest.approx(260)
    assert 200 < float(noon[2]) < 350


def test_file_in_a_form_of_the_api_is_looked_over_and_stored_too(
    office: TestClient, engine: Engine, site_id: str
) -> None:
    body = b'{"interval_min": 15, "start": "2026-05-05T11:00:00Z", "energy_wh": {"60418820004": [40, 41.5]}}'
    where = _bring(office, site_id, body, name="mine.json")
    page = office.get(where)
    assert "Tue 5 May 2026, 12:15\N{EN DASH}12:30 41.5 Wh" in _text(page)
    assert "2 readings are new." in _text(_send(office, where, page, do="take"))
    assert _version(engine) == 1


def test_what_stands_beside_energy_is_named_in_words(office: TestClient, site_id: str) -> None:
    lines = exported(units=UNITS[:1]).decode().splitlines()
    lines = [
        f"{lines[0]};{UNITS[0]} Temperature (°C)",
        *(f"{line};{20 + n % 7},5" for n, line in enumerate(lines[1:])),
    ]
    page = office.get(_bring(office, site_id, "\n".join(lines).encode()))
    assert f"Read beside them {UNITS[0]} Temperature (°C) → temperature, °C" in _text(page)


def test_one_question_comes_at_once_in_words_and_not_in_keys(office: TestClient, site_id: str) -> None:
    small = re.sub(rb"(\d),(\d)", rb",\1\2", exported().replace(b" (W)", b""))  # of a tenth: W, or Wh
    where = _bring(office, site_id, small)
    page = office.get(where)
    assert "The file leaves 2 things open" in _text(page)
    assert "1 question more comes after this one." in _text(page)
    assert "by their size they can be power in W or energy of each interval in Wh" in _text(page)
    assert "power_w" not in _text(page)
    assert 'name="label"' not in page.text
    page = _send(office, where, page, quantity="power_w", do="show")
    assert "The file leaves one thing open" in _text(page)
    assert 'name="label"' in page.text
    page = _send(office, where, page, label="start", do="show")
    assert "Is this how the file is meant?" in _text(page)


def _with_strokes(lines: list[str]) -> bytes:
    """Return lines with commas and a remark in which a stroke stands: by it, too, all are parted evenly."""
    parted = [line.replace(",", ".").replace(";", ",") for line in lines]
    return "\n".join(f"{line},{'Note|s' if i == 0 else 'a|b'}" for i, line in enumerate(parted)).encode()


def test_file_that_cannot_be_read_by_itself_is_read_as_somebody_says(
    office: TestClient, engine: Engine, site_id: str
) -> None:
    where = _bring(office, site_id, _with_strokes(exported().decode().splitlines()))
    page = office.get(where)
    assert "This file cannot be read" in _text(page)
    assert "Say yourself how the file is laid out" in _text(page)
    assert _send(office, where, page, delimiter="nothing").status_code == 422
    page = _send(office, where, page, delimiter="tab", encoding="", header_row="")
    assert "This file cannot be read" in _text(page)
    assert '<option value="tab" selected>' in page.text
    page = _send(office, where, page, delimiter="comma")
    assert "The file leaves" in _text(page)
    with reading(engine) as session:
        upload = session.execute(select(Upload)).scalar_one()
    assert upload.answers["delimiter"] == "comma"


def test_encoding_delimiter_and_headings_are_corrected_and_remembered(
    office: TestClient, engine: Engine, site_id: str
) -> None:
    where = _bring(office, site_id, exported())
    page = _send(office, where, office.get(where), label="start")
    for shown in ("semicolons", "row 1"):
        assert re.search(rf"<option value=\"[^\"]*\" selected>{shown}</option>", page.text), shown
    page = _send(office, where, page, encoding="cp850", delimiter="semicolon", header_row="1")
    with reading(engine) as session:
        assert session.execute(select(Upload)).scalar_one().answers == {"label": "start", "encoding": "cp850"}
    _send(office, where, page, do="take", mapping="monthly")
    with reading(engine) as session:
        assert mappings.remembered(session, site_id, "monthly") == {"label": "start", "encoding": "cp850"}
