"""Forms as they are sent: every field by its name, and a file if there is one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, Request
from starlette.datastructures import UploadFile

MOST_FIELDS = 50_000
"""A plan has two fields a cell."""


@dataclass(frozen=True)
class Sent:
    """A form's fields (of several of one name the last) and its file."""

    fields: dict[str, str]
    file: bytes = b""


async def sent_form(request: Request) -> Sent:
    """Return the form of the request."""
    async with request.form(max_files=1, max_fields=MOST_FIELDS) as form:
        fields = {name: value for name, value in form.multi_items() if isinstance(value, str)}
        files = [value for _, value in form.multi_items() if isinstance(value, UploadFile)]
        return Sent(fields, await files[0].read() if files else b"")


SentForm = Annotated[Sent, Depends(sent_form)]
