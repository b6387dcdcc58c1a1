"""Closes entries of the punch list by what the readings say since, and opens again what comes back. Nobody else does.

Runs after each verification of a site's default window, for entries of which newer readings may say something. The
time since is verified as a window of its own, which begins with the first whole interval after the mark; what was
marked on one local day shares one, from the last of these marks on. So the work is bounded by the days of the default
window: what is older is judged by the default window itself, all of which lies after the mark, and a closed entry is
asked of anew only while the default window accuses it. A fault of the record is judged by the default window as soon
as the record is another one, since all readings speak of it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Engine

from service.jobs.assemble import LONGEST_DEFAULT_WINDOW
from service.jobs.punch_list import indices
from service.jobs.verification import current
from service.store import punch, sites
from service.store.corrections import fingerprint
from service.store.database import reading, writing
from service.store.punch import Done
from service.store.tables import PunchEntry
from service.verify.mended import OF_THE_RECORD, Level, Proof, Subject, fault_of, judge, rest_needed_h
from service.verify.result import Verification

BY = "the readings"
"""Who closes and opens again, in the history and on the audit list."""


@dataclass(frozen=True)
class _Site:
    """What is read once: the data version, the record's fingerprint, the zone, the default verification."""

    id: str
    version: int
    record: str
    zone: ZoneInfo
    found: Verification


@dataclass(frozen=True)
class _Answer:
    """What the readings say of an entry as it was read."""

    entry: PunchEntry
    proof: Proof
    window: str
    after: Verification | None
    before: dict[str, Any] | None


def prove_site(engine: Engine, site_id: str) -> None:
    """Ask the newest readings of every entry that waits for them or may have come back."""
    with reading(engine) as session:
        stored = sites.get(session, site_id)
        waiting = punch.unproven(session, record_causes=OF_THE_RECORD, site_id=site_id)
    if stored is None or not waiting:
        return
    found = current(engine, site_id)
    if found is None:
        return
    zone = ZoneInfo(stored.record["timezone"])
    site = _Site(site_id, stored.data_version, fingerprint(stored.record), zone, found)
    starts = _starts(waiting, site)
    answers = [_asked(engine, site, entry, starts) for entry in waiting]
    with writing(engine) as session:
        if sites.held(session, site_id) is None:
            return
        for answer in answers:
            entry = punch.find(session, site_id, answer.entry.number)
            # Somebody may have said more meanwhile: then the next round asks of that.
            if entry is not None and _as_read(entry) == _as_read(answer.entry):
                entry.proved_version = site.version
                _keep(session, entry, answer)


def unproven_sites(engine: Engine) -> list[str]:
    """Return the sites with entries of which newer readings may say something."""
    with reading(engine) as session:
        entries = punch.unproven(session, record_causes=OF_THE_RECORD)
    return list(dict.fromkeys(entry.site_id for entry in entries))


def subject_of_entry(entry: PunchEntry) -> Subject:
    """Return what an entry is about, for the judgement."""
    return Subject(
        cause=entry.cause,
        serials=tuple(entry.serials),
        branch=entry.branch,
        plane=entry.plane,
        is_unit=entry.subject.startswith("unit:"),
    )


# Which window


def _speaks_of_all(entry: PunchEntry, site: _Site) -> bool:
    """Return whether all of the default window speaks of the entry as it is since the mark."""
    since = _since(entry)
    return since is not None and since <= site.found.start


def _stays_closed(entry: PunchEntry, site: _Site) -> bool:
    """Return whether an entry is closed and not even the default window, which holds the time before, accuses it."""
    return entry.state == "closed" and fault_of(subject_of_entry(entry), site.found) is None


def _by_record(entry: PunchEntry, site: _Site) -> bool:
    """Return whether the entry is about the record, and the record is another one than when it was opened."""
    closed_so = entry.state == "closed" and (entry.proof or {}).get("window") == "default"
    return entry.cause in OF_THE_RECORD and (closed_so or entry.record_sha256 != site.record)


def _since(entry: PunchEntry) -> datetime | None:
    """Return from when on readings count: the mark, or the last that was seen of the fault after it."""
    if entry.mended_at is None:
        return None
    told = (entry.proof or {}).get("since")
    return max(entry.mended_at, datetime.fromisoformat(told)) if told else entry.mended_at


def _starts(entries: Iterable[PunchEntry], site: _Site) -> dict[date, datetime]:
    """Return for each local day with marks the last of them: one window proves all of a visit."""
    last: dict[date, datetime] = {}
    for entry in entries:
        since = _since(entry)
        if since is not None and not _speaks_of_all(entry, site) and not _stays_closed(entry, site):
            day = since.astimezone(site.zone).date()
            last[day] = max(since, last.get(day, since))
    return last


def _asked(engine: Engine, site: _Site, entry: PunchEntry, starts: Mapping[date, datetime]) -> _Answer:
    since = _since(entry)
    if _stays_closed(entry, site):
        return _Answer(entry, Proof("mended"), "default", site.found, entry.before)
    if _by_record(entry, site):
        answer = _answer(entry, "default", site.found, entry.before)
        if since is None or entry.state == "closed" or answer.proof.outcome == "mended":
            return answer
    if since is None:  # a fault of the record, and the record is still the same
        return _Answer(entry, Proof("not_yet", why="record"), "default", None, entry.before)
    before = entry.before if entry.state == "closed" else _before(engine, site, entry)
    if _speaks_of_all(entry, site):
        return _answer(entry, "default", site.found, before)
    start = whole_interval(starts[since.astimezone(site.zone).date()])
    return _answer(entry, "after", current(engine, site.id, start=start), before)


def whole_interval(moment: datetime) -> datetime:
    """Return the next edge of the finest grid: an interval that began before it is not counted."""
    step = timedelta(minutes=5)
    over = timedelta(minutes=moment.minute % 5, seconds=moment.second, microseconds=moment.microsecond)
    return moment - over + step if over else moment


def _answer(
    entry: PunchEntry, window: str, after: Verification | None, before: dict[str, Any] | None
) -> _Answer:
    subject = subject_of_entry(entry)
    if after is None:
        proof = Proof("not_yet", why="light")
    elif entry.state == "closed":
        fault = fault_of(subject, after)
        proof = Proof("not_mended", fault=fault) if fault else Proof("mended")
    else:
        rest_h = float((before or {}).get("rest_h", 0.0))
        proof = judge(subject, _levels(entry, before), after, rest_h=rest_h)
    return _Answer(entry, proof, window, after, before)


# What was before


def _before(engine: Engine, site: _Site, entry: PunchEntry) -> dict[str, Any] | None:
    """Return the units' levels while they had the fault, up to the mark, worked out once; else as first found."""
    if (entry.before or {}).get("own"):
        return entry.before
    window = _window_before(entry)
    found = (current(engine, site.id, *window) if window else None) or site.found
    was = replace(subject_of_entry(entry), serials=_serials_before(entry))
    told = indices(found, was.serials) if window else {}
    if not any(u["index"] is not None for u in told.get("units", ())):
        told = entry.before or {}
    return {**told, "own": True, "rest_h": rest_needed_h(found, was)}


def _window_before(entry: PunchEntry) -> tuple[datetime, datetime] | None:
    seen = entry.finding.get("first_seen")
    if entry.mended_at is None or not entry.serials or not seen:
        return None
    start = max(datetime.fromisoformat(seen), entry.mended_at - LONGEST_DEFAULT_WINDOW)
    return (start, entry.mended_at) if start < entry.mended_at else None


def _serials_before(entry: PunchEntry) -> tuple[str, ...]:
    """Return the units that had the fault: those that it was opened with, not those that took their place."""
    return tuple(u["serial"] for u in (entry.before or {}).get("units", ())) or tuple(entry.serials)


def _levels(entry: PunchEntry, before: Mapping[str, Any] | None) -> dict[str, Level]:
    units = (before or {}).get("units", ())
    levels = {u["serial"]: Level(**u) for u in units}
    replaced = len(entry.serials) == 1 and len(levels) == 1
    return dict.fromkeys(entry.serials, next(iter(levels.values()))) if replaced else levels


# What is kept


def _as_read(entry: PunchEntry) -> tuple[Any, ...]:
    return entry.state, entry.mended_at, entry.serials


def _keep(session: Any, entry: PunchEntry, answer: _Answer) -> None:
    proof = answer.proof
    if entry.state == "closed":
        if proof.outcome == "not_mended":
            punch.reopen(session, entry, Done("reopened", BY, details=_fault(proof)))
        return
    entry.before = answer.before
    told = _told(answer)
    if proof.outcome == "mended":
        punch.prove(session, entry, told, Done("closed", BY, details=_change(entry, told)))
    elif proof.outcome == "not_mended" and entry.state == "said_mended":
        punch.prove(
            session, entry, told, Done("not_mended", BY, details={**_change(entry, told), **_fault(proof)})
        )
    elif entry.state == "said_mended":
        punch.prove(session, entry, told)


def _told(answer: _Answer) -> dict[str, Any]:
    """Return the proof as an entry keeps it."""
    proof, after = answer.proof, answer.after
    return {
        "outcome": proof.outcome,
        "window": answer.window,
        "why": proof.why,
        "needs": dict(proof.needs),
        "usual": proof.usual,
        "after": indices(after, answer.entry.serials) if after else None,
        **_fault(proof),
        **({"since": proof.since.isoformat()} if proof.since else {}),
    }


def _fault(proof: Proof) -> dict[str, Any]:
    fault = proof.fault
    return {"cause": fault.cause, "evidence": fault.evidence} if fault else {}


def _change(entry: PunchEntry, told: Mapping[str, Any]) -> dict[str, Any]:
    """Return the unit with the lowest index afterwards, before and after, as a step keeps it."""
    change = _lowest(entry, entry.before, told)
    return (
        {name: asdict(x) if x else None for name, x in zip(("before", "after"), change, strict=True)}
        if change
        else {}
    )


def lowest_change(entry: PunchEntry) -> tuple[Level | None, Level] | None:
    """Return the levels, before and after, of the unit with the lowest index since; None without any proof yet."""
    return _lowest(entry, entry.before, entry.proof or {})


def _lowest(
    entry: PunchEntry, before: Mapping[str, Any] | None, proof: Mapping[str, Any]
) -> tuple[Level | None, Level] | None:
    after = [Level(**u) for u in (proof.get("after") or {}).get("units", ()) if u["index"] is not None]
    if not after:
        return None
    lowest = min(after, key=lambda level: level.index or 0.0)
    return _levels(entry, before).get(lowest.serial), lowest
