"""Files of other programs over the API: taken, questions, refused, told apart; the same file again; large ones."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fastapi.testclient import TestClient
from httpx import Response
from sqlalchemy import Engine, func, select

from service.intake.record import as_stored, read_record
from service.jobs import uploads as work
from service.jobs.queue import make_queue
from service.settings import Settings
from service.store import readings, sites, uploads
from service.store.database import reading, writing
from service.store.tables import AuditRow, Upload, UploadPiece
from service.web import app, bringing
from tests.intake.export import corpus, written
from tests.intake.export.corpus import RECORD, SERIALS, Make

DAY = {"start": datetime(2026, 6, 13, 22, tzinfo=UTC), "end": datetime(2026, 6, 16, 22, tzinfo=UTC)}
GERMAN = Make("plain", interval=15, hours=(4, 22), delimiter=";", decimal=",", time="%d.%m.%Y %H:%M")
"""Of the bright hours only: nothing shows which end of its interval a time stands at."""


@pytest.fixture
def site_id(engine: Engine) -> str:
    with writing(engine) as session:
        return sites.create(session, as_stored(read_record(RECORD))).id


@pytest.fixture
def file(tmp_path: Path) -> tuple[bytes, corpus.Truth]:
    path, truth = written.write(GERMAN, tmp_path)
    return path.read_bytes(), truth


def _send(client: TestClient, site_id: str, body: Any, query: str = "", name: str = "june.csv") -> Response:
    return client.post(f"/api/v1/sites/{site_id}/exports?name={name}{query}", content=body)


def _held(engine: Engine, site_id: str) -> dict[str, list[float]]:
    with reading(engine) as session:
        found = readings.load(session, site_id, **DAY)
    return {s.serial: s.values[~np.isnan(s.values)].tolist() for s in found}


def _count(engine: Engine, model: Any) -> int:
    with reading(engine) as session:
        return session.execute(select(func.count()).select_from(model)).scalar_one()


def test_open_questions_answer_409_with_the_questions_and_store_nothing(
    client: TestClient, engine: Engine, site_id: str, file: tuple[bytes, corpus.Truth]
) -> None:
    found = _send(client, site_id, file[0])
    assert found.status_code == 409
    assert found.headers["content-type"] == "application/problem+json"
    asked = {q["key"]: q for q in found.json()["questions"]}
    assert set(asked) == {"label"}
    assert asked["label"]["choices"] == ["start", "end"]
    assert asked["label"]["why"]
    assert _held(engine, site_id) == {}
    again = client.get(found.json()["location"]).json()
    assert (again["state"], again["accepted"]) == ("asks", None)
    assert _send(client, site_id, file[0]).status_code == 409
    assert _count(engine, Upload) == 1, "the one that waits for an answer takes the place of its like"


def test_answered_file_is_taken_and_a_second_time_changes_nothing(
    client: TestClient, engine: Engine, site_id: str, file: tuple[bytes, corpus.Truth]
) -> None:
    body, truth = file
    first = _send(client, site_id, body, "&answer=label%3Dstart")
    assert first.status_code == 200, first.text
    said = first.json()
    assert (said["state"], said["questions"], said["rejected"]) == ("done", [], 0)
    assert said["accepted"] == len(truth)
    held = _held(engine, site_id)
    wanted = [wh for (serial, _), wh in truth.items() if serial == SERIALS[0]]
    assert held[SERIALS[0]] == pytest.approx(wanted, abs=1e-3)
    with reading(engine) as session:
        version = session.execute(select(sites.Site.data_version)).scalar_one()
    again = _send(client, site_id, body, "&answer=label%3Dstart").json()
    assert (again["accepted"], again["replaced"]) == (0, len(truth))
    assert _held(engine, site_id) == held
    with reading(engine) as session:
        assert session.execute(select(sites.Site.data_version)).scalar_one() == version
        actions = session.execute(select(AuditRow.action, AuditRow.who)).all()
    assert actions == [("readings.imported", "token test")] * 2
    assert _count(engine, UploadPiece) == 0, "what was taken in is not kept twice"


def test_dry_run_answers_200_with_the_proposal_and_keeps_nothing(
    client: TestClient, engine: Engine, site_id: str, file: tuple[bytes, corpus.Truth]
) -> None:
    said = _send(client, site_id, file[0], "&dry_run=true")
    assert said.status_code == 200
    assert [q["key"] for q in said.json()["questions"]] == ["label"]
    guesses = said.json()["tables"][0]["guesses"]
    assert guesses["decimal"]["value"] == "comma"
    assert 0 < guesses["quantity"]["confidence"] <= 1
    assert _count(engine, Upload) == 0
    assert _held(engine, site_id) == {}


def test_answers_are_remembered_under_the_name_once_a_file_was_stored(
    client: TestClient, site_id: str, file: tuple[bytes, corpus.Truth]
) -> None:
    body = file[0]
    assert _send(client, site_id, body, "&mapping=monthly").status_code == 409
    assert _send(client, site_id, body, "&mapping=monthly&answer=label%3Dstart").status_code == 200
    assert _send(client, site_id, body, "&mapping=monthly").status_code == 200
    assert _send(client, site_id, body, "&mapping=other").status_code == 409


@pytest.mark.parametrize(
    ("body", "query", "said"),
    [
        (b"", "", "is empty"),
        (b"hello\nworld\n", "", "holds no readings"),
        (b"time;482913377001\n", "&answer=label%3Dcentre", "must be one of"),
        (b"time;482913377001\n", "&answer=label", "KEY=VALUE"),
        (b"time;482913377001\n", "&answers=label", "did you mean answer"),
        (b"time;482913377001\n", "&dry_run=perhaps", "must be"),
    ],
)
def test_what_cannot_be_taken_answers_422_and_keeps_nothing(
    client: TestClient, engine: Engine, site_id: str, body: bytes, query: str, said: str
) -> None:
    found = _send(client, site_id, body, query)
    assert found.status_code == 422, found.text
    assert said in found.text
    assert _count(engine, Upload) == 0


def test_file_without_a_site_answers_404_and_keeps_nothing(client: TestClient, engine: Engine) -> None:
    assert _send(client, "nobody", b"x").status_code == 404
    assert client.get("/api/v1/sites/nobody/exports/1").status_code == 404
    assert _count(engine, Upload) == 0


def test_rejected_rows_are_given_with_their_reasons_and_hold_no_formula(
    client: TestClient, site_id: str, file: tuple[bytes, corpus.Truth]
) -> None:
    lines = file[0].decode().split("\r\n")
    lines[50] = lines[50].rpartition(";")[0] + ";=HYPERLINK(1)"
    lines[51] = lines[51].rpartition(";")[0] + ";-7"
    lines[52] = lines[52].rpartition(";")[0] + ";99999"
    said = _send(client, site_id, "\r\n".join(lines).encode(), "&answer=label%3Dstart").json()
    assert said["rejected"] == 3
    rows = list(csv.DictReader(io.StringIO(client.get(said["rejected_rows"]).text.lstrip("\ufeff"))))
    assert [row["reason"] for row in rows] == [
        "is not a number",
        "the energy is negative",
        "the energy is far more than the inverter can give",
    ]
    assert (rows[0]["row"], rows[0]["serial"], rows[0]["text"]) == ("51", SERIALS[2], "'=HYPERLINK(1)")


def test_file_in_a_form_of_the_api_is_taken_too_and_asks_what_it_does_not_say(
    client: TestClient, engine: Engine, site_id: str
) -> None:
    body = f"serial,start,energy_wh\n{SERIALS[0]},2026-06-14T10:00:00Z,12.5\n".encode()
    found = _send(client, site_id, body)
    assert found.status_code == 409
    assert [q["key"] for q in found.json()["questions"]] == ["interval_min"]
    said = _send(client, site_id, body, "&answer=interval_min%3D15").json()
    assert (said["state"], said["accepted"]) == ("done", 1)
    table = b'{"interval_min": 15, "start": "2026-06-14T10:15:00Z", "energy_wh": {"482913377001": [13, -4]}}'
    said = _send(client, site_id, table, name="mine.json").json()
    assert (said["accepted"], said["rejected"]) == (1, 1)
    assert "is negative" in client.get(said["rejected_rows"]).text
    assert 12.5 in _held(engine, site_id)[SERIALS[0]]


def test_large_file_is_read_in_the_background_and_a_lost_job_is_found_again(
    settings: Settings,
    engine: Engine,
    site_id: str,
    file: tuple[bytes, corpus.Truth],
    client: TestClient,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(work, "SMALL_BYTES", 1000)
    jobs = make_queue(settings, engine)
    jobs.huey.flush()
    with TestClient(app.create_app(settings, engine=engine, jobs=jobs)) as served:
        served.headers.update(client.headers)
        sent = _send(served, site_id, file[0], "&answer=label%3Dstart&mapping=monthly")
        assert sent.status_code == 202
        assert sent.json()["state"] == "looking"
        where = sent.headers["location"]
        jobs.huey.flush()  # the job is lost
        jobs.sweep()
        _run_all(jobs)
        said = served.get(where).json()
    assert (said["state"], said["accepted"]) == ("done", len(file[1]))
    assert _count(engine, AuditRow) == 1


def test_work_that_was_cut_off_is_done_again_and_changes_nothing(
    engine: Engine, site_id: str, file: tuple[bytes, corpus.Truth], monkeypatch: pytest.MonkeyPatch
) -> None:
    key = _waiting(engine, site_id, file[0])
    monkeypatch.setattr(work.uploads, "finish", _cut_off)
    with pytest.raises(KeyboardInterrupt):
        work.work(engine, key)
    held = _held(engine, site_id)
    assert held, "it was cut off after the readings were stored"
    monkeypatch.undo()
    work.work(engine, key)
    assert _count(engine, Upload) == 1
    with reading(engine) as session:
        assert uploads.get(session, site_id, 1).state == "taking", "the claim still holds"  # type: ignore[union-attr]
    monkeypatch.setattr(uploads, "SILENT", uploads.SILENT * 0)
    work.work(engine, key)
    with reading(engine) as session:
        done = uploads.get(session, site_id, 1)
    assert done is not None
    assert (done.state, done.outcome["replaced"]) == ("done", len(file[1]))  # type: ignore[index]
    assert _held(engine, site_id) == held
    assert _count(engine, AuditRow) == 1


def test_work_on_a_file_that_was_removed_meanwhile_ends(
    engine: Engine, site_id: str, file: tuple[bytes, corpus.Truth], monkeypatch: pytest.MonkeyPatch
) -> None:
    key = _waiting(engine, site_id, file[0])

    def removed(*_args: Any, **_more: Any) -> Iterator[Any]:
        with writing(engine) as session:
            uploads.remove(session, site_id, 1)
        return iter(())

    monkeypatch.setattr(work, "tables_of", removed)
    work.work(engine, key)
    assert (_count(engine, Upload), _count(engine, UploadPiece)) == (0, 0)


def test_work_on_a_file_that_was_removed_does_not_touch_the_next_of_its_number(
    engine: Engine, site_id: str, file: tuple[bytes, corpus.Truth]
) -> None:
    key = _waiting(engine, site_id, file[0])
    with writing(engine) as session:
        uploads.remove(session, site_id, key.number)
    again = _waiting(engine, site_id, b"something else")
    assert again.number == key.number
    with writing(engine) as session:
        assert not uploads.finish(session, key, "done")
        assert uploads.claim(session, key) is None
        assert session.get_one(Upload, (site_id, key.number)).state == "looking"


def test_file_that_nobody_touches_is_removed_in_time(engine: Engine, site_id: str) -> None:
    for age_days, state in ((13, "asks"), (15, "asks"), (89, "done"), (91, "done"), (400, "taking")):
        with writing(engine) as session:
            upload = uploads.begin(session, site_id, name=f"{state} {age_days}", by="Ana")
            upload.state = state
            upload.changed_at = datetime.now(UTC) - timedelta(days=age_days)
    with writing(engine) as session:
        uploads.remove_old(session)
        assert {u.name for u in uploads.of_site(session, site_id)} == {"asks 13", "done 89", "taking 400"}


def test_only_this_route_takes_more_than_a_body(
    settings: Settings, engine: Engine, client: TestClient, site_id: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(app, "MEGABYTE", 1000)
    monkeypatch.setattr(app, "FORM_AROUND", 0)
    monkeypatch.setattr(bringing, "PIECE_BYTES", 10_000)
    small = settings.model_copy(update={"max_body_mb": 1, "max_file_mb": 100})
    with TestClient(app.create_app(small, engine=engine)) as served:
        served.headers.update(client.headers)
        assert served.post(f"/api/v1/sites/{site_id}/readings", content=b"x" * 1001).status_code == 413
        assert _send(served, site_id, b"x" * 99_000).status_code == 422
        assert _send(served, site_id, iter([b"x" * 50_000] * 3)).status_code == 413
    assert (_count(engine, Upload), _count(engine, UploadPiece)) == (0, 0)


def test_archive_of_tables_is_read_whole(client: TestClient, site_id: str, tmp_path: Path) -> None:
    path, truth = written.write(Make("archive", kind="zip"), tmp_path)
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr("read me.txt", "hello")
    said = _send(client, site_id, path.read_bytes(), "&answer=label%3Dstart", name="june.zip").json()
    assert said["accepted"] == len(truth)
    assert any("is not read" in w for w in said["warnings"])


def _waiting(engine: Engine, site_id: str, body: bytes) -> uploads.Key:
    with writing(engine) as session:
        upload = uploads.begin(session, site_id, name="june.csv", by="Ana")
        uploads.keep_piece(session, upload, "sent", 0, body)
        upload.size = len(body)
        return uploads.want(session, upload, "looking", answers={"label": "start"}, to_take=True)


def _cut_off(*_args: Any, **_more: Any) -> bool:
    raise KeyboardInterrupt


def _run_all(jobs: Any) -> None:
    for task in jobs.huey.pending():
        if task.name == "file":
            jobs.huey.execute(task)
