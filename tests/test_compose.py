"""The container set-up, checked for structure: no container engine is needed, and none is started here."""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import pytest
import yaml
from fastapi.testclient import TestClient
from typer.main import get_command

from service.cli import app as commands
from service.settings import PREFIX, Settings
from tests.imports import ROOT


@pytest.fixture(scope="module")
def compose() -> dict[str, Any]:
    """Return the file as the compose client reads it, merges done."""
    found: dict[str, Any] = yaml.safe_load((ROOT / "docker-compose.yml").read_text(encoding="utf-8"))
    return found


def _words(compose: dict[str, Any], service: str) -> list[str]:
    words: list[str] = compose["services"][service]["command"]
    return shlex.split(words[2]) if words[:2] == ["sh", "-c"] else words


def _commands(words: list[str]) -> Iterator[str]:
    yield from (after for word, after in pairwise(words) if word == "yieldproof")


def test_database_web_and_worker_are_there(compose: dict[str, Any]) -> None:
    assert set(compose["services"]) == {"database", "web", "worker"}
    assert "healthcheck" in compose["services"]["database"]
    assert "healthcheck" in compose["services"]["web"]


@pytest.mark.parametrize("service", ["web", "worker"])
def test_every_setting_exists(compose: dict[str, Any], service: str) -> None:
    names = compose["services"][service]["environment"]
    assert names
    for name in names:
        assert name.startswith(PREFIX)
        setting = name.removeprefix(PREFIX).removesuffix("_FILE").lower()
        assert setting in Settings.model_fields, name


def test_settings_are_accepted(compose: dict[str, Any], monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in compose["services"]["web"]["environment"].items():
        if not name.endswith("_FILE") and not value.startswith("${"):
            monkeypatch.setenv(name, value)
    settings = Settings()
    assert settings.database_url == "postgresql+psycopg://yieldproof@database/yieldproof"
    assert not settings.run_worker


def test_no_secret_is_written_into_the_file(compose: dict[str, Any]) -> None:
    for name, service in compose["services"].items():
        for variable in service["environment"]:
            if "PASSWORD" in variable or "SECRET" in variable:
                assert variable.endswith("_FILE"), (name, variable)
                place = service["environment"][variable]
                assert place.removeprefix("/run/secrets/") in service["secrets"]
        assert set(service["secrets"]) <= set(compose["secrets"])


def test_commands_are_those_of_the_program(compose: dict[str, Any]) -> None:
    known = set(get_command(commands).commands)  # type: ignore[attr-defined]
    assert list(_commands(_words(compose, "web"))) == ["migrate", "serve"]
    assert list(_commands(_words(compose, "worker"))) == ["worker"]
    assert {"migrate", "serve", "worker"} <= known


def test_references_within_the_file_hold(compose: dict[str, Any]) -> None:
    services = compose["services"]
    for service in services.values():
        for name, condition in service.get("depends_on", {}).items():
            assert condition == {"condition": "service_healthy"}
            assert "healthcheck" in services[name]
    volumes = [v.partition(":")[0] for s in services.values() for v in s.get("volumes", [])]
    assert set(volumes) == set(compose["volumes"])


def test_image_is_built_from_files_that_exist(compose: dict[str, Any]) -> None:
    recipe = compose["services"]["web"]["build"]["dockerfile_inline"]
    assert recipe.startswith("FROM python:3.11")
    assert "USER yieldproof" in recipe
    assert "--constraint /src/constraints.txt /src" in recipe
    assert (ROOT / "constraints.txt").is_file()


def test_health_check_asks_a_path_that_answers_without_a_token(
    compose: dict[str, Any], client: TestClient
) -> None:
    (check,) = [w for w in compose["services"]["web"]["healthcheck"]["test"] if "urlopen" in w]
    path = "/" + check.split("8000/")[1].split("'")[0]
    del client.headers["Authorization"]
    assert client.get(path).status_code == 200
