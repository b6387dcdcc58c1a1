"""The configuration file: every mistake is named by place, problem and remedy, and no secret is ever repeated."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from service.cli import app
from service.collect.config import CollectorPart, Config, ConfigError, ServicePart, load
from service.collect.example import example
from service.collect.kinds import KINDS, model_of
from service.intake.live.payload import PayloadSpec
from tests.imports import ROOT

TOKEN = "a-token-that-nobody-may-read"
SERVICE = f"""
[service]
url = "https://roofs.example/"
site = "k3v9"
token = "{TOKEN}"
"""
FOLDER = """
[[source]]
kind = "folder"
name = "gatehouse"
path = "/srv/drop"
"""


def _load(folder: Path, text: str) -> Config:
    file = folder / "collect.toml"
    file.write_text(text, encoding="utf-8")
    return load(file)


def _refusal(folder: Path, text: str) -> str:
    with pytest.raises(ConfigError) as refused:
        _load(folder, text)
    assert TOKEN not in str(refused.value)
    return str(refused.value)


def test_a_complete_file_is_read(tmp_path: Path) -> None:
    config = _load(tmp_path, SERVICE + "[collector]\ninterval_min = 15\n" + FOLDER)
    assert config.service.url == "https://roofs.example"
    assert config.collector.interval_min == 15
    assert [source.name for source in config.sources] == ["gatehouse"]
    assert TOKEN not in repr(config)


def test_secrets_come_from_files_and_from_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "token").write_text(f"{TOKEN}\n")
    monkeypatch.setenv("HUB_PASSWORD", "hush")
    hub = """
[[source]]
kind = "http"
name = "hub"
url = "http://192.0.2.10/units"
auth = { kind = "digest", user = "reader", password_env = "HUB_PASSWORD" }
payload = { serial = { path = "@.sn" }, values = { power_w = "@.p" } }
"""
    line = f'token = "{TOKEN}"'
    config = _load(tmp_path, SERVICE.replace(line, f'token_file = "{tmp_path / "token"}"') + hub)
    assert config.service.token.get_secret_value() == TOKEN
    assert config.sources[0].auth.password.get_secret_value() == "hush"  # type: ignore[attr-defined]
    assert "hush" not in repr(config)
    assert config.sources[0].layout(5).interval_min == 5


@pytest.mark.parametrize(
    ("text", "place", "said"),
    [
        (SERVICE.replace("url =", "urll ="), "service.urll", "did you mean url?"),
        (SERVICE.replace("https://roofs.example/", "roofs.example"), "service.url", "http:// or https://"),
        (SERVICE.replace('"k3v9"', '"k3 v9"'), "service.site", "the id of the site"),
        (SERVICE + "[colector]\n", "colector", "did you mean collector?"),
        (SERVICE + "[collector]\ninterval_min = 7\n", "collector.interval_min", "5, 10, 15, 30 or 60"),
        (SERVICE + 'ca_file = "/nowhere"\n', "service.ca_file", "cannot be read"),
        (SERVICE + f'ca_file = "{__file__}"\n', "service.ca_file", "holds no certificate (PEM)"),
        (SERVICE + FOLDER.replace('"folder"', '"teapot"'), "source[0].kind", "must be one of folder, http"),
        (SERVICE + FOLDER + "every_s = 0\n", "source[0].every_s", "must be at least 1"),
        (SERVICE + FOLDER + 'pattern = "../*"\n', "source[0].pattern", "must be a pattern of names"),
        (SERVICE + FOLDER + FOLDER, "source", "two are named gatehouse"),
        (SERVICE, "source", "describe at least one"),
        (SERVICE + "[source]\n", "source", "[[source]]"),
    ],
)
def test_a_mistake_is_named_with_its_place_and_remedy(
    tmp_path: Path, text: str, place: str, said: str
) -> None:
    lines = _refusal(
        tmp_path, text if "[[source]]" in text or said.startswith(("desc", "[[")) else text + FOLDER
    )
    assert any(line.startswith(f"  {place}: ") and said in line for line in lines.splitlines()), lines


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ('token_file = "/nowhere/token"', "service.token_file: names a file that cannot be read"),
        ('token_env = "NOT_SET_ANYWHERE"', "service.token_env: names a variable that is not set"),
        ("", "service.token: is required"),
        ("token = 7", "service.token: must be a text"),
    ],
)
def test_a_missing_secret_is_named(tmp_path: Path, change: str, said: str) -> None:
    assert said in _refusal(tmp_path, SERVICE.replace(f'token = "{TOKEN}"', change) + FOLDER)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ('auth = { kind = "digest", user = "reader" }', "needs user and password"),
        ('auth = { kind = "bearer", user = "reader", token = "x" }', "needs a token"),
        ('auth = { kind = "none" }', "must be one of"),
        ('format = "file"', "unless format is file"),
        ("days = { timezone = 'Europe/Berlin' }", "{date} in the url"),
        ("days = { timezone = 'Europe/Berlim' }", "is not a known timezone"),
        ("csv = { decimal = 'dot' }", "must be one of"),
        ("verify = 'no'", "verify"),
    ],
)
def test_a_mistake_in_an_address_is_named(tmp_path: Path, change: str, said: str) -> None:
    hub = f"""
[[source]]
kind = "http"
name = "hub"
url = "http://192.0.2.10/units"
payload = {{ serial = {{ path = "@.sn" }}, values = {{ power_w = "@.p" }} }}
{change}
"""
    refusal = _refusal(tmp_path, SERVICE + hub)
    assert said in refusal
    assert "source[0]" in refusal


def test_the_example_of_the_front_page_can_be_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    example = (ROOT / "README.md").read_text(encoding="utf-8").split("```toml\n")[1].split("```")[0]
    (tmp_path / "token").write_text(TOKEN)
    monkeypatch.setenv("HUB_PASSWORD", "hush")
    config = _load(tmp_path, example.replace("/etc/yieldproof/token", str(tmp_path / "token")))
    assert [source.kind for source in config.sources] == ["http"]


def test_the_example_that_the_program_prints_can_be_used(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "token").write_text(TOKEN)
    monkeypatch.setenv("HUB_PASSWORD", "hush")
    monkeypatch.setenv("BROKER_PASSWORD", "hush")
    said = CliRunner().invoke(app, ["collect", "example"])
    assert said.stdout == example()
    config = _load(tmp_path, said.stdout.replace("/etc/yieldproof/token", str(tmp_path / "token")))
    assert {source.kind for source in config.sources} == set(KINDS)
    some = CliRunner().invoke(app, ["collect", "example", "folder"])
    assert 'kind = "folder"' in some.stdout
    assert 'kind = "http"' not in some.stdout
    assert CliRunner().invoke(app, ["collect", "example", "teapot"]).exit_code == 1


@pytest.mark.parametrize("kind", ["service", "collector", "payload", *KINDS])
def test_the_example_names_every_setting_and_its_default(kind: str) -> None:
    parts = {"service": ServicePart, "collector": CollectorPart, "payload": PayloadSpec}
    model: Any = parts.get(kind) or model_of(kind)
    text = example([kind] if kind in KINDS else ["http"])
    for name, field in model.model_fields.items():
        setting = SECRET_SETTINGS.get(field.alias or name, field.alias or name)
        assert re.search(rf"\b{setting} = |\[source\.{setting}\]", text), f"{kind}: {name} is missing"
        if type(field.default) in (bool, int, float):
            written = str(field.default).lower()
            assert re.search(rf"\b{setting} = {written}\b", text), f"{kind}: {name} is {written} by default"


SECRET_SETTINGS = {"token": "token_file", "password": "password_env"}


def test_what_is_no_toml_is_said_with_its_line(tmp_path: Path) -> None:
    assert "line 2" in _refusal(tmp_path, "[service]\nurl = \n")


def test_a_file_that_is_not_there_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"cannot be read \(No such file"):
        load(tmp_path / "none.toml")
