"""What the pages of feeds say: how it stands with the broker, what came last, what was understood of it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from service.intake.live.broker import remedy
from service.intake.live.feed import FeedRecord, record_of
from service.intake.live.messages import understood
from service.intake.live.model import KINDS
from service.intake.problems import FieldError
from service.report.language import gettext as _
from service.report.words import moment, number, short_number
from service.store.tables import BrokerState, Feed
from service.web.pages.feed_form import KIND_WORDS
from service.web.pages.told import with_field

LONGEST_LAID_OUT = 4000
MOST_LINES = 40


@dataclass(frozen=True)
class Understood:
    """What a message says, unit by unit, and what of it is not understood."""

    kinds: list[str]
    lines: list[tuple[str, str, list[str]]]
    """Serial, moment and the values in the order of the kinds."""
    more: int
    problems: list[str]
    missing: list[str]
    """What was asked for and stands nowhere in it, with its path."""


@dataclass(frozen=True)
class FeedLine:
    """A feed in the list."""

    number: int
    topic: str
    enabled: bool
    heard: str
    messages: str
    wrong: str
    why: str
    wrong_at: str


def broker_words(state: BrokerState | None, zone: ZoneInfo, *, is_set: bool) -> str:
    """Return how it stands with the broker."""
    if not is_set:
        return _("No broker is set: whoever runs the service gives its address in YIELDPROOF_MQTT_URL.")
    if state is None:
        return _("Nobody listens at the broker now: check that the service or its worker runs.")
    since = moment(state.since, zone)
    if not state.reason:
        return _("Connected to the broker since %(moment)s.") % {"moment": since}
    why, _colon, detail = state.reason.partition(": ")
    said = {
        "moment": since,
        "reason": f"{_(why)}: {detail}" if detail else _(why),
        "remedy": _(remedy(state.reason)),
    }
    if state.connected:
        return _("Connected to the broker since %(moment)s, but %(reason)s; %(remedy)s.") % said
    return _("No connection to the broker since %(moment)s: %(reason)s; %(remedy)s.") % said


def feed_line(feed: Feed, zone: ZoneInfo) -> FeedLine:
    """Return a feed for the list."""
    return FeedLine(
        feed.number,
        feed.topic,
        feed.enabled,
        moment(feed.heard_at, zone) if feed.heard_at else _("never"),
        number(feed.messages),
        number(feed.wrong) if feed.wrong else "",
        why_wrong(feed),
        moment(feed.wrong_at, zone) if feed.wrong_at else "",
    )


def why_wrong(feed: Feed) -> str:
    """Return what was not understood of the last such message, in the reader's language if the message is kept."""
    if feed.wrong_message is not None and feed.wrong_at is not None:
        record = record_of(feed)
        _found, problems = understood(
            record.payload, record.topic, feed.wrong_topic, feed.wrong_message, feed.wrong_at
        )
        if problems:
            return "; ".join(map(with_field, problems))
    return feed.wrong_why


def understanding(record: FeedRecord, topic: str, message: bytes, at: datetime, zone: ZoneInfo) -> Understood:
    """Return the same for people."""
    samples, problems = understood(record.payload, record.topic, topic, message, at)
    kinds = [kind for kind in KINDS if any(s.kind == kind for s in samples)]
    rows: dict[tuple[str, datetime], dict[str, float]] = {}
    for sample in samples:
        rows.setdefault((sample.serial, sample.at), {})[sample.kind] = sample.value
    lines = [
        (serial, moment(at, zone), [_shown(values.get(kind)) for kind in kinds])
        for (serial, at), values in rows.items()
    ]
    words = [_(KIND_WORDS[kind]) for kind in kinds]
    missing = [
        f"{_(KIND_WORDS[kind])} ({value.path})"
        for kind, value in record.payload.values.items()
        if lines and kind not in kinds
    ]
    more = max(0, len(lines) - MOST_LINES)
    return Understood(words, lines[:MOST_LINES], more, _texts(problems), missing)


def _texts(problems: Sequence[FieldError]) -> list[str]:
    return [with_field(problem) for problem in problems]


def _shown(value: float | None) -> str:
    return "" if value is None else short_number(value)


def message_text(message: bytes | None) -> str:
    """Return a message for reading, JSON with its parts one below the other."""
    if message is None:
        return ""
    text = message.decode("utf-8", errors="replace")
    if len(text) <= LONGEST_LAID_OUT:
        with suppress(ValueError, RecursionError):
            text = json.dumps(json.loads(text), indent=1, ensure_ascii=False)
    return text
