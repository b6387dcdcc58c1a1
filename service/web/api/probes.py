"""For whoever runs the service: is it alive, is it ready, what has it done. No token needed."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from fastapi.responses import JSONResponse
from prometheus_client import CONTENT_TYPE_LATEST
from pydantic import BaseModel
from sqlalchemy import Engine
from sqlalchemy.exc import SQLAlchemyError

from service.store import feeds, sites
from service.store.database import reading
from service.store.migrate import is_current
from service.web.api.common import EngineDep
from service.web.errors import Problem, problem

router = APIRouter(tags=["operation"])


class State(BaseModel):
    """How the service is."""

    status: str


@router.get("/healthz")
def alive() -> State:
    """Say that the process answers."""
    return State(status="alive")


@router.get("/readyz", response_model=State, responses={503: {"description": "Not ready.", "model": Problem}})
def ready(engine: EngineDep) -> Response:
    """Say whether requests can be served: the database answers and has this version's schema."""
    trouble = _trouble(engine)
    return problem(503, trouble) if trouble else JSONResponse({"status": "ready"})


def _trouble(engine: Engine) -> str | None:
    try:
        if is_current(engine):
            return None
    except SQLAlchemyError:
        return "The database does not answer; check that it runs and that database_url is right."
    return "The database's schema is not this version's; run: yieldproof migrate"


@router.get("/metrics", response_class=Response, responses={200: {"content": {"text/plain": {}}}})
def metrics(request: Request, engine: EngineDep) -> Response:
    """Give the counters in Prometheus' text form."""
    with reading(engine) as session:
        _, count = sites.page(session, offset=0, limit=1)
        state, (messages, wrong) = feeds.broker_state(session), feeds.totals(session)
    connected = state is not None and state.connected
    request.app.state.metrics.set_feeds(connected=connected, messages=messages, wrong=wrong)
    return Response(request.app.state.metrics.as_text(count), media_type=CONTENT_TYPE_LATEST)
