"""Looks at files that were brought to a site and takes them in: in the queue, or at once where they are small.

A file's state in the store says what is wanted of it; work that was cut off is begun again and changes nothing twice.
What a file says is for `intake.export`; what a page or the API makes of it is theirs.
"""

from __future__ import annotations

import logging
import zipfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from tempfile import NamedTemporaryFile
from time import monotonic
from typing import Any

from sqlalchemy import Engine
from sqlalchemy.exc import SQLAlchemyError

from service.intake.export.asking import asked
from service.intake.export.bring import Plan, Taken, bring, implausible, plan
from service.intake.export.model import Question
from service.intake.export.ours import form_of, states_interval
from service.intake.export.preview import beginning, brightest, first
from service.intake.export.propose import checked_answers
from service.intake.export.read import Rejected
from service.intake.export.tables import Seen, tables_of
from service.intake.parse import CSV_TYPE, parse_readings
from service.intake.problems import FieldError, Refused, as_kept, told
from service.intake.take import Import, take_readings
from service.jobs.file_light import light_of
from service.jobs.recorded_roof import RecordedRoof
from service.store import mappings, sites, uploads
from service.store.audit import note
from service.store.database import reading, writing
from service.store.grids import Samples
from service.store.tables import Upload
from service.store.uploads import MOST_TRIES, Key, key_of

log = logging.getLogger(__name__)

PIECE_BYTES = 4 << 20
SMALL_BYTES = 5 << 20
"""Up to here (unpacked) a file is looked at while somebody waits for the answer; it takes some seconds."""
LARGEST_OURS = 64 << 20
"""A file in a form of the API is read as a whole."""
TOLD_EVERY_S = 1.0

Anew = Callable[[], object]


class NotWanted(Exception):  # noqa: N818 - a change of mind, no fault
    """The file was removed, or other work is wanted of it, while it was worked on."""


@dataclass(frozen=True)
class Looked:
    """What looking at a file found, and what is needed to take it in."""

    found: dict[str, Any]
    questions: Sequence[Question]
    take: Callable[[Upload, Seen, Callable[[Sequence[Rejected]], None]], Taken]
    kind: str = ""
    """Of which kind the file is, so that its answers are known for the next; empty for a form of the API."""


def work(engine: Engine, key: Key, changed: Anew = lambda: None) -> None:
    """Do what is wanted of a file, if nobody does it already; `changed` is called once readings were stored."""
    with writing(engine) as session:
        upload = uploads.claim(session, key)
    if upload is None:
        return
    if upload.tries > MOST_TRIES:
        _fail(engine, key, told("could not be read, three times over; tell whoever runs the server"))
        return
    try:
        _work(engine, upload, changed)
    except NotWanted:
        return
    except Refused as refused:
        _fail(engine, key, *refused.errors)
    except SQLAlchemyError:  # no fault of the file
        with writing(engine) as session:
            uploads.leave(session, key)
        raise
    except Exception:
        log.exception("file %s of site %s cannot be read", key.number, key.site_id)
        _fail(engine, key, told("could not be read; tell whoever runs the server, and keep the file"))


def _fail(engine: Engine, key: Key, *why: FieldError | str) -> None:
    errors = [w if isinstance(w, FieldError) else FieldError("", w) for w in why]
    kept = [{"field": e.field, "message": as_kept(e.message)} for e in errors]
    with writing(engine) as session:
        uploads.finish(session, key, "failed", errors=kept)


def _work(engine: Engine, upload: Upload, changed: Anew) -> None:
    key = key_of(upload)
    with reading(engine) as session:
        site = sites.get(session, upload.site_id)
    if site is None:
        return
    with _on_disk(engine, upload) as path:
        seen = _watch(engine, key)
        looked = _look(engine, upload, path, site.record, seen)
        wanted = upload.state == "taking" or upload.to_take
        if looked.questions or not wanted:
            state = "asks" if looked.questions else "ready"
            with writing(engine) as session:
                named = {"answers": upload.answers, "mapping": upload.mapping}
                uploads.finish(session, key, state, found=looked.found, **named)
            return
        if upload.state == "looking":
            upload = _go_on(engine, key, looked)
        _take(engine, upload, looked, seen, changed)


def _go_on(engine: Engine, key: Key, looked: Looked) -> Upload:
    """Note that the file is taken in now, as its sender wished."""
    with writing(engine) as session:
        upload = uploads.get(session, key.site_id, key.number)
        if upload is None or upload.turn != key.turn:
            raise NotWanted
        upload.found = looked.found
        upload.state = "taking"
        _note(session, upload, upload.sent_by)
        session.add(upload)
    return upload


def _note(session: Any, upload: Upload, by: str) -> None:
    note(session, by, "readings.imported", site_id=upload.site_id, file=upload.name)


def confirm(session: Any, upload: Upload, by: str) -> Key:
    """Have a file taken in that was looked at; who says so is noted."""
    _note(session, upload, by)
    return uploads.want(session, upload, "taking")


# Looking


def _look(engine: Engine, upload: Upload, path: Path, record: Mapping[str, Any], seen: Seen) -> Looked:
    form = form_of(path, upload.name)
    if form is not None and upload.size <= LARGEST_OURS:
        return _look_at_ours(engine, upload, path, form, record)
    if not record["inverter_types"]:
        raise Refused.one("", told("cannot be read before the site has an inverter type; add one"))
    tables = tables_of(path, upload.name, upload.answers)
    with writing(engine) as session:
        _still(uploads.tell(session, key_of(upload), total=sum(table.size for table in tables)))
    planned = plan(tables, record, upload.answers, seen, RecordedRoof(record))
    if planned.questions and not upload.to_take:
        planned = _as_remembered(engine, upload, planned, path, record)
    samples = beginning(planned, record)

    def take(upload: Upload, seen: Seen, keep: Any) -> Taken:
        how = {"by": upload.sent_by, "file": upload.name, "keep": keep, "seen": seen, "first_part": 1}
        return bring(engine, upload.site_id, record, planned, **how)

    return Looked(_found(planned, samples, record), planned.questions, take, planned.kind)


def _as_remembered(
    engine: Engine, upload: Upload, planned: Plan, path: Path, record: Mapping[str, Any]
) -> Plan:
    """Return the plan by answers that were given for a file of this kind, if they leave nothing open."""
    with reading(engine) as session:
        known = mappings.of_kind(session, upload.site_id, planned.kind)
    asked_now = {question.key for question in planned.questions}
    for one in known:
        if asked_now <= one.answers.keys():
            answers = {**one.answers, **upload.answers}
            again = plan(tables_of(path, upload.name, answers), record, answers, roof=RecordedRoof(record))
            if not again.questions:
                upload.answers, upload.mapping = answers, one.name
                return again
    return planned


def _found(planned: Plan, samples: Sequence[Samples], record: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "questions": [as_kept(asdict(q)) for q in planned.questions],
        "warnings": as_kept(planned.warnings),
        "tables": [as_kept(proposal.as_json()) for _, proposal in planned.tables],
        **_shown(samples, record),
    }


def _shown(samples: Sequence[Samples], record: Mapping[str, Any]) -> dict[str, Any]:
    light = light_of(samples, record)
    return {
        "first": [asdict(one) for one in first(samples)],
        "brightest": [asdict(one) for one in brightest(samples)],
        "light": asdict(light) if light else None,
    }


def _look_at_ours(engine: Engine, upload: Upload, path: Path, form: str, record: Mapping[str, Any]) -> Looked:
    minutes = int(checked_answers(upload.answers).get("interval_min", 0)) or None
    body = path.read_bytes()
    if form == CSV_TYPE and minutes is None and not states_interval(path):
        question = asked("interval_min", ("5", "10", "15", "30", "60"), told("the file does not say it"))
        samples, questions = [], [question]
    else:
        samples, questions = parse_readings(body, form, minutes), []

    def take(upload: Upload, seen: Seen, keep: Any) -> Taken:
        imported = Import(upload.sent_by, upload.name, part=1)
        receipt = take_readings(engine, upload.site_id, body, form, minutes, imported=imported)
        keep(list(implausible(samples, record)))
        said = [p["message"] for p in receipt.problems if p["serial"] is None and p["field"]]
        seen(upload.size)
        return Taken(receipt.accepted, receipt.replaced, receipt.rejected, 0, said)

    kept = {"questions": [as_kept(asdict(q)) for q in questions], "warnings": [], "tables": []}
    return Looked({"form": form, **kept, **_shown(samples, record)}, questions, take)


# Taking in


def _take(engine: Engine, upload: Upload, looked: Looked, seen: Seen, changed: Anew) -> None:
    key, part = key_of(upload), 0
    with writing(engine) as session:
        uploads.drop_pieces(session, upload, "rejected")  # of a worker that was cut off

    def keep(rows: Sequence[Rejected]) -> None:
        nonlocal part
        if rows:
            with writing(engine) as session:
                uploads.keep_rejected(session, upload, part, as_kept(rows))
            part += 1

    taken = looked.take(upload, seen, keep)
    with writing(engine) as session:
        outcome = {**asdict(taken), "warnings": as_kept(taken.warnings)}
        _still(uploads.finish(session, key, "done", found=looked.found, outcome=outcome))
        uploads.drop_pieces(session, upload, "sent")
        if upload.mapping and upload.answers:
            mappings.remember(session, upload.site_id, upload.mapping, upload.answers, looked.kind)
    changed()


def _still(wanted: bool) -> None:
    if not wanted:
        raise NotWanted


def _watch(engine: Engine, key: Key) -> Seen:
    """Return what notes how far the work has come, now and then, and ends work that is wanted no more."""
    last = 0.0

    def seen(amount: int) -> None:
        nonlocal last
        if monotonic() - last < TOLD_EVERY_S:
            return
        with writing(engine) as session:
            _still(uploads.tell(session, key, seen=amount))
        last = monotonic()

    return seen


# The file


@contextmanager
def _on_disk(engine: Engine, upload: Upload) -> Iterator[Path]:
    """Give the file as it was sent, in a place of this host."""
    with NamedTemporaryFile(prefix="yieldproof-") as stream:
        for piece in uploads.pieces(engine, upload, "sent"):
            stream.write(piece)
        stream.flush()
        yield Path(stream.name)


def is_small(engine: Engine, upload: Upload) -> bool:
    """Return whether the file, unpacked, may be read while somebody waits."""
    if upload.size > SMALL_BYTES:
        return False
    with _on_disk(engine, upload) as path:
        if not zipfile.is_zipfile(path):
            return True
        try:
            with zipfile.ZipFile(path) as archive:
                return sum(member.file_size for member in archive.infolist()) <= SMALL_BYTES
        except (zipfile.BadZipFile, NotImplementedError):
            return True
