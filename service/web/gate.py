"""What every request passes before its route: the API's token, and the limit on a body's size."""

from __future__ import annotations

from fastapi import HTTPException
from sqlalchemy import Engine
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.store.accounts import token_is_valid
from service.store.database import reading
from service.web.errors import problem

API = "/api"


class TokenGate:
    """Lets nobody without a valid token to any path of the API, whether there is something or not."""

    def __init__(self, app: ASGIApp, *, engine: Engine) -> None:
        self._app, self._engine = app, engine

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on or answer 401."""
        if scope["type"] != "http" or not _is_api(scope["path"]):
            await self._app(scope, receive, send)
            return
        kind, _, token = Headers(scope=scope).get("authorization", "").partition(" ")
        given = kind.lower() == "bearer" and bool(token.strip())
        if given and await run_in_threadpool(self._is_valid, token.strip()):
            await self._app(scope, receive, send)
        else:
            await _refusal(given=given)(scope, receive, send)

    def _is_valid(self, token: str) -> bool:
        with reading(self._engine) as session:
            return token_is_valid(session, token)


def _is_api(path: str) -> bool:
    return path == API or path.startswith(f"{API}/")


def _refusal(*, given: bool) -> ASGIApp:
    detail = "The token is unknown or was revoked" if given else "This path needs a token"
    challenge = 'Bearer realm="yieldproof"' + (', error="invalid_token"' if given else "")
    return problem(
        401,
        f"{detail}; send the header Authorization: Bearer TOKEN with one that the operator made.",
        headers={"WWW-Authenticate": challenge},
    )


class BodyLimit:
    """Ends the reading of a body at its largest size; the route that reads it answers 413."""

    def __init__(self, app: ASGIApp, *, largest: int) -> None:
        self._app, self._largest = app, largest

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on with a `receive` that counts."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        too_large = self._is_too_large(Headers(scope=scope).get("content-length", ""))
        size = 0

        async def counted() -> Message:
            nonlocal size
            if too_large:
                raise HTTPException(413)
            message = await receive()
            size += len(message.get("body", b""))
            if size > self._largest:
                raise HTTPException(413)
            return message

        await self._app(scope, counted, send)

    def _is_too_large(self, announced: str) -> bool:
        return announced.isdecimal() and (len(announced) > 18 or int(announced) > self._largest)
