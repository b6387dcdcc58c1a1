"""The commands as they are typed: results on stdout, one sentence and exit code 1 where something is wrong."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy import Engine
from sqlmodel import select
from typer.testing import CliRunner, Result

from service.cli import app
from service.store import accounts, audit, people
from service.store.database import reading, writing
from service.store.readings import load
from service.store.tables import Site
from tests.jobs.remembered import _what_was_judged_is_remembered  # noqa: F401 - a fixture
from tests.jobs.roof import START, heard_site, new_site, record
from tests.ports import free_port

Run = Callable[..., Result]


@pytest.fixture
def run(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run a command on the test's database, as in a pipe."""
    monkeypatch.setenv("YIELDPROOF_DATABASE_URL", engine.url.render_as_string(hide_password=False))
    monkeypatch.setenv("COLUMNS", "200")
    return _run


def _run(*words: str, **extra: Any) -> Result:
    return CliRunner().invoke(app, list(words), **extra)


def _refused(result: Result) -> str:
    """Return the one sentence of a command that was refused."""
    assert result.exit_code == 1, result.output
    assert "Traceback" not in result.output
    assert result.stdout == ""
    (sentence,) = result.stderr.strip().splitlines()
    return sentence


def _readings(serial: str = "101", count: int = 4) -> dict[str, Any]:
    return {"interval_min": 15, "start": START.isoformat(), "energy_wh": {serial: [1.5] * count}}


def _write(folder: Path, name: str, content: object) -> str:
    file = folder / name
    file.write_text(content if isinstance(content, str) else json.dumps(content), encoding="utf-8")
    return str(file)


# The database


def test_migrate_makes_a_new_database_ready(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("YIELDPROOF_DATABASE_URL", f"sqlite:///{tmp_path / 'deep' / 'new.sqlite'}")
    assert "yieldproof migrate" in _refused(_run("token", "create", "--name", "x"))
    assert _run("migrate").exit_code == 0
    assert _run("migrate").exit_code == 0
    assert _run("token", "create", "--name", "x").exit_code == 0


@pytest.mark.parametrize("command", ["serve", "worker"])
def test_unmigrated_database_is_refused(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("YIELDPROOF_SECRET_KEY", "k" * 32)
    monkeypatch.setenv("YIELDPROOF_DATABASE_URL", f"sqlite:///{tmp_path / 'new.sqlite'}")
    assert "run `yieldproof migrate`" in _refused(_run(command))


def test_serve_without_a_secret_key_names_setting_and_remedy(run: Run) -> None:
    sentence = _refused(run("serve"))
    assert "YIELDPROOF_SECRET_KEY" in sentence
    assert "openssl rand -hex 32" in sentence


def test_wrong_setting_is_named_without_its_value(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("YIELDPROOF_SECRET_KEY", "short-secret")
    monkeypatch.setenv("YIELDPROOF_MAX_BODY_MB", "much")
    sentence = _refused(run("serve"))
    assert "YIELDPROOF_SECRET_KEY: must have at least 32 characters" in sentence
    assert "YIELDPROOF_MAX_BODY_MB" in sentence
    assert "short-secret" not in sentence


def test_database_that_does_not_answer_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("YIELDPROOF_DATABASE_URL", "postgresql://nobody@127.0.0.1:1/none")
    assert "does not answer" in _refused(_run("migrate"))


# Accounts


def test_token_is_the_last_line_and_works_until_revoked(run: Run, engine: Engine) -> None:
    made = run("token", "create", "--name", "gateway")
    token = made.stdout.splitlines()[-1]
    assert made.stdout == f"{token}\n"
    with reading(engine) as session:
        assert accounts.valid_token(session, token) is not None
    assert "gateway" in run("token", "list").stdout
    assert run("token", "revoke", "--name", "gateway").exit_code == 0
    with reading(engine) as session:
        assert accounts.valid_token(session, token) is None
    assert "'gateway'" in _refused(run("token", "revoke", "--name", "gateway"))


def test_user_is_made_with_a_password_typed_twice(run: Run, engine: Engine) -> None:
    typed = "a long enough one\na long enough one\n"
    assert run("user", "create", "--name", "Ana Ribeiro", "--role", "installer", input=typed).exit_code == 0
    with reading(engine) as session:
        user = accounts.check_password(session, "Ana Ribeiro", "a long enough one")
    assert user is not None
    assert user.role == "installer"
    assert run("user", "list").stdout == "Ana Ribeiro  (installer)\n"


def test_users_password_from_the_environment_and_changed(run: Run, engine: Engine) -> None:
    environment = {"YIELDPROOF_USER_PASSWORD": "from the environment"}
    assert run("user", "create", "--name", "Ana", env=environment).exit_code == 0
    assert run("user", "password", "--name", "Ana", "--password", "another good one").exit_code == 0
    with reading(engine) as session:
        assert accounts.check_password(session, "Ana", "from the environment") is None
        assert accounts.check_password(session, "Ana", "another good one") is not None
    assert "'Ben'" in _refused(run("user", "password", "--name", "Ben", "--password", "another good one"))


def test_account_that_cannot_be_made_says_why(run: Run) -> None:
    assert "at least 10" in _refused(run("user", "create", "--name", "Ana", "--password", "short"))
    assert "office or installer" in _refused(
        run("user", "create", "--name", "Ana", "--password", "long enough", "--role", "boss")
    )


def test_token_for_one_site_or_for_reading(run: Run, engine: Engine) -> None:
    site_id = new_site(engine)
    made = run("token", "create", "--name", "gateway", "--site", site_id, "--read-only")
    with reading(engine) as session:
        token = accounts.valid_token(session, made.stdout.strip())
    assert token is not None
    assert (token.site_id, token.read_only) == (site_id, True)
    run("token", "create", "--name", "backup")
    listed = run("token", "list").stdout
    assert f"gateway  (site {site_id}, read only, never used)" in listed
    assert "backup  (all sites, read and write, never used)" in listed
    assert "'none'" in _refused(run("token", "create", "--name", "x", "--site", "none"))


def test_somebody_is_invited_assigned_disabled_and_let_back(run: Run, engine: Engine) -> None:
    one, other = new_site(engine), new_site(engine)
    link = run("user", "invite", "--name", "Ana", "--site", one).stdout.strip()
    assert link.startswith("http://127.0.0.1:8000/password/")
    assert run("user", "list").stdout == f"Ana  (installer, has no password yet)  {one}\n"
    with writing(engine) as session:
        assert people.follow_link(session, link.rpartition("/")[2], "a long enough one")
    run("user", "assign", "--name", "Ana", "--site", other)
    run("user", "unassign", "--name", "Ana", "--site", one)
    run("user", "disable", "--name", "Ana")
    assert run("user", "list").stdout == f"Ana  (installer, disabled)  {other}\n"
    assert "enable the account first" in _refused(run("user", "link", "--name", "Ana"))
    run("user", "enable", "--name", "Ana")
    run("user", "role", "--name", "Ana", "--role", "office")
    assert run("user", "list").stdout == "Ana  (office)\n"
    assert "last of the office" in _refused(run("user", "disable", "--name", "Ana"))
    with reading(engine) as session:
        noted = [(row.who, row.action) for row in reversed(audit.latest(session))]
    assert noted == [
        ("command line", "account.invited"),
        ("command line", "assignment.made"),
        ("Ana", "account.joined"),
        ("command line", "assignment.made"),
        ("command line", "assignment.ended"),
        ("command line", "account.disabled"),
        ("command line", "account.enabled"),
        ("command line", "account.role"),
    ]


@pytest.mark.parametrize("command", ["link", "disable", "enable", "role", "assign", "unassign"])
def test_nobody_of_that_name(run: Run, command: str) -> None:
    more = {"role": ("--role", "office"), "assign": ("--site", "x"), "unassign": ("--site", "x")}
    assert "'Ben'" in _refused(run("user", command, "--name", "Ben", *more.get(command, ())))


# Import


def test_imported_site_is_kept_and_its_id_printed(run: Run, engine: Engine, tmp_path: Path) -> None:
    made = run("import", "site", _write(tmp_path, "site.json", record()))
    assert made.exit_code == 0, made.output
    with reading(engine) as session:
        site = session.get_one(Site, made.stdout.strip())
    assert site.name == "Mill Lane 4"
    assert [u["serial"] for u in site.record["units"]] == ["101", "102", "103"]


def test_refused_record_names_file_and_field_and_keeps_nothing(
    run: Run, engine: Engine, tmp_path: Path
) -> None:
    sentence = _refused(run("import", "site", _write(tmp_path, "site.json", {**record(), "latitude": 99})))
    assert "site.json" in sentence
    assert "latitude" in sentence
    with reading(engine) as session:
        assert session.exec(select(Site)).all() == []


def test_imported_readings_are_counted_and_kept_once(run: Run, engine: Engine, tmp_path: Path) -> None:
    site_id = new_site(engine)
    file = _write(tmp_path, "readings.json", _readings())
    first, again = (run("import", "readings", file, "--site", site_id) for _ in range(2))
    assert first.stdout.startswith("4 accepted, 0 replaced, 0 rejected")
    assert again.stdout.startswith("0 accepted, 4 replaced, 0 rejected")
    with reading(engine) as session:
        (series,) = load(session, site_id, start=START, end=datetime(2026, 6, 2, tzinfo=UTC))
    assert list(series.values[:4]) == [1.5] * 4


def test_csv_is_imported_by_its_name(run: Run, engine: Engine, tmp_path: Path) -> None:
    site_id = new_site(engine)
    file = _write(tmp_path, "R.CSV", f"serial,start,energy_wh\n101,{START.isoformat()},1.25\n")
    found = run("import", "readings", file, "--site", site_id, "--interval-min", "15")
    assert found.stdout.startswith("1 accepted")
    other = _write(tmp_path, "readings.txt", "1")
    assert ".parquet" in _refused(run("import", "readings", other, "--site", site_id))


def test_rejected_values_are_listed_with_place_and_reason(run: Run, engine: Engine, tmp_path: Path) -> None:
    site_id = new_site(engine)
    sent = _readings(count=3)
    sent["energy_wh"]["101"][1] = -5
    found = run("import", "readings", _write(tmp_path, "r.json", sent), "--site", site_id)
    assert found.exit_code == 0
    assert "2 accepted, 0 replaced, 1 rejected" in found.stdout
    assert "-5" in found.stdout
    assert "2026-06-01T00:15" in found.stdout


def test_readings_that_cannot_be_read_are_refused_whole(run: Run, engine: Engine, tmp_path: Path) -> None:
    site_id = new_site(engine)
    file = _write(tmp_path, "r.json", {**_readings(), "start": "2026-06-01T00:00:00"})
    assert "start" in _refused(run("import", "readings", file, "--site", site_id))
    fine = _write(tmp_path, "fine.json", _readings())
    assert "no site" in _refused(run("import", "readings", fine, "--site", "nowhere"))


def test_weather_is_imported(run: Run, engine: Engine, tmp_path: Path) -> None:
    site_id = new_site(engine)
    weather = {"interval_min": 60, "start": START.isoformat(), "ghi_w_m2": [100, 200], "air_temp_c": [12, 13]}
    found = run("import", "weather", _write(tmp_path, "w.json", weather), "--site", site_id)
    assert found.stdout.startswith("4 accepted")
    rows = tmp_path / "sensor.csv"
    rows.write_text(f"start,ghi_w_m2\n{START.isoformat()},100\n", encoding="utf-8")
    again = run("import", "weather", str(rows), "--site", site_id, "--interval-min", "60")
    assert again.stdout.startswith("0 accepted, 1 replaced")
    assert "interval_min" in _refused(run("import", "weather", str(rows), "--site", site_id))


# Verify


def test_verify_prints_ranking_and_findings(run: Run, engine: Engine) -> None:
    found = run("verify", heard_site(engine))
    assert found.exit_code == 0, found.output
    assert "Mill Lane 4" in found.stdout
    ranks = [found.stdout.index(serial) for serial in ("103", "101", "102")]
    assert ranks[0] < min(ranks[1:]), "the unit that makes half comes first"
    assert "kWh" in found.stdout
    assert "Mon\N{NO-BREAK SPACE}1\N{NO-BREAK SPACE}Jun\N{NO-BREAK SPACE}2026, 01:00" in found.stdout, (
        "on the site's clock"
    )


def test_verify_json_is_the_contracts_form_alone(run: Run, engine: Engine) -> None:
    site_id = heard_site(engine)
    found = run("verify", site_id, "--json")
    contract = json.loads(found.stdout)
    assert set(contract) == {"site_id", "start", "end", "sky", "verdict", "units", "findings", "not_yet"}
    assert contract["site_id"] == site_id
    assert contract["units"][0]["serial"] == "103"


def test_verify_in_a_window(run: Run, engine: Engine) -> None:
    site_id = heard_site(engine)
    window = ("--start", "2026-06-01T01:00:00+01:00", "--end", "2026-06-02T00:00:00Z")
    contract = json.loads(run("verify", site_id, *window, "--json").stdout)
    assert (contract["start"], contract["end"]) == ("2026-06-01T00:00:00+00:00", "2026-06-02T00:00:00+00:00")
    assert "offset" in _refused(run("verify", site_id, "--start", "2026-06-01T00:00:00"))
    assert "'noon'" in _refused(run("verify", site_id, "--end", "noon"))


def test_verify_many_and_all(run: Run, engine: Engine) -> None:
    first, second, silent = heard_site(engine), heard_site(engine), new_site(engine, name="Abbey Hill")
    contracts = json.loads(run("verify", first, second, "--json").stdout)
    assert [c["site_id"] for c in contracts] == [first, second]
    everything = run("verify", "--all")
    assert everything.exit_code == 0
    assert first in everything.stdout
    assert second in everything.stdout
    some = run("verify", first, silent)
    assert "Abbey Hill" in some.stderr
    assert first in some.stdout


def test_verify_says_what_it_cannot_do(run: Run, engine: Engine) -> None:
    assert "nowhere" in _refused(run("verify", "nowhere"))
    assert "--all" in _refused(run("verify"))
    assert "No site" in _refused(run("verify", "--all"))
    assert "yieldproof import readings" in _refused(run("verify", new_site(engine)))


# What starts something


def test_demo_gets_port_and_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    demo_run = pytest.importorskip("service.demo.run")
    asked: list[object] = []
    monkeypatch.setattr(demo_run, "run_demo", lambda **given: asked.append(given))
    assert _run("demo", "--port", "8123", "--data-dir", str(tmp_path)).exit_code == 0
    assert asked == [{"port": 8123, "data_dir": tmp_path}]


def _answers(address: str) -> bool:
    try:
        return httpx.get(address).status_code == 200
    except httpx.TransportError:
        return False


def test_serve_answers_verifies_in_the_background_and_stops(engine: Engine) -> None:
    port = free_port()
    environment = {
        **os.environ,
        "YIELDPROOF_DATABASE_URL": engine.url.render_as_string(hide_password=False),
        "YIELDPROOF_SECRET_KEY": "k" * 32,
    }
    with writing(engine) as session:
        token = accounts.create_token(session, "test")
    site_id = heard_site(engine)
    command = [sys.executable, "-c", "from service.cli import app; app()", "serve", "--port", str(port)]
    with subprocess.Popen(command, env=environment, stderr=subprocess.PIPE) as server:
        try:
            address = f"http://127.0.0.1:{port}"
            _wait(lambda: _answers(f"{address}/healthz"))
            verification = httpx.get(
                f"{address}/api/v1/sites/{site_id}/verification", headers={"Authorization": f"Bearer {token}"}
            )
            assert verification.json()["units"][0]["serial"] == "103"
        finally:
            server.send_signal(signal.SIGTERM)
            _, said = server.communicate(timeout=60)
    assert server.returncode == 0
    assert b"Traceback" not in said, said.decode()


def _wait(until: Callable[[], bool], seconds: float = 60) -> None:
    deadline = time.monotonic() + seconds
    while not until():
        assert time.monotonic() < deadline, "waited in vain"
        time.sleep(0.1)
