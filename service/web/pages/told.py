"""What is wrong with an input, as intake tells it in English, in the reader's language."""

from __future__ import annotations

from service.intake.problems import FieldError, Told
from service.report.language import gettext


def in_words(message: str) -> str:
    """Return a message in the reader's language, with the messages in it; one without a template as it is."""
    if not isinstance(message, Told):
        return gettext(message)
    values = {name: in_words(v) if isinstance(v, Told) else v for name, v in message.values.items()}
    return gettext(message.template).format(**values)


def with_field(error: FieldError) -> str:
    """Return the field and what is wrong with it."""
    return f"{error.field} {in_words(error.message)}".strip()
