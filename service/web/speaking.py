"""Chooses the language of every request: as asked for in the address, as chosen before, as the browser prefers."""

from __future__ import annotations

from urllib.parse import parse_qs

from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.report.language import SOURCE, languages, preferred, speaking

COOKIE = "yieldproof_language"
PARAMETER = "lang"
FOR_PROGRAMS = ".csv"
"""Files with columns by which programs find their way: their names are the same for everybody."""

YEAR_S = 365 * 24 * 3600


class Speaking:
    """Lets the request's language apply to all that is made for it, and keeps a choice made with `?lang=`."""

    def __init__(self, app: ASGIApp, *, secure: bool) -> None:
        self._app, self._secure = app, secure

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on in its language."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        chosen = _asked_for(scope)

        async def send_with_choice(message: Message) -> None:
            if message["type"] == "http.response.start" and chosen:
                MutableHeaders(scope=message).append("Set-Cookie", self._cookie(chosen, scope))
            await send(message)

        with speaking(language_of(scope)):
            await self._app(scope, receive, send_with_choice)

    def _cookie(self, language: str, scope: Scope) -> str:
        secure = "; Secure" if self._secure or scope["scheme"] == "https" else ""
        return f"{COOKIE}={language}; Path=/; Max-Age={YEAR_S}; HttpOnly; SameSite=Lax{secure}"


def language_of(scope: Scope) -> str:
    """Return the language of a request: as asked for, as chosen before, or as the browser prefers."""
    if scope["path"].endswith(FOR_PROGRAMS):
        return SOURCE
    return _asked_for(scope) or _remembered_or_preferred(scope)


def _asked_for(scope: Scope) -> str | None:
    query = parse_qs(scope["query_string"].decode("latin-1"))
    asked = query.get(PARAMETER, [""])[-1]
    return asked if asked in languages() else None


def _remembered_or_preferred(scope: Scope) -> str:
    request = Request(scope)
    remembered = request.cookies.get(COOKIE, "")
    return remembered if remembered in languages() else preferred(request.headers.get("accept-language", ""))
