"""Feeds of a broker, their values on the way to intervals, and how it stands with the broker.

What a message means is intake's to know. Moments are microseconds since 1970 where a name ends in `_us`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import delete, func, or_, update
from sqlalchemy import select as select_columns
from sqlalchemy.dialects import postgresql, sqlite
from sqlmodel import Session, col, select

from service.store.tables import BrokerState, Feed, LiveSample, Subscription

SILENT = timedelta(minutes=2)
"""Whoever listens says so more often than this."""

LONGEST_SHOWN = 20_000
"""A longer message is not kept to be looked at."""


class Key(NamedTuple):
    """A feed's site and its number there."""

    site_id: str
    number: int


class Value(NamedTuple):
    """A value of a feed as it is kept."""

    serial: str
    kind: str
    at_us: int
    value: float


class Seen(NamedTuple):
    """A message that is kept to be looked at, and (in English) what of it was not understood."""

    at: datetime
    topic: str
    message: bytes
    why: str = ""

    @property
    def shown(self) -> bytes | None:
        """Return the message unless it is too long."""
        return self.message if len(self.message) <= LONGEST_SHOWN else None


@dataclass
class Heard:
    """What came on one feed since it was last kept."""

    messages: int = 0
    wrong: int = 0
    last: Seen | None = None
    last_wrong: Seen | None = None
    values: dict[tuple[str, str, int], Value] = field(default_factory=dict)


def of_site(session: Session, site_id: str) -> list[Feed]:
    """Return the site's feeds."""
    return list(session.exec(select(Feed).where(col(Feed.site_id) == site_id).order_by(col(Feed.number))))


def get(session: Session, key: Key) -> Feed | None:
    """Return the feed, None if there is none of that number."""
    return session.get(Feed, key)


def held(session: Session, key: Key) -> Feed | None:
    """Return the feed for changing it: nobody else does until the session's work is done."""
    return session.get(Feed, key, with_for_update=True, populate_existing=True)


def make(session: Session, site_id: str, topic: str, payload: dict[str, Any], *, enabled: bool) -> Feed:
    """Keep a new feed; the caller holds the site's row."""
    last = session.exec(select(func.max(Feed.number)).where(col(Feed.site_id) == site_id)).one()
    feed = Feed(site_id=site_id, number=(last or 0) + 1, topic=topic, payload=payload, enabled=enabled)
    session.add(feed)
    session.flush()
    return feed


def remove(session: Session, feed: Feed) -> None:
    """Remove the feed with the values that are still on their way."""
    session.delete(feed)
    session.flush()


class Listened(NamedTuple):
    """What somebody who listens has to know of a feed."""

    key: Key
    topic: str
    payload: dict[str, Any]
    enabled: bool


def all_listened(session: Session) -> list[Listened]:
    """Return every feed."""
    columns = (col(Feed.site_id), col(Feed.number), col(Feed.topic), col(Feed.payload), col(Feed.enabled))
    rows = session.execute(select_columns(*columns).order_by(col(Feed.site_id), col(Feed.number)))
    return [Listened(Key(r[0], r[1]), r[2], r[3], r[4]) for r in rows]


def topics_of_others(session: Session, site_id: str) -> list[str]:
    """Return the topics of all other sites' feeds."""
    return list(session.exec(select(Feed.topic).where(col(Feed.site_id) != site_id)))


# Values


def keep(session: Session, key: Key, heard: Heard, arrived_us: int) -> bool:
    """Keep what came on a feed; False if it is gone. The same serial, kind and moment again is the same value."""
    feed = held(session, key)
    if feed is None:
        return False
    _note(feed, heard)
    if heard.values:
        _insert(session, key, heard.values.values(), arrived_us)
        moments = [value.at_us for value in heard.values.values()]
        feed.due_from_us = min(moments if feed.due_from_us is None else [*moments, feed.due_from_us])
        feed.due_until_us = max(moments if feed.due_until_us is None else [*moments, feed.due_until_us])
    session.add(feed)
    session.flush()
    return True


def _note(feed: Feed, heard: Heard) -> None:
    feed.messages += heard.messages
    feed.wrong += heard.wrong
    if heard.last is not None:
        feed.heard_at, feed.heard_topic = heard.last.at, heard.last.topic
        feed.heard_message = heard.last.shown
    if heard.last_wrong is not None:
        feed.wrong_at, feed.wrong_topic = heard.last_wrong.at, heard.last_wrong.topic
        feed.wrong_message, feed.wrong_why = heard.last_wrong.shown, heard.last_wrong.why


def _insert(session: Session, key: Key, values: Iterable[Value], arrived_us: int) -> None:
    dialect = postgresql if session.get_bind().dialect.name == "postgresql" else sqlite
    insert = dialect.insert(LiveSample)
    keys = ["site_id", "feed", "serial", "kind", "at_us"]
    statement = insert.on_conflict_do_update(index_elements=keys, set_={"value": insert.excluded["value"]})
    common = {"site_id": key.site_id, "feed": key.number, "arrived_us": arrived_us}
    session.connection().execute(statement, [{**common, **value._asdict()} for value in values])


def values_between(session: Session, key: Key, from_us: int, until_us: int) -> list[Value]:
    """Return the feed's values of these moments, both included."""
    columns = (col(LiveSample.serial), col(LiveSample.kind), col(LiveSample.at_us), col(LiveSample.value))
    query = select_columns(*columns).where(_of(key), col(LiveSample.at_us).between(from_us, until_us))
    return [Value(*row) for row in session.execute(query)]


def due(session: Session, site_id: str | None = None, *, before_us: int | None = None) -> list[Key]:
    """Return the feeds with values (from before that moment) of which no interval was made yet, of a site or of all."""
    query = select_columns(col(Feed.site_id), col(Feed.number)).where(col(Feed.due_from_us).is_not(None))
    if site_id is not None:
        query = query.where(col(Feed.site_id) == site_id)
    if before_us is not None:
        query = query.where(col(Feed.due_from_us) < before_us)
    return [Key(*row) for row in session.execute(query.order_by(col(Feed.site_id), col(Feed.number)))]


def settle(session: Session, before: Feed, due_from_us: int | None) -> None:
    """Say from when on values are still due, unless others came since the feed was read: then all stay so."""
    as_read = (col(Feed.messages) == before.messages, col(Feed.due_from_us) == before.due_from_us)
    until = None if due_from_us is None else before.due_until_us
    statement = update(Feed).where(
        col(Feed.site_id) == before.site_id, col(Feed.number) == before.number, *as_read
    )
    session.execute(statement.values(due_from_us=due_from_us, due_until_us=until))


def forget(session: Session, arrived_before_us: int) -> int:
    """Remove values that came before, except where they are still due; return how many there were."""
    gone = 0
    for key in session.execute(select_columns(col(Feed.site_id), col(Feed.number))).all():
        feed = get(session, Key(*key))
        if feed is None:
            continue
        old = [_of(Key(*key)), col(LiveSample.arrived_us) < arrived_before_us]
        if feed.due_from_us is not None:
            old.append(col(LiveSample.at_us) < feed.due_from_us)
        gone += session.execute(delete(LiveSample).where(*old)).rowcount  # type: ignore[attr-defined]
    return gone


def _of(key: Key) -> Any:
    return (col(LiveSample.site_id) == key.site_id) & (col(LiveSample.feed) == key.number)


# The broker


def subscriptions(session: Session) -> set[str]:
    """Return the filters to which the broker may hold a subscription of ours."""
    return set(session.exec(select(Subscription.topic)))


def subscribed(session: Session, topics: Collection[str]) -> None:
    """Note filters before they are subscribed to."""
    session.add_all([Subscription(topic=topic) for topic in topics])


def unsubscribed(session: Session, topics: Sequence[str]) -> None:
    """Note that the broker holds no subscription to these filters any more."""
    session.execute(delete(Subscription).where(or_(*(col(Subscription.topic) == t for t in topics))))


def say(session: Session, *, connected: bool, reason: str) -> None:
    """Say how it stands with the broker."""
    now = datetime.now(UTC)
    row = session.get(BrokerState, 1) or BrokerState(connected=not connected, since=now, seen_at=now)
    if row.connected != connected:
        row.since = now
    row.connected, row.reason, row.seen_at = connected, reason, now
    session.add(row)


def broker_state(session: Session) -> BrokerState | None:
    """Return how it stands with the broker, None if nobody has listened for a while."""
    row = session.get(BrokerState, 1)
    return row if row is not None and datetime.now(UTC) - row.seen_at < SILENT else None


def totals(session: Session) -> tuple[int, int]:
    """Return how many messages came on all feeds, and of how many something was not understood."""
    found = session.execute(select_columns(func.sum(Feed.messages), func.sum(Feed.wrong))).one()
    return int(found[0] or 0), int(found[1] or 0)
