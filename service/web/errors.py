"""Errors as `application/problem+json` (RFC 9457), with one entry per bad field. Repeats nothing of the input."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel
from starlette.exceptions import HTTPException

from service.intake.accept import NoSuchCorrection, RecordMoved
from service.intake.parse import UnknownFormat
from service.intake.problems import FieldError, Refused, field_errors
from service.intake.take import NoSuchSite

PROBLEM_TYPE = "application/problem+json"


class BadField(BaseModel):
    """One bad field and what to do about it; `field` is empty where the whole is meant."""

    field: str
    message: str


class Problem(BaseModel):
    """What went wrong."""

    type: str
    title: str
    status: int
    detail: str
    errors: list[BadField]


DETAILS = {
    400: "The request could not be read; check its body.",
    404: "There is nothing at this address; check the path and the id.",
    405: "This address exists but not with this method; see /openapi.json.",
    413: "The body is too large; send it in several parts.",
    500: "Something went wrong on our side; nothing was changed. Try again, and tell the operator if it stays.",
}
INVALID = "The input was refused and nothing was kept; correct the fields listed in errors."


def problem(
    status: int,
    detail: str | None = None,
    errors: Sequence[FieldError] = (),
    headers: Mapping[str, str] | None = None,
    further: Mapping[str, Any] | None = None,
) -> JSONResponse:
    """Return the problem as an answer, with further members of its own (RFC 9457, 3.2)."""
    title = HTTPStatus(status).phrase
    body = {
        **(further or {}),
        "type": "about:blank",
        "title": title,
        "status": status,
        "detail": detail or DETAILS.get(status, title),
        "errors": [{"field": e.field, "message": e.message} for e in errors],
    }
    return JSONResponse(body, status, dict(headers or {}), media_type=PROBLEM_TYPE)


class Failed(Exception):  # noqa: N818 - the request failed, not the program
    """Ends a request with a problem that is about no field."""

    def __init__(self, status: int, detail: str) -> None:
        self.status, self.detail = status, detail
        super().__init__(detail)


def install(app: FastAPI) -> None:
    """Let every error be answered as a problem."""
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(Refused, _refused)
    app.add_exception_handler(UnknownFormat, _unknown_format)
    app.add_exception_handler(NoSuchSite, _no_such_site)
    app.add_exception_handler(NoSuchCorrection, _no_such_correction)
    app.add_exception_handler(RecordMoved, _record_moved)
    app.add_exception_handler(Failed, _failed)
    app.add_exception_handler(Exception, _broken)


def _http(_: Request, error: Any) -> JSONResponse:
    return problem(error.status_code, headers=error.headers)


def _invalid(_: Request, error: Any) -> JSONResponse:
    # The first part of the place says whether it was in the body, the query or the path.
    errors = [{**e, "loc": e["loc"][1:]} for e in error.errors()]
    return problem(422, INVALID, field_errors(errors))


def _refused(_: Request, error: Any) -> JSONResponse:
    return problem(422, INVALID, error.errors)


def _unknown_format(_: Request, error: Any) -> JSONResponse:
    return problem(415, f"The content type must be {' or '.join(error.known)}; set the header Content-Type.")


def _no_such_site(_: Request, __: Exception) -> JSONResponse:
    return problem(404, "There is no site of that id; GET /api/v1/sites lists them.")


def _no_such_correction(_: Request, __: Exception) -> JSONResponse:
    return problem(
        404, "There is no correction of that number; GET /api/v1/sites/{id}/corrections lists them."
    )


def _record_moved(_: Request, error: Exception) -> JSONResponse:
    return problem(409, str(error))


def _failed(_: Request, error: Any) -> JSONResponse:
    return problem(error.status, error.detail)


def _broken(_: Request, __: Exception) -> JSONResponse:
    return problem(500)
