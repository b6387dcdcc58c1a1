"""The probes, the metrics, and that every error of the API is a problem."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from prometheus_client.parser import text_string_to_metric_families
from pydantic import SecretStr

from service.settings import Settings
from service.store import sites
from service.store.database import make_engine
from service.web.app import create_app
from tests.intake.roof import record, table


def _settings(url: str) -> Settings:
    return Settings(database_url=url, secret_key=SecretStr("0123456789abcdef" * 4), run_worker=False)


def _metrics(client: TestClient) -> dict[tuple[str, ...], float]:
    families = text_string_to_metric_families(client.get("/metrics").text)
    return {(s.name, *s.labels.values()): s.value for family in families for s in family.samples}


def test_probes_need_no_token(client: TestClient) -> None:
    del client.headers["Authorization"]

    assert client.get("/healthz").json() == {"status": "alive"}
    assert client.get("/readyz").json() == {"status": "ready"}
    assert client.get("/metrics").headers["content-type"].startswith("text/plain")
    assert client.get("/openapi.json").json()["info"]["title"] == "Yieldproof"


def test_not_ready_without_this_version_s_schema(tmp_path: Path) -> None:
    with TestClient(create_app(_settings(f"sqlite:///{tmp_path / 'new.sqlite'}"))) as client:
        answer = client.get("/readyz")

    assert answer.status_code == 503
    assert "yieldproof migrate" in answer.json()["detail"]


def test_not_ready_but_alive_without_a_database() -> None:
    with TestClient(create_app(_settings("postgresql://nobody@127.0.0.1:1/nothing"))) as client:
        assert client.get("/healthz").status_code == 200
        answer = client.get("/readyz")

    assert answer.status_code == 503
    assert "does not answer" in answer.json()["detail"]


def test_an_engine_of_one_s_own_is_disposed_of_and_a_given_one_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = _settings(f"sqlite:///{tmp_path / 'own.sqlite'}")
    engine = make_engine(settings.database_url)
    disposed: list[object] = []

    def note(self: object) -> None:
        disposed.append(self)

    monkeypatch.setattr("sqlalchemy.Engine.dispose", note)
    with TestClient(create_app(settings, engine=engine)):
        pass
    assert disposed == []

    own = create_app(settings)
    with TestClient(own):
        pass
    assert disposed == [own.state.engine]


def test_metrics_count_requests_by_route_and_readings_by_outcome(client: TestClient) -> None:
    path = f"/api/v1/sites/{client.post('/api/v1/sites', json=record()).json()['id']}"
    client.post(f"{path}/readings", json=table(1, 2, -1))
    client.post(f"{path}/readings", json=table(1, 2))
    client.get("/api/v1/nothing")
    client.get("/api/v1/sites", headers={"Authorization": ""})
    found = _metrics(client)

    route = "/api/v1/sites/{site_id}/readings"
    assert found["yieldproof_requests_total", "POST", route, "200"] == 2
    assert found["yieldproof_request_seconds_count", "POST", route] == 2
    assert found["yieldproof_requests_total", "GET", "none", "404"] == 1
    assert found["yieldproof_requests_total", "GET", "none", "401"] == 1
    outcomes = {
        name: found["yieldproof_readings_total", name] for name in ("accepted", "replaced", "rejected")
    }
    assert outcomes == {"accepted": 2, "replaced": 2, "rejected": 1}
    assert found["yieldproof_sites",] == 1


def test_metrics_of_two_applications_are_apart(client: TestClient, settings: Settings) -> None:
    client.get("/healthz")
    with TestClient(create_app(settings, engine=client.app.state.engine)) as other:  # type: ignore[attr-defined]
        assert ("yieldproof_requests_total", "GET", "/healthz", "200") not in _metrics(other)


def test_an_unknown_method_is_counted_under_one_name(client: TestClient) -> None:
    client.request("BREW", "/healthz")

    assert _metrics(client)["yieldproof_requests_total", "other", "/healthz", "405"] == 1


def test_a_fault_of_ours_is_a_problem_that_says_nothing_of_it(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: Any, **__: Any) -> None:
        raise RuntimeError("secret")

    monkeypatch.setattr(sites, "page", fail)
    careless = TestClient(client.app, raise_server_exceptions=False, headers=dict(client.headers))
    answer = careless.get("/api/v1/sites")

    assert (answer.status_code, answer.headers["content-type"]) == (500, "application/problem+json")
    assert "secret" not in answer.text


def test_documentation_that_loads_from_elsewhere_is_off(client: TestClient) -> None:
    assert client.get("/docs").status_code == 404
    assert client.get("/redoc").status_code == 404


def test_the_description_names_every_reference(client: TestClient) -> None:
    description = client.get("/openapi.json").json()
    schemas = description["components"]["schemas"]

    def references(part: Any) -> list[str]:
        if isinstance(part, dict):
            own = [part["$ref"]] if isinstance(part.get("$ref"), str) else []
            return own + [r for value in part.values() for r in references(value)]
        return [r for value in part for r in references(value)] if isinstance(part, list) else []

    named = {reference.removeprefix("#/components/schemas/") for reference in references(description)}
    assert named <= set(schemas)
    assert "HTTPValidationError" not in schemas
    assert {
        "SiteRecord",
        "CorrectionBody",
        "TableBody",
        "RowsBody",
        "WeatherBody",
        "FeedsRecord",
        "Problem",
    } <= named
    paths = [path for path in description["paths"] if path.startswith("/api/")]
    assert len(paths) == 13
    for path in paths:
        for operation in description["paths"][path].values():
            assert operation["security"] == [{"HTTPBearer": []}]
            assert "401" in operation["responses"]
