"""`import readings` with files of other programs: proposal, questions and exit status, storing, rejected rows."""

from __future__ import annotations

import json
import zipfile
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy import Engine, func, select
from typer.testing import CliRunner, Result

from service.cli import app
from service.intake.record import as_stored, read_record
from service.store import mappings, readings, sites
from service.store.database import reading, writing
from service.store.tables import AuditRow, Payload
from tests.intake.export import written
from tests.intake.export.corpus import RECORD, SERIALS, Make

PLAIN = Make("plain", interval=5, hours=(4, 18))
"""Of the bright hours only: nothing shows which end of its interval a time stands at."""

DAY = {"start": datetime(2026, 6, 13, 22, tzinfo=UTC), "end": datetime(2026, 6, 16, 22, tzinfo=UTC)}


@pytest.fixture
def site_id(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setenv("YIELDPROOF_DATABASE_URL", engine.url.render_as_string(hide_password=False))
    monkeypatch.setenv("COLUMNS", "200")
    with writing(engine) as session:
        return sites.create(session, as_stored(read_record(RECORD))).id


def _import(path: Path, site_id: str, *words: str) -> Result:
    return CliRunner().invoke(app, ["import", "readings", str(path), "--site", site_id, *words])


def _held(engine: Engine, site_id: str) -> dict[str, list[float]]:
    with reading(engine) as session:
        return {
            s.serial: s.values[~np.isnan(s.values)].tolist() for s in readings.load(session, site_id, **DAY)
        }


def _count(engine: Engine, model: Any) -> int:
    with reading(engine) as session:
        return session.execute(select(func.count()).select_from(model)).scalar_one()


def test_open_questions_store_nothing_and_end_with_three(
    engine: Engine, site_id: str, tmp_path: Path
) -> None:
    path, _ = written.write(PLAIN, tmp_path)
    found = _import(path, site_id)
    assert found.exit_code == 3
    assert "label: start or end?" in found.stdout
    assert "--answer KEY=VALUE" in found.stderr
    assert _held(engine, site_id) == {}


def test_dry_run_gives_programs_the_questions_and_stores_nothing(
    engine: Engine, site_id: str, tmp_path: Path
) -> None:
    path, _ = written.write(replace(PLAIN, time="%d/%m/%Y %H:%M", first=date(2024, 3, 6), days=1), tmp_path)
    found = _import(path, site_id, "--dry-run", "--json")
    assert found.exit_code == 0
    said = json.loads(found.stdout)
    asked = {q["key"]: q for q in said["questions"]}
    assert {"label", "day_first"} <= set(asked)
    assert asked["day_first"]["choices"] == ["true", "false"]
    assert all(q["why"] for q in said["questions"])
    assert said["tables"][0]["guesses"]["quantity"]["value"] == "energy_wh"
    assert _held(engine, site_id) == {}


def test_answered_file_is_stored_and_a_second_time_changes_nothing(
    engine: Engine, site_id: str, tmp_path: Path
) -> None:
    path, truth = written.write(PLAIN, tmp_path)
    first = _import(path, site_id, "--answer", "label=start", "--json")
    assert first.exit_code == 0, first.output
    held, payloads = _held(engine, site_id), _count(engine, Payload)
    wanted = [wh for (serial, _), wh in truth.items() if serial == SERIALS[0]]
    assert held[SERIALS[0]] == pytest.approx(wanted, abs=1e-3)
    again = _import(path, site_id, "--answer", "label=start", "--json")
    assert json.loads(first.stdout)["accepted"] == json.loads(again.stdout)["replaced"] == len(truth)
    assert (_held(engine, site_id), _count(engine, Payload)) == (held, payloads)
    assert _count(engine, AuditRow) == 2


def test_answers_are_remembered_by_name_once_a_file_was_stored(site_id: str, tmp_path: Path) -> None:
    path, _ = written.write(PLAIN, tmp_path)
    assert _import(path, site_id, "--mapping", "monthly", "--answer", "label=end", "--dry-run").exit_code == 0
    assert _import(path, site_id, "--mapping", "monthly").exit_code == 3, "a dry run is not remembered"
    assert _import(path, site_id, "--mapping", "monthly", "--answer", "label=start").exit_code == 0
    assert _import(path, site_id, "--mapping", "monthly").exit_code == 0
    assert _import(path, site_id, "--mapping", "another").exit_code == 3
    assert "1 to 60" in _import(path, site_id, "--mapping", "n" * 61).stderr


def test_every_rejected_row_is_written_with_its_reason(site_id: str, tmp_path: Path) -> None:
    path, _ = written.write(PLAIN, tmp_path)
    lines = path.read_text().splitlines()
    lines[50] = lines[50].rpartition(",")[0] + ",broken"
    lines[51] = lines[51].rpartition(",")[0] + ",-7"
    lines[52] = lines[52].rpartition(",")[0] + ",99999"
    path.write_text("\n".join(lines))
    out = tmp_path / "rejected.csv"
    found = _import(path, site_id, "--answer", "label=start", "--rejected", str(out))
    assert ", 3 rejected" in found.stdout
    kept_out = out.read_text()
    assert "51,082913377003,broken,is not a number" in kept_out
    assert "is negative" in kept_out
    assert "far more than the inverter can give" in kept_out


def test_wrong_answers_are_named(site_id: str, tmp_path: Path) -> None:
    path, _ = written.write(PLAIN, tmp_path)
    found = _import(path, site_id, "--answer", "label=centre")
    assert found.exit_code == 1
    assert "label must be one of: start, middle, end" in found.stderr
    assert "KEY=VALUE" in _import(path, site_id, "--answer", "label").stderr


def test_archive_names_what_it_leaves_out(site_id: str, tmp_path: Path) -> None:
    path, _ = written.write(Make("archive", kind="zip"), tmp_path)
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr("read me.txt", "hello")
    found = _import(path, site_id, "--answer", "label=start")
    assert found.exit_code == 0, found.output
    assert "read me.txt: is not read" in found.stderr


@pytest.mark.parametrize(("days", "lost"), [((14, 15), 1), ((15, 14), 2)])
def test_a_counter_goes_on_from_the_table_of_one_day_to_that_of_the_next(
    engine: Engine, site_id: str, tmp_path: Path, days: tuple[int, int], lost: int
) -> None:
    path = tmp_path / "days.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for number, day in enumerate(days):
            shown = 5000 + 1000 * day
            rows = [
                f"2026-06-{day} {h:02}:00,{shown + (1000 * h / 24 if h > 5 else 0):.3f}" for h in range(24)
            ]
            archive.writestr(f"{number}.csv", "\n".join([f"Interval end,{SERIALS[0]} (counter Wh)", *rows]))
    found = _import(path, site_id, "--answer", "timezone=+02:00", "--answer", "quantity=counter_wh")
    assert found.exit_code == 0, found.output
    assert len(_held(engine, site_id)[SERIALS[0]]) == 48 - lost


def test_file_in_the_form_of_the_api_has_nothing_open(engine: Engine, site_id: str, tmp_path: Path) -> None:
    path = tmp_path / "ours.csv"
    path.write_text(f"serial,start,energy_wh\n{SERIALS[0]},2026-06-14T10:00:00Z,1.5\n")
    dry = _import(path, site_id, "--dry-run", "--json", "--answer", "interval_min=15")
    assert json.loads(dry.stdout)["questions"] == []
    assert _held(engine, site_id) == {}
    stored = _import(path, site_id, "--json", "--answer", "interval_min=15")
    assert json.loads(stored.stdout)["accepted"] == 1


def test_json_of_another_form_is_not_held_against_the_fields_of_the_api(site_id: str, tmp_path: Path) -> None:
    path = tmp_path / "other.json"
    path.write_text('{"made": "2026-06-20", "unit": "Wh", "values": [["2026-06-14T10:00Z", 1.5]]}')
    assert "is JSON without rows" in _import(path, site_id).stderr
    path.write_text('{"interval_min": 15, "readings": [{"serial": "1", "at": "2026-06-14T10:00Z"}]}')
    assert "at is not a known field" in _import(path, site_id).stderr


def test_names_are_asked_for_and_answered_by_serial_or_place(
    engine: Engine, site_id: str, tmp_path: Path
) -> None:
    path, truth = written.write(Make("numbered", names="numbered", days=1), tmp_path)
    open_ = _import(path, site_id)
    assert open_.exit_code == 3
    assert "  Unit 1\n" in open_.stdout
    told = _import(path, site_id, "--answer", f"units=Unit 1:R1C2,Unit 2:{SERIALS[0]},Unit 3:-")
    assert told.exit_code == 0, told.output
    held = _held(engine, site_id)
    assert set(held) == set(SERIALS[:2])
    wanted = [wh for (serial, _), wh in truth.items() if serial == SERIALS[0]]
    assert held[SERIALS[1]] == pytest.approx(wanted, abs=1e-3)
    assert "no unit of the record" in _import(path, site_id, "--answer", "units=Unit 1:R9C9").stderr


def test_what_is_said_of_the_table_holds_and_is_remembered(
    engine: Engine, site_id: str, tmp_path: Path
) -> None:
    path, _ = written.write(replace(PLAIN, days=1), tmp_path)
    lines = path.read_text().splitlines()
    path.write_text("\n".join([lines[0], "Note,no,warranty,here", *lines[1:]]))
    words = ("--mapping", "noted", "--answer", "label=start", "--answer", "header_row=1")
    assert _import(path, site_id, *words, "--answer", "delimiter=semicolon").exit_code == 1
    assert _import(path, site_id, *words, "--answer", "encoding=klingon").exit_code == 1
    assert _import(path, site_id, *words).exit_code == 0
    assert set(_held(engine, site_id)) == set(SERIALS)
    with reading(engine) as session:
        assert mappings.remembered(session, site_id, "noted") == {"label": "start", "header_row": "1"}
