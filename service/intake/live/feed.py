"""A site's feeds as programs and forms send them, and what changing them does.

Two sites never listen to one topic: a value would count for both. What a feed brought is made into intervals before it
goes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Annotated, Any, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError
from sqlalchemy import Engine
from sqlmodel import Session

from service.intake.live import lay
from service.intake.live.payload import PayloadSpec
from service.intake.live.topics import as_filter, levels_of, overlap, wrong
from service.intake.problems import FieldError, Refused, Told, details, told
from service.intake.record import read
from service.intake.take import NoSuchSite
from service.store import feeds, sites
from service.store.audit import note
from service.store.database import reading, writing
from service.store.feeds import Key
from service.store.tables import Feed

MOST = 50


def _topic(text: str) -> str:
    problem = wrong(text)
    if problem is not None:
        raise PydanticCustomError("feed", "{text}", {"text": problem})
    return text


class FeedRecord(BaseModel):
    """Topics of the broker and how their messages are read."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    number: Annotated[int, Field(ge=1, le=2**31 - 1)] | None = Field(
        default=None, description="Of a feed that there is already; a new one gets its own."
    )
    topic: Annotated[str, AfterValidator(_topic)] = Field(
        description="A filter of MQTT, whose levels + may have names, as in roof/+serial/power."
    )
    enabled: bool = Field(default=True, description="If not, messages are looked at and not kept.")
    payload: PayloadSpec

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        found = list(self._level_missing())
        if found:
            raise details(found, type(self).__name__)
        return self

    def _level_missing(self) -> Iterator[tuple[tuple[str, ...], Told]]:
        level = self.payload.serial.level
        if level is None or level in levels_of(self.topic, self.topic):
            return
        if not (level.isdecimal() and self.topic.endswith("#")):
            text = told("is no level of the topic; name one there, as in roof/+{level}/power", level=level)
            yield ("payload", "serial", "level"), text


class FeedsRecord(BaseModel):
    """All feeds of a site."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    feeds: list[FeedRecord] = Field(max_length=MOST)

    @model_validator(mode="after")
    def _numbers_once(self) -> Self:
        numbers = [feed.number for feed in self.feeds if feed.number is not None]
        found = [
            (("feeds", i, "number"), told("is given twice; give each feed once"))
            for i, feed in enumerate(self.feeds)
            if feed.number is not None and numbers.count(feed.number) > 1
        ]
        if found:
            raise details(found, type(self).__name__)
        return self


def read_feeds(data: Any) -> FeedsRecord:
    """Return a site's feeds; Refused with one error per bad field."""
    return read(FeedsRecord, data, lambda _: ())


def read_feed(data: Any) -> FeedRecord:
    """Return one feed; Refused with one error per bad field."""
    return read(FeedRecord, data, lambda _: ())


def record_of(feed: Feed) -> FeedRecord:
    """Return a stored feed."""
    return FeedRecord(
        number=feed.number,
        topic=feed.topic,
        enabled=feed.enabled,
        payload=PayloadSpec.model_validate(feed.payload),
    )


def put_all(engine: Engine, site_id: str, wanted: Sequence[FeedRecord], *, by: str) -> None:
    """Put these feeds in the place of the site's; Refused or NoSuchSite if nothing is changed."""
    kept = {feed.number for feed in wanted}
    with reading(engine) as session:
        there = [feed.number for feed in feeds.of_site(session, site_id)]
    _lay(engine, site_id, [number for number in there if number not in kept])
    with writing(engine) as session:
        _hold(session, site_id)
        for feed in feeds.of_site(session, site_id):
            if feed.number not in kept:
                _remove(session, feed, by)
        for i, record in enumerate(wanted):
            _put(session, site_id, record, by, f"feeds[{i}].")


def put(engine: Engine, site_id: str, wanted: FeedRecord, *, by: str) -> int:
    """Put a feed in the place of that of its number, or beside the others, and return its number."""
    with writing(engine) as session:
        _hold(session, site_id)
        if wanted.number is None and len(feeds.of_site(session, site_id)) >= MOST:
            raise Refused.one("topic", told("is one feed too many: a site has {most} at most", most=MOST))
        return _put(session, site_id, wanted, by, "")


def remove(engine: Engine, key: Key, *, by: str) -> None:
    """Remove a feed, if it is still there, and what was noted of it; the readings that it brought stay."""
    _lay(engine, key.site_id, [key.number])
    with writing(engine) as session:
        feed = feeds.held(session, key)
        if feed is not None:
            _remove(session, feed, by)


def _lay(engine: Engine, site_id: str, numbers: Sequence[int]) -> None:
    for number in numbers:
        lay.lay_all(engine, Key(site_id, number))


def _hold(session: Session, site_id: str) -> None:
    if sites.held(session, site_id) is None:
        raise NoSuchSite


def _remove(session: Session, feed: Feed, by: str) -> None:
    note(session, by, "feed.removed", site_id=feed.site_id, topic=feed.topic)
    feeds.remove(session, feed)


def _put(session: Session, site_id: str, wanted: FeedRecord, by: str, place: str) -> int:
    if any(overlap(wanted.topic, other) for other in feeds.topics_of_others(session, site_id)):
        text = told("is listened to by another site already; choose topics of this site alone")
        raise Refused([FieldError(f"{place}topic", text)])
    payload = wanted.payload.model_dump(mode="json", exclude_defaults=True)
    if wanted.number is None:
        made = feeds.make(session, site_id, wanted.topic, payload, enabled=wanted.enabled)
        note(session, by, "feed.made", site_id=site_id, topic=wanted.topic)
        return made.number
    feed = feeds.held(session, Key(site_id, wanted.number))
    if feed is None:
        raise Refused(
            [FieldError(f"{place}number", told("is no feed of this site; leave it out to add one"))]
        )
    if (feed.topic, feed.payload, feed.enabled) != (wanted.topic, payload, wanted.enabled):
        _change(feed, wanted, payload)
        note(session, by, "feed.changed", site_id=site_id, topic=wanted.topic)
        session.add(feed)
        session.flush()
    return feed.number


def _change(feed: Feed, wanted: FeedRecord, payload: dict[str, Any]) -> None:
    if as_filter(feed.topic) != as_filter(wanted.topic):
        feed.heard_at, feed.heard_topic, feed.heard_message = None, "", None
    feed.wrong_at, feed.wrong_topic, feed.wrong_message, feed.wrong_why = None, "", None, ""
    feed.topic, feed.payload, feed.enabled = wanted.topic, payload, wanted.enabled
