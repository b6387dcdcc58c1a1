"""Telephone numbers and e-mail addresses: what can be dialled and written to. Nobody is asked whether it exists."""

from __future__ import annotations

import re

from email_validator import EmailNotValidError, validate_email
from pydantic_core import PydanticCustomError

from service.intake.problems import told

PHONE = re.compile(r"\+?[0-9 ()/.\-\u2010-\u2013]+")
LEAST_DIGITS, MOST_DIGITS = 3, 15
"""ITU-T E.164 allows 15 digits; emergency and short numbers have three."""


def phone(text: str) -> str:
    """Return the number as it is written; a PydanticCustomError says what cannot be dialled."""
    digits = sum(c.isdigit() for c in text)
    if not PHONE.fullmatch(text) or not LEAST_DIGITS <= digits <= MOST_DIGITS:
        raise _wrong(told("must be a telephone number of 3 to 15 digits, such as +44 1632 960 123"))
    return text


def email(text: str) -> str:
    """Return the address; a PydanticCustomError says that it is none."""
    try:
        return validate_email(text, check_deliverability=False).normalized
    except EmailNotValidError:
        raise _wrong(told("must be an e-mail address, such as roofs@firm.example")) from None


def dialled(text: str) -> str:
    """Return what a telephone dials for a number as it is written (RFC 3966, without its separators)."""
    return "".join(c for c in text if c.isdigit() or c == "+")


def _wrong(text: str) -> PydanticCustomError:
    return PydanticCustomError("record", "{text}", {"text": text})
