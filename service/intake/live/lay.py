"""Makes intervals of the values that feeds brought, as soon as they are complete, and keeps them like any batch.

A feed knows from when on its values are due. What is kept already is not kept again, so that laying the same values
twice, after a process was killed in between, say, changes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from sqlalchemy import Engine
from sqlmodel import Session

from service.intake.batch import Problem, counter_noted
from service.intake.export.model import Known
from service.intake.live.intervals import REACH, Odd, closed, intervals
from service.intake.live.model import Sample
from service.intake.live.payload import PayloadSpec
from service.intake.take import take_noted, take_samples
from service.store import feeds, readings, sites
from service.store.database import reading, writing
from service.store.feeds import Key, Value
from service.store.grids import Samples, moment
from service.store.tables import Feed

KEPT = timedelta(hours=24)
"""How long values stay after their arrival, for those that come late: neighbours make an interval."""

_Kind = tuple[str, str, int]

SECOND_US = 1_000_000
REACH_US = int(REACH.total_seconds()) * SECOND_US


def lay_site(engine: Engine, site_id: str, now: datetime) -> bool:
    """Make the intervals of a site's feeds that are complete by now; return whether that changed its readings."""
    with reading(engine) as session:
        keys = feeds.due(session, site_id)
    changed = [_lay(engine, key, now) for key in keys]
    return any(changed)


def lay_all(engine: Engine, key: Key) -> bool:
    """Make the intervals of all values that a feed has brought, complete or not, since no more will come."""
    return _lay(engine, key, datetime.max.replace(tzinfo=UTC) - timedelta(days=2))


def forget(engine: Engine, now: datetime) -> int:
    """Remove values whose intervals are kept and that came so long ago that none is waited for beside them."""
    with writing(engine) as session:
        return feeds.forget(session, microseconds(now - KEPT))


def _lay(engine: Engine, key: Key, now: datetime) -> bool:
    with reading(engine) as session:
        feed, site = feeds.get(session, key), sites.get(session, key.site_id)
        if feed is None or site is None or feed.due_from_us is None or feed.due_until_us is None:
            return False
        spec = PayloadSpec.model_validate(feed.payload)
        step_us = spec.interval_min * 60 * SECOND_US
        until_us = microseconds(closed(now, spec.interval_min))
        if feed.due_from_us >= until_us:
            return False
        values = feeds.values_between(session, key, feed.due_from_us - REACH_US, feed.due_until_us + REACH_US)
        odd: list[Odd] = []
        laid = _laid(values, spec, feed, until_us, site.record, odd)
        new = _new(laid, _held(session, key.site_id, laid))
    source = f"feed {key.number}"
    noted = _noted(odd)
    if noted:
        take_noted(engine, key.site_id, noted, source=source)
    changed = take_samples(engine, key.site_id, new, source=source).changed if new else False
    # What lies in the last interval may still be needed for the next; an energy may lie across its border.
    rest_us = max(feed.due_from_us, until_us - step_us)
    with writing(engine) as session:
        feeds.settle(session, feed, rest_us if rest_us <= feed.due_until_us else None)
    return changed


def _laid(
    values: Sequence[Value],
    spec: PayloadSpec,
    feed: Feed,
    until_us: int,
    record: Mapping[str, Any],
    odd: list[Odd],
) -> list[Samples]:
    samples = [Sample(v.serial, v.kind, _moment(v.at_us), v.value) for v in values]
    changed = (_moment(feed.due_from_us or 0), _moment(feed.due_until_us or 0))
    return intervals(
        samples,
        spec.interval_min,
        end=_moment(until_us),
        changed=changed,
        label=spec.label or "start",
        rated_w=Known.of_record(record).rated_w,
        odd=odd.append,
    )


def _noted(odd: Sequence[Odd]) -> list[Problem]:
    """Return what is to be noted about counters: by night they are silent as a rule."""
    return [counter_noted(o.serial, int(o.at.timestamp()), o.reason) for o in odd if not o.asleep]


def _held(session: Session, site_id: str, like: Sequence[Samples]) -> dict[_Kind, Samples]:
    """Return what is held of the same units, channels and intervals at these times, in order."""
    if not like:
        return {}
    first, last = min(int(s.starts.min()) for s in like), max(int(s.starts.max()) for s in like)
    channels = {s.channel for s in like}
    found: dict[_Kind, Samples] = {}
    for one in readings.kept(session, site_id, start=moment(first), end=moment(last + 1), channels=channels):
        before = found.get(_kind(one))
        starts = one.starts if before is None else np.concatenate([before.starts, one.starts])
        values = one.values if before is None else np.concatenate([before.values, one.values])
        order = np.argsort(starts)
        found[_kind(one)] = Samples(one.serial, one.channel, one.interval_min, starts[order], values[order])
    return found


def _kind(samples: Samples) -> _Kind:
    return samples.serial, samples.channel, samples.interval_min


def _new(laid: Sequence[Samples], held: Mapping[_Kind, Samples]) -> list[Samples]:
    """Return the values that differ from those held, as they would be held."""
    found = []
    for one in laid:
        same = np.zeros(one.starts.size, dtype=np.bool_)
        before = held.get(_kind(one))
        if before is not None:
            at = np.minimum(np.searchsorted(before.starts, one.starts), before.starts.size - 1)
            same = (before.starts[at] == one.starts) & (
                before.values[at].astype(np.float32) == one.values.astype(np.float32)
            )
        if not same.all():
            found.append(
                Samples(one.serial, one.channel, one.interval_min, one.starts[~same], one.values[~same])
            )
    return found


def _moment(at_us: int) -> datetime:
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=at_us)


def microseconds(at: datetime) -> int:
    """Return microseconds since 1970."""
    return (at - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
