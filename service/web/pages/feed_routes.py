"""The site's feeds, for the office: what came on each, adding and changing one, and trying it on a message."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import APIRouter, HTTPException, Path, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from service.intake.fields import INTERVALS_MIN
from service.intake.live.feed import FeedRecord, put, read_feed, record_of, remove
from service.intake.live.topics import as_filter
from service.intake.problems import Refused
from service.report.language import gettext as _
from service.store import feeds
from service.store.database import reading
from service.store.feeds import Key
from service.store.tables import Feed, Site
from service.web.forms import SentForm
from service.web.pages import feed_form
from service.web.pages.feed_form import KIND_WORDS, SERIAL_WORDS, FeedForm, choices
from service.web.pages.feed_view import (
    Understood,
    broker_words,
    feed_line,
    message_text,
    understanding,
    why_wrong,
)
from service.web.pages.lookup import stored
from service.web.pages.render import page
from service.web.session import FromOurPage, Office, end_flash, flash, flashed

router = APIRouter(include_in_schema=False)

Number = Annotated[int, Path(ge=1, le=2**31 - 1)]


@router.get("/sites/{site_id}/feeds")
def all_feeds(request: Request, site_id: str, _office: Office) -> HTMLResponse:
    """List the site's feeds and what came on them."""
    once = flashed(request)
    with reading(request.app.state.engine) as session:
        site = stored(request, session, site_id)
        found, state = feeds.of_site(session, site_id), feeds.broker_state(session)
    zone = ZoneInfo(site.record["timezone"])
    response = page(
        request,
        "office/feeds.html",
        site=site,
        lines=[feed_line(feed, zone) for feed in found],
        broker=broker_words(
            state, zone, is_set=state is not None or bool(request.app.state.settings.mqtt_url)
        ),
        said=once.get("said", "") if once.get("site") == site_id else "",
    )
    if once:
        end_flash(response)
    return response


@router.get("/sites/{site_id}/feeds/new")
def new_feed(request: Request, site_id: str, _office: Office) -> HTMLResponse:
    """Show the form of a new feed."""
    return _page(request, _site(request, site_id), feed_form.empty_form(), None)


@router.post("/sites/{site_id}/feeds/new", dependencies=[FromOurPage])
def make_feed(request: Request, site_id: str, office: Office, sent: SentForm) -> Response:
    """Add the feed, or try it on a message, or show the form again with what is wrong."""
    return _do(request, _site(request, site_id), None, sent.fields, office.name)


@router.get("/sites/{site_id}/feeds/{number}")
def one_feed(request: Request, site_id: str, number: Number, _office: Office) -> HTMLResponse:
    """Show a feed: the form, the last message, and what is understood of it."""
    site, feed = _site(request, site_id), _feed(request, site_id, number)
    form = feed_form.form_of(record_of(feed))
    form.values |= {"try_topic": feed.heard_topic, "try_message": message_text(feed.heard_message)}
    return _page(request, site, form, feed)


@router.post("/sites/{site_id}/feeds/{number}", dependencies=[FromOurPage])
def change_feed(request: Request, site_id: str, number: Number, office: Office, sent: SentForm) -> Response:
    """Change the feed, try it on a message, or remove it."""
    site, feed = _site(request, site_id), _feed(request, site_id, number)
    if sent.fields.get("do") == "remove":
        remove(request.app.state.engine, Key(site_id, number), by=office.name)
        return _back(request, site_id, _("The feed is removed; the readings that it brought stay."))
    return _do(request, site, feed, sent.fields, office.name)


def _do(request: Request, site: Site, feed: Feed | None, fields: dict[str, str], by: str) -> Response:
    form = feed_form.form_as_sent(fields)
    try:
        record = read_feed(feed_form.record_typed(form, feed.number if feed else None))
        if fields.get("do") == "try":
            return _page(request, site, form, feed)
        put(request.app.state.engine, site.id, record, by=by)
    except Refused as refused:
        feed_form.take_errors(form, refused.errors)
        return _page(request, site, form, feed, status=422)
    return _back(request, site.id, _("The feed is saved."))


def _back(request: Request, site_id: str, said: str) -> Response:
    response = RedirectResponse(f"/sites/{site_id}/feeds", 303)
    flash(response, request, {"site": site_id, "said": said})
    return response


def _site(request: Request, site_id: str) -> Site:
    with reading(request.app.state.engine) as session:
        return stored(request, session, site_id)


def _feed(request: Request, site_id: str, number: int) -> Feed:
    with reading(request.app.state.engine) as session:
        feed = feeds.get(session, Key(site_id, number))
    if feed is None:
        raise HTTPException(404)
    return feed


def _page(
    request: Request, site: Site, form: FeedForm, feed: Feed | None, *, status: int = 200
) -> HTMLResponse:
    zone = ZoneInfo(site.record["timezone"])
    return page(
        request,
        "office/feed.html",
        status=status,
        site=site,
        form=form,
        feed=feed,
        line=feed_line(feed, zone) if feed else None,
        tried=_tried(form, feed, zone),
        wrong_message=message_text(feed.wrong_message) if feed else "",
        wrong_why=why_wrong(feed) if feed else "",
        kinds=choices(KIND_WORDS),
        serials=choices(SERIAL_WORDS),
        intervals=[(str(minutes), str(minutes)) for minutes in INTERVALS_MIN],
    )


def _tried(form: FeedForm, feed: Feed | None, zone: ZoneInfo) -> Understood | None:
    """Return what is understood of the message in the form, None without one or while the form is wrong."""
    message = form.values.get("try_message", "")
    if not message or form.errors or form.general:
        return None
    try:
        record = read_feed(feed_form.record_typed(form, feed.number if feed else None))
    except Refused:
        return None
    arrived = feed.heard_at if feed and feed.heard_at else datetime.now(UTC)
    return understanding(record, _topic(form, record), message.encode(), arrived, zone)


def _topic(form: FeedForm, record: FeedRecord) -> str:
    return form.values.get("try_topic") or as_filter(record.topic)
