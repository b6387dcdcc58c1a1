"""Calls made up from the API's own description: no answer may be undescribed, untrue or a fault of ours."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest
import schemathesis
from fastapi import FastAPI
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, Phase, given, settings
from pydantic import SecretStr
from schemathesis import GenerationMode

from service.settings import Settings
from service.store.accounts import create_token
from service.store.database import make_engine, writing
from service.store.migrate import upgrade
from service.web import gate
from service.web.app import create_app
from tests.intake.roof import record

SITE = "/api/v1/sites/{site_id}"
PROBES = [("get", "/healthz"), ("get", "/readyz"), ("get", "/metrics")]
CONTRACT = [
    ("get", "/api/v1/sites"),
    ("post", "/api/v1/sites"),
    ("get", SITE),
    ("put", SITE),
    ("delete", SITE),
    ("get", f"{SITE}/readings"),
    ("post", f"{SITE}/readings"),
    ("post", f"{SITE}/weather"),
    ("post", f"{SITE}/exports"),
    ("get", f"{SITE}/exports/{{number}}"),
    ("get", f"{SITE}/exports/{{number}}/rejected"),
    ("get", f"{SITE}/feeds"),
    ("put", f"{SITE}/feeds"),
    ("get", f"{SITE}/verification"),
    ("get", f"{SITE}/quality"),
    ("post", f"{SITE}/quality"),
    ("get", f"{SITE}/punch"),
    ("get", f"{SITE}/corrections"),
    ("post", f"{SITE}/corrections"),
    ("post", f"{SITE}/corrections/{{number}}/undo"),
]

# What the description cannot say, such as that a unit's plane must be named, is refused for calls that fit it.
UNTOLD = [schemathesis.checks.positive_data_acceptance]

bounded = settings(
    max_examples=6,
    deadline=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
    derandomize=True,
    database=None,
)


@dataclass(frozen=True)
class Described:
    """An application with one site, and its description."""

    app: FastAPI
    token: str
    site_id: str
    schema: Any


@pytest.fixture(scope="module")
def described(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Described]:
    engine = make_engine(f"sqlite:///{tmp_path_factory.mktemp('schema') / 'yieldproof.sqlite'}")
    upgrade(engine)
    with writing(engine) as session:
        token = create_token(session, "test")
    app = create_app(Settings(secret_key=SecretStr("0123456789abcdef" * 4)), engine=engine)
    with TestClient(app, headers={"Authorization": f"Bearer {token}"}) as client:
        site = client.post("/api/v1/sites", json=record()).json()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(gate, "BAD_TOKENS", 10**6)  # the checks send bad tokens without end
        yield Described(app, token, site["id"], schemathesis.openapi.from_asgi("/openapi.json", app))
    engine.dispose()


def test_every_operation_is_tried(described: Described) -> None:
    found = [result.ok() for result in described.schema.get_all_operations()]

    assert {(operation.method.lower(), operation.path) for operation in found} == {*PROBES, *CONTRACT}


# A probe takes no input, and answers whatever comes with it.
@pytest.mark.parametrize(
    ("method", "path", "mode"),
    [(*operation, GenerationMode.POSITIVE) for operation in PROBES + CONTRACT]
    + [(*operation, GenerationMode.NEGATIVE) for operation in CONTRACT],
)
def test_every_answer_is_as_described(
    described: Described, method: str, path: str, mode: GenerationMode
) -> None:
    @bounded
    @given(case=described.schema[path][method].as_strategy(generation_mode=mode))
    def call(case: schemathesis.Case) -> None:
        if "site_id" in case.path_parameters and method != "delete":
            case.path_parameters["site_id"] = described.site_id
        headers = {"Authorization": f"Bearer {described.token}"}
        case.call_and_validate(headers=headers, excluded_checks=UNTOLD)

    call()
