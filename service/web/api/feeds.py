"""Feeds of the broker: which topics hold a site's values, how they are read, and when they were last heard."""

from __future__ import annotations

from typing import Any

from fastapi import Response
from fastapi.responses import JSONResponse
from pydantic import AwareDatetime, BaseModel, Field
from sqlalchemy import Engine

from service.intake.live.feed import FeedRecord, FeedsRecord, put_all, read_feeds, record_of
from service.store import feeds
from service.store.database import reading
from service.store.tables import Feed
from service.web.api.common import (
    EngineDep,
    JsonDep,
    Program,
    SiteId,
    api_router,
    find_site,
    only_query,
    problems,
)
from service.web.api.schema import json_body

router = api_router("feeds")


class FeedAnswer(FeedRecord):
    """A feed, and what came on it."""

    messages: int
    last_heard_at: AwareDatetime | None
    not_understood: int = Field(description="Messages of which something was not understood.")
    last_problem_at: AwareDatetime | None
    last_problem: str | None = Field(description="What was not understood of the last such message.")


class FeedsAnswer(BaseModel):
    """All feeds of a site, and whether the broker is listened to."""

    broker_connected: bool
    broker_problem: str | None
    feeds: list[FeedAnswer]


@router.get(
    "/sites/{site_id}/feeds",
    dependencies=[only_query()],
    response_model=FeedsAnswer,
    responses=problems(404),
)
def listing(engine: EngineDep, site_id: SiteId) -> Response:
    """List the site's feeds."""
    return _answer(engine, site_id)


@router.put(
    "/sites/{site_id}/feeds",
    dependencies=[only_query()],
    response_model=FeedsAnswer,
    responses=problems(404, 413, 415),
    openapi_extra=json_body(FeedsRecord),
)
def replace(engine: EngineDep, site_id: SiteId, program: Program, data: JsonDep) -> Response:
    """Put these feeds in the place of the site's: those with a number stay the same feed, others are new.

    What the answer says beside may come back.
    """
    put_all(engine, site_id, read_feeds(_without_answers(data)).feeds, by=program)
    return _answer(engine, site_id)


def _without_answers(data: Any) -> Any:
    if not isinstance(data, dict) or not isinstance(data.get("feeds"), list):
        return data
    own, said = FeedRecord.model_fields, FeedAnswer.model_fields
    kept = [
        {k: v for k, v in feed.items() if k in own or k not in said} if isinstance(feed, dict) else feed
        for feed in data["feeds"]
    ]
    return {
        **{k: v for k, v in data.items() if k not in ("broker_connected", "broker_problem")},
        "feeds": kept,
    }


def _answer(engine: Engine, site_id: str) -> Response:
    with reading(engine) as session:
        find_site(session, site_id)
        found, state = feeds.of_site(session, site_id), feeds.broker_state(session)
    connected = state is not None and state.connected
    problem = "nobody listens at a broker" if state is None else state.reason or None
    return JSONResponse(
        {
            "broker_connected": connected,
            "broker_problem": problem,
            "feeds": [_feed(feed) for feed in found],
        }
    )


def _feed(feed: Feed) -> dict[str, Any]:
    return {
        **record_of(feed).model_dump(mode="json"),
        "messages": feed.messages,
        "last_heard_at": feed.heard_at.isoformat() if feed.heard_at else None,
        "not_understood": feed.wrong,
        "last_problem_at": feed.wrong_at.isoformat() if feed.wrong_at else None,
        "last_problem": feed.wrong_why or None,
    }
