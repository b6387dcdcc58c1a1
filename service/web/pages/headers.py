"""What goes out with every page: a strict content-security policy, and caching of our own files.

The API's answers and the probes are left as they are.
"""

from __future__ import annotations

from starlette.datastructures import MutableHeaders
from starlette.responses import Response
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.web.pages.render import STATIC_DIR, static_digest

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    # With "no-referrer" a browser sends "Origin: null" with our own forms, which then cannot be told from others'.
    "Referrer-Policy": "same-origin",
    "Cache-Control": "private, no-cache",
}
MACHINE_PATHS = frozenset({"/healthz", "/readyz", "/metrics", "/openapi.json"})
YEAR_S = 365 * 24 * 3600


def is_page(path: str) -> bool:
    """Return whether people read what is at the path."""
    return path not in MACHINE_PATHS and path != "/api" and not path.startswith("/api/")


class PageHeaders:
    """Adds the headers to every page that does not set its own."""

    def __init__(self, app: ASGIApp, *, only_https: bool) -> None:
        self._app = app
        transport = {"Strict-Transport-Security": f"max-age={YEAR_S}"} if only_https else {}
        self._headers = {**HEADERS, **transport}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, and the answer with headers."""
        if scope["type"] != "http" or not is_page(scope["path"]):
            await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in self._headers.items():
                    headers.setdefault(name, value)
            await send(message)

        await self._app(scope, receive, send_with_headers)


class OwnFiles(StaticFiles):
    """Our style sheet and marks; an address with the file's digest may be kept for ever."""

    def __init__(self) -> None:
        super().__init__(directory=STATIC_DIR)

    async def get_response(self, path: str, scope: Scope) -> Response:
        """Return the file with how long it may be kept."""
        response = await super().get_response(path, scope)
        if response.status_code in (200, 304):
            exact = f"v={static_digest(path)}" == scope["query_string"].decode("latin-1")
            lasting = f"public, max-age={YEAR_S}, immutable"
            response.headers["Cache-Control"] = lasting if exact else "public, max-age=300"
        return response
