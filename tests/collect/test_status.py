"""What an installer reads of the collector: while it runs, after it died, in words and for programs."""

from __future__ import annotations

import json
import re
import subprocess
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from service.cli import app
from service.collect import disk, outbox
from service.collect.clock import MARK, Clock, Compared, session
from service.collect.folder import Folder
from service.collect.outbox import Outbox, Reading
from service.collect.status import age
from service.intake.live.model import Sample
from tests.collect.processes import COMMAND
from tests.imports import ROOT

MOMENT = datetime(2026, 6, 14, 10, tzinfo=UTC)


@pytest.fixture
def config(tmp_path: Path) -> Path:
    file = tmp_path / "collect.toml"
    file.write_text(f"""
[service]
url = "http://127.0.0.1:9"
site = "k3v9"
token = "secret-token"
[collector]
outbox = "{tmp_path / "o.sqlite"}"
[[source]]
kind = "folder"
name = "gatehouse"
path = "{tmp_path}"
pattern = "*.csv"
mapping = "gate"
""")
    return file


def _box(tmp_path: Path) -> Outbox:
    return outbox.opened(tmp_path / "o.sqlite", 100, session(), Clock())


def _say(*words: str | Path) -> Result:
    return CliRunner().invoke(app, ["collect", *map(str, words)])


def _programs(config: Path) -> dict[str, Any]:
    said: dict[str, Any] = json.loads(_say("status", config, "--json").stdout)
    return said


def test_before_the_first_start_it_says_so(config: Path) -> None:
    said = _say("status", config)
    assert said.exit_code == 1
    assert "has never run" in said.stderr


def test_one_source_does_not_keep_others_from_being_tried(
    config: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(_: Folder) -> str:
        raise RuntimeError("unforeseen")

    monkeypatch.setattr(Folder, "probe", failing)
    said = _say("check", config)
    assert said.exit_code == 1
    assert "no  service: The service at http://127.0.0.1:9 does not answer" in said.stdout
    assert "no  gatehouse: It could not be tried (RuntimeError: unforeseen)." in said.stdout


def test_a_collector_that_runs_well_needs_nothing(config: Path, tmp_path: Path) -> None:
    with disk.alone(tmp_path / "o.sqlite"):
        box = _box(tmp_path)
        box.heard("gatehouse")
        box.note("started_at", int(time.time()))
        box.sent([Reading("101", 5, 0, "energy_wh", 1.0)])
        box.note("clock", {"session": session(), **Compared(0.3, 0.5, 10, MOMENT).as_json()})
        said = _say("status", config)
        box.close()
    assert said.exit_code == 0
    first, second = said.stdout.splitlines()[:2]
    assert re.fullmatch(r"The collector runs; it was started \d+ seconds? ago\.", first)
    assert re.fullmatch(r"  gatehouse: heard \d+ seconds? ago", second)
    assert re.search(r"The service acknowledged last \d+ seconds? ago\.", said.stdout)
    assert "Waiting: nothing." in said.stdout
    assert "The clock agrees with the service's." in said.stdout
    assert said.stdout.endswith("Nothing needs to be done.\n")


def test_after_it_died_everything_is_still_told(config: Path, tmp_path: Path) -> None:
    box = _box(tmp_path)
    box.trouble("gatehouse", "The folder is not there; mount it.")
    box.note(
        "service_trouble", {"text": "The service does not know the token; ask for a new one.", "since": 1}
    )
    box.samples("hub", [Sample("101", "energy_wh", MOMENT, 9.0)])
    box.samples("hub", [Sample("101", "power_w", MARK + timedelta(seconds=1), 9.0)])
    readings = [Reading("101", 5, int(MOMENT.timestamp()) + 300 * n, "energy_wh", 1.0 + n) for n in range(3)]
    with box._writing() as db:
        outbox._put(db, readings)
    box.refused(readings[0], "serial must be a serial of 1 to 80 printable characters")
    box.sent([readings[1]], [(readings[1], "is far more than the inverter can give (at most 44)")])
    box.note("clock", {"session": session(), **Compared(-90.0, 0.5, 10, MOMENT).as_json()})
    (tmp_path / "june.csv").write_text("1")
    box.file("gatehouse", tmp_path / "june.csv")
    (file,) = box.files_due(lambda _: "", {})
    box.file_done(
        file.digest, "asked", {"location": "/x", "said": ["Do the times name starts or ends?"]}, "gate"
    )
    box.close()
    said = _say("status", config)
    assert said.exit_code == 2
    for words in (
        "The collector does not run; it was never started.",
        "  - Start the collector again",
        "gatehouse: never heard",
        "Waiting: 1 reading, 1 value of intervals that still run, 1 file,",
        "Waiting for the service to say what time it is: 1 value.",
        "1 minute behind the service's",
        "the service's time is used",
        "The service has 1 reading with which it does not compute, such as: 101 energy_wh 2: is far more",
        "  - gatehouse: The folder is not there; mount it.",
        "  - The service does not know the token; ask for a new one.",
        "  - june.csv: the service asks: Do the times name starts or ends? Answer on the site's page",
        "“gate”",
        "  - 1 reading refused by the service and kept aside, such as: 101 energy_wh 1: serial must be",
    ):
        assert words in said.stdout, words
    assert "secret-token" not in said.stdout
    programs = _programs(config)
    assert programs["running"] is programs["well"] is False
    assert programs["readings_waiting"] == 1
    assert programs["files"][0]["state"] == "asked"
    assert len(programs["worries"]) == 5
    assert "secret-token" not in json.dumps(programs)


def test_an_outbox_that_cannot_be_read_is_one_sentence(config: Path, tmp_path: Path) -> None:
    (tmp_path / "o.sqlite").write_bytes(b"no database at all" * 100)
    said = _say("status", config)
    assert said.exit_code == 1
    assert "cannot be read" in said.stderr
    assert "Traceback" not in said.output


def test_it_reads_while_another_process_writes(config: Path, tmp_path: Path) -> None:
    box = _box(tmp_path)
    with box._writing() as db:
        db.execute("INSERT INTO source (name, heard_at) VALUES ('gatehouse', 1)")
        assert _say("status", config).exit_code == 2
    box.close()


def test_a_mistake_in_the_file_is_one_message(config: Path) -> None:
    config.write_text(config.read_text() + "color = 3\n")
    for words in ((config,), ("status", config), ("check", config), ("run", config)):
        said = _say(*words)
        assert said.exit_code == 1
        assert "source[0].color: is not a known field" in said.stderr
        assert "Traceback" not in said.output


def test_checking_tries_everything_and_keeps_nothing(config: Path, tmp_path: Path) -> None:
    said = _say("check", config)
    assert said.exit_code == 1
    service, source = said.stdout.splitlines()
    assert service.startswith("no  service: The service at http://127.0.0.1:9 does not answer")
    assert source == "ok  gatehouse: 0 files of the pattern *.csv"
    assert not (tmp_path / "o.sqlite").exists()


def test_once_reads_and_ends(config: Path, tmp_path: Path) -> None:
    config.write_text(config.read_text() + "settle_s = 0\n")
    (tmp_path / "june.csv").write_text("1")
    said = _say(config, "--once")
    assert said.exit_code == 1, "the service is not there"
    assert [f["name"] for f in _programs(config)["files"]] == ["june.csv"]


def test_a_second_one_on_the_same_outbox_says_why_it_ends(config: Path, tmp_path: Path) -> None:
    with disk.alone(tmp_path / "o.sqlite"):
        said = _say(config, "--once")
    assert said.exit_code == 1
    assert "runs on" in said.stderr


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "0 seconds"),
        (1, "1 second"),
        (59.6, "60 seconds"),
        (60, "1 minute"),
        (7300, "2 hours"),
        (86_400 * 3, "3 days"),
    ],
)
def test_ages_are_said_in_words(seconds: float, words: str) -> None:
    assert age(seconds) == words


def test_a_small_machine_loads_no_database_library_and_no_physics(config: Path) -> None:
    """A running collector with the HTTP source takes 65 MB (measured on Linux x86-64 with Python 3.11)."""
    told = "print(sorted(sys.modules), open('/proc/self/status').read().split('VmHWM:')[1].split()[0])"
    program = f"import sys, atexit; atexit.register(lambda: {told}); {COMMAND[2]}".replace(
        "app(", "import service.collect.runner, service.collect.http; app("
    )
    check = [COMMAND[0], "-c", program, "collect", "check", str(config)]
    done = subprocess.run(check, cwd=ROOT, capture_output=True, text=True, check=False)
    names, _, kilobytes = done.stdout.partition("[")[2].rpartition("] ")
    assert "'httpx'" in names
    for heavy in ("sqlalchemy", "pandas", "pvlib", "scipy", "fastapi", "sqlmodel", "pyarrow"):
        assert f"'{heavy}'" not in names, heavy
    assert int(kilobytes) < 90_000
