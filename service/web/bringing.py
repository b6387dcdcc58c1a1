"""A file as it comes in over the API or a form: kept in pieces, and what is wanted of it begun.

Only one piece is in memory at a time, whatever the file's size.
"""

from __future__ import annotations

import hashlib
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, field

from fastapi import Request
from sqlalchemy import Engine
from starlette.concurrency import run_in_threadpool

from service.intake.export.propose import checked_answers
from service.intake.problems import Refused, told
from service.intake.take import NoSuchSite
from service.jobs.uploads import PIECE_BYTES, is_small, work
from service.store import mappings, sites, uploads
from service.store.database import reading, writing
from service.store.tables import Upload
from service.store.uploads import AT_WORK, Key, key_of
from service.web.anew import verify_anew

LONGEST_NAME = 200
LONGEST_MAPPING = 60


@dataclass(frozen=True)
class Wanted:
    """By which answers a file is read, beside those of a name, and whether it is stored once nothing is open."""

    answers: Mapping[str, str] = field(default_factory=dict)
    mapping: str = ""
    to_take: bool = False


async def receive(
    engine: Engine, site_id: str, blocks: AsyncIterator[bytes], *, name: str, by: str
) -> Upload:
    """Keep a file as it comes; nothing of it stays if it does not come whole."""
    upload = await run_in_threadpool(_begun, engine, site_id, _named(name), by)
    digest, part = hashlib.sha256(), 0
    try:
        async for piece in _pieces(blocks):
            digest.update(piece)
            upload.size += len(piece)
            await run_in_threadpool(_keep, engine, upload, part, piece)
            part += 1
    except Exception:
        await run_in_threadpool(drop, engine, upload)
        raise
    if not upload.size:
        await run_in_threadpool(drop, engine, upload)
        raise Refused.one("", told("is empty; choose a file with readings"))
    upload.sha256 = digest.hexdigest()
    return upload


async def _pieces(blocks: AsyncIterator[bytes]) -> AsyncIterator[bytes]:
    held = bytearray()
    async for block in blocks:
        held += block
        while len(held) >= PIECE_BYTES:
            yield bytes(held[:PIECE_BYTES])
            del held[:PIECE_BYTES]
    if held:
        yield bytes(held)


def _begun(engine: Engine, site_id: str, name: str, by: str) -> Upload:
    with writing(engine) as session:
        if sites.held(session, site_id) is None:
            raise NoSuchSite
        return uploads.begin(session, site_id, name=name, by=by)


def _named(name: str) -> str:
    """Return the name without folders and what cannot be shown, its ending kept."""
    plain = "".join(c for c in name.replace("\\", "/").rpartition("/")[2] if c.isprintable()).strip()
    return plain[-LONGEST_NAME:] or "file"


def _keep(engine: Engine, upload: Upload, part: int, piece: bytes) -> None:
    with writing(engine) as session:
        uploads.keep_piece(session, upload, "sent", part, piece)


def drop(engine: Engine, upload: Upload) -> None:
    """Remove a file; what was stored of it stays."""
    with writing(engine) as session:
        uploads.remove(session, upload.site_id, upload.number)


def begin(request: Request, received: Upload, wanted: Wanted) -> Upload:
    """Have a file looked at that has come whole; return it as it is after that, or while that is still done."""
    engine: Engine = request.app.state.engine
    with writing(engine) as session:
        upload = uploads.get(session, received.site_id, received.number)
        if upload is None:
            raise NoSuchSite
        held = mappings.remembered(session, upload.site_id, wanted.mapping) if wanted.mapping else {}
        upload.size, upload.sha256 = received.size, received.sha256
        answers = dict(checked_answers({**held, **wanted.answers}))
        how = {"answers": answers, "mapping": wanted.mapping, "to_take": wanted.to_take}
        uploads.remove_alike(session, upload)
        key = uploads.want(session, upload, "looking", **how)
    return go_on(request, key)


def go_on(request: Request, key: Key) -> Upload:
    """Do what is wanted of a file: now if it is small, else in the background."""
    engine: Engine = request.app.state.engine
    upload = _held(engine, key)
    if request.app.state.jobs is not None and not is_small(engine, upload):
        request.app.state.jobs.enqueue_file(key_of(upload))
        return upload
    work(engine, key, lambda: verify_anew(request, key.site_id))
    return _held(engine, key)


def _held(engine: Engine, key: Key) -> Upload:
    with reading(engine) as session:
        upload = uploads.get(session, key.site_id, key.number)
    if upload is None:
        raise NoSuchSite
    return upload


def is_at_work(upload: Upload) -> bool:
    """Return whether something is still done with the file."""
    return upload.state in AT_WORK
