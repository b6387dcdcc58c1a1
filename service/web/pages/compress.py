"""Compression of what goes over weak signals, and of nothing else.

The size of a compressed answer tells of its content to who can listen and has some of the content chosen (the BREACH
attack, CVE-2013-3587). So only these are compressed: our own files, charts, and the pages for the roof, which hold no
link, token or password and repeat nothing from their address.
"""

from __future__ import annotations

import re

from starlette.middleware.gzip import GZipMiddleware
from starlette.types import ASGIApp, Receive, Scope, Send

COMPRESSED = re.compile(r"/static/.+|/sites/[^/]+/(van|job-sheet|chart/.+\.svg)")
SMALLEST_BYTES = 600
LEVEL = 6


class Compress:
    """Sends those answers gzipped to whoever takes it."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app
        self._compressing = GZipMiddleware(app, minimum_size=SMALLEST_BYTES, compresslevel=LEVEL)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, through the compression if its path is one of those."""
        compressed = scope["type"] == "http" and COMPRESSED.fullmatch(scope["path"]) is not None
        await (self._compressing if compressed else self._app)(scope, receive, send)
