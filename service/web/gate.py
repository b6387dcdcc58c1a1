"""What every request passes before its route: the API's token and its reach, and the limit on a body's size."""

from __future__ import annotations

import logging
import re
from datetime import UTC, datetime
from ipaddress import IPv4Address, ip_address, ip_network

from fastapi import HTTPException
from sqlalchemy import Engine
from sqlalchemy.exc import SQLAlchemyError
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.store.accounts import LAST_USE_KNOWN_TO, note_use, valid_token
from service.store.database import reading, writing
from service.store.tables import ApiToken
from service.store.tries import WINDOW, failed, is_open
from service.web.errors import problem

API = "/api"
SITES = f"{API}/v1/sites"
READING = ("GET", "HEAD")
FILES = re.compile(r"(/api/v1)?/sites/[^/]+/exports")
"""Where files of other programs are brought."""
BAD_TOKENS = 100
"""So many unknown tokens of one address within the window are answered as such."""

log = logging.getLogger(__name__)


class TokenGate:
    """Lets nobody to a path of the API without a token that is good for it, whether there is something or not.

    Bad tokens are counted by address, in the database and so for all processes; after `BAD_TOKENS` within five minutes
    the answer is 429 for the rest of them. A valid token passes all the same: somebody else behind the same address
    must not keep a gateway from sending, and tokens are too long to be guessed. Requests without any are not counted.
    """

    def __init__(self, app: ASGIApp, *, engine: Engine) -> None:
        self._app, self._engine = app, engine

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on with its token in the request's state, or answer 401, 403, 404 or 429."""
        if scope["type"] != "http" or not _is_api(scope["path"]):
            await self._app(scope, receive, send)
            return
        token = await run_in_threadpool(self._token, _sent(scope))
        if token is None:
            refused = await run_in_threadpool(self._refusal, scope)
            await refused(scope, receive, send)
            return
        scope.setdefault("state", {})["token"] = token
        await (_out_of_reach(token, scope) or self._app)(scope, receive, send)
        await run_in_threadpool(self._note_use, token)

    def _token(self, sent: str) -> ApiToken | None:
        if not sent:
            return None
        with reading(self._engine) as session:
            return valid_token(session, sent)

    def _refusal(self, scope: Scope) -> ASGIApp:
        if not _sent(scope):
            return _unknown(given=False)
        caller = f"token from {network(scope)}"
        try:
            if not is_open(self._engine, caller, BAD_TOKENS):
                return _too_many()
            failed(self._engine, caller)
        except SQLAlchemyError:
            log.warning("A bad token could not be counted.", exc_info=True)
        return _unknown(given=True)

    def _note_use(self, token: ApiToken) -> None:
        """Keep when the token was last used, after the answer has gone: no request waits for it or fails by it."""
        now = datetime.now(UTC)
        if token.last_used_at is not None and now - token.last_used_at < LAST_USE_KNOWN_TO:
            return
        try:
            with writing(self._engine) as session:
                note_use(session, token, now)
        except SQLAlchemyError:
            log.warning("A token's use could not be noted.", exc_info=True)


def network(scope: Scope) -> str:
    """Return the address from which a request comes, of an IPv6 address the part that one subscriber has."""
    host = scope["client"][0] if scope.get("client") else "unknown"
    try:
        address = ip_address(host)
    except ValueError:
        return str(host)
    if isinstance(address, IPv4Address):
        return str(address)
    return str(address.ipv4_mapped or ip_network(f"{address}/64", strict=False))


def _is_api(path: str) -> bool:
    return path == API or path.startswith(f"{API}/")


def _sent(scope: Scope) -> str:
    kind, _, token = Headers(scope=scope).get("authorization", "").partition(" ")
    return token.strip() if kind.lower() == "bearer" else ""


def _out_of_reach(token: ApiToken, scope: Scope) -> ASGIApp | None:
    """Return the answer to what is beyond the token, None for what it is good for."""
    beyond = _beyond_its_site(token.site_id, scope["method"], scope["path"]) if token.site_id else None
    if beyond is None and token.read_only and scope["method"] not in READING:
        return problem(403, "This token may only read; ask the office for one that may write.")
    return beyond


def _beyond_its_site(site_id: str, method: str, path: str) -> ASGIApp | None:
    own = f"{SITES}/{site_id}"
    if (path, method) == (own, "DELETE") or (path == SITES and method not in READING):
        return problem(403, "This token is for one site; making and removing sites needs one for all sites.")
    if path in (SITES, own) or path.startswith(f"{own}/"):
        return None
    return problem(
        404, "This token is for one site and this path is not under it; GET /api/v1/sites names it."
    )


def _unknown(*, given: bool) -> ASGIApp:
    detail = "The token is unknown or was revoked" if given else "This path needs a token"
    challenge = 'Bearer realm="yieldproof"' + (', error="invalid_token"' if given else "")
    return problem(
        401,
        f"{detail}; send the header Authorization: Bearer TOKEN with one that the operator made.",
        headers={"WWW-Authenticate": challenge},
    )


def _too_many() -> ASGIApp:
    seconds = int(WINDOW.total_seconds())
    return problem(
        429,
        f"Too many unknown tokens came from this address; correct the token and send it again in {seconds} seconds.",
        headers={"Retry-After": str(seconds)},
    )


class BodyLimit:
    """Ends the reading of a body at its largest size; the route that reads it answers 413.

    Files of other programs may be larger (`largest_file`): their routes keep no body in memory.
    """

    def __init__(self, app: ASGIApp, *, largest: int, largest_file: int) -> None:
        self._app, self._largest, self._largest_file = app, largest, largest_file

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on with a `receive` that counts."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        largest = self._largest_file if FILES.fullmatch(scope["path"]) else self._largest
        too_large = _is_more(Headers(scope=scope).get("content-length", ""), largest)
        size = 0

        async def counted() -> Message:
            nonlocal size
            if too_large:
                raise HTTPException(413)
            message = await receive()
            size += len(message.get("body", b""))
            if size > largest:
                raise HTTPException(413)
            return message

        await self._app(scope, counted, send)


def _is_more(announced: str, largest: int) -> bool:
    return announced.isdecimal() and (len(announced) > 18 or int(announced) > largest)
