"""Errors as pages: what happened and what to do now. The API's errors stay with the API's own handlers."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Any
from urllib.parse import quote

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import PlainTextResponse, RedirectResponse, Response
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from service.report.language import gettext, marked, speaking
from service.web.pages.headers import HEADERS, is_page
from service.web.pages.render import page
from service.web.session import CrossSite, SignInNeeded
from service.web.speaking import language_of

Handler = Callable[[Request, Any], Any]

WORDS = {
    403: (
        marked("This is not open to you"),
        marked("Your account may see this site but not change this. Ask the office."),
    ),
    404: (
        marked("There is nothing here"),
        marked("The address is wrong, or what was here has been taken away."),
    ),
    405: (
        marked("That does not work here"),
        marked("The address exists, but it cannot be used in this way."),
    ),
    413: (marked("That is too large"), marked("Send it in several parts.")),
    422: (
        marked("The address holds something that cannot be"),
        marked("Correct the address, or start again from the list."),
    ),
    500: (
        marked("Something went wrong on our side"),
        marked("Nothing was changed. Try again in a minute; if it stays, tell whoever runs this service."),
    ),
}
CROSS_SITE_WORDS = (
    marked("This form came from elsewhere"),
    marked(
        "Open the page here and send the form from it. If that is what you did, YIELDPROOF_BASE_URL on the server must "
        "be set to the address that your browser shows."
    ),
)
log = logging.getLogger(__name__)


def install_errors(app: FastAPI) -> None:
    """Give the pages their own errors, and pass all others on to the handlers that were there before."""
    app.add_exception_handler(SignInNeeded, _to_sign_in)
    app.add_exception_handler(CrossSite, _cross_site)
    for kind, handler in (
        (HTTPException, _http_error),
        (RequestValidationError, _invalid),
        (Exception, _failed),
    ):
        earlier = app.exception_handlers.get(kind)
        app.add_exception_handler(kind, _pages_or(handler, earlier))


def _pages_or(handler: Handler, earlier: Handler | None) -> Handler:
    async def handle(request: Request, error: Exception) -> Response:
        if is_page(request.url.path):
            return await run_in_threadpool(handler, request, error)
        if earlier is None:
            return PlainTextResponse("Internal Server Error", 500)
        answer = earlier(request, error)
        made: Response = await answer if hasattr(answer, "__await__") else answer
        return made

    return handle


def _to_sign_in(_: Request, error: Exception) -> Response:
    target = error.target if isinstance(error, SignInNeeded) else "/"
    return RedirectResponse(f"/sign-in?next={quote(target, safe='')}" if target != "/" else "/sign-in", 303)


def _cross_site(request: Request, _: Exception) -> Response:
    return _error_page(request, 403, CROSS_SITE_WORDS)


def _http_error(request: Request, error: HTTPException) -> Response:
    fallback = WORDS[500] if error.status_code >= 500 else WORDS[404]
    response = _error_page(request, error.status_code, WORDS.get(error.status_code, fallback))
    response.headers.update(error.headers or {})
    return response


def _invalid(request: Request, _: RequestValidationError) -> Response:
    return _error_page(request, 422, WORDS[422])


def _failed(request: Request, _: Exception) -> Response:
    # The server logs the error itself; this answer passes by the middleware, so it brings its headers along
    # and its language.
    with speaking(language_of(request.scope)):
        response = _error_page(request, 500, WORDS[500])
    response.headers.update(HEADERS)
    return response


def _error_page(request: Request, status: int, words: tuple[str, str]) -> Response:
    return page(
        request, "shared/error.html", status=status, heading=gettext(words[0]), remedy=gettext(words[1])
    )
