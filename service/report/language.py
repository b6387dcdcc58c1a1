"""The language that a reader reads: which there are, which one applies now, and the texts in it.

English is the text itself; every other language is one file, `languages/CODE.po`. For all that people read on pages,
charts and papers; not for the API's fields and names, which are the same everywhere.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import lru_cache
from gettext import GNUTranslations, NullTranslations
from io import BytesIO
from pathlib import Path

from babel import Locale, negotiate_locale
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po

FOLDER = Path(__file__).parent / "languages"
SOURCE = "en"

Forms = tuple[str, str]
"""A text for one and for many, in English."""

_current: ContextVar[str] = ContextVar("language", default=SOURCE)


@lru_cache
def languages() -> tuple[str, ...]:
    """Return the codes of the languages that there are, English first."""
    return (SOURCE, *sorted(path.stem for path in FOLDER.glob("*.po")))


def current_language() -> str:
    """Return the code of the language that applies now."""
    return _current.get()


def current_locale() -> Locale:
    """Return the language that applies now with its dates and numbers."""
    return _locale(_current.get())


@contextmanager
def speaking(language: str) -> Iterator[None]:
    """Let a language apply within the block; one that there is not is English."""
    token = _current.set(language if language in languages() else SOURCE)
    try:
        yield
    finally:
        _current.reset(token)


def preferred(accept_language: str) -> str:
    """Return the language to use for the header that a browser sends."""
    wanted = sorted(_weighed(accept_language), key=lambda pair: -pair[0])
    return negotiate_locale([code for _, code in wanted], languages(), sep="-") or SOURCE


def gettext(message: str) -> str:
    """Return the text in the language that applies now."""
    return _texts(_current.get()).gettext(message)


def ngettext(one: str, many: str, number: int) -> str:
    """Return the text for so many; `%(num)d` in it is left to the caller."""
    return _texts(_current.get()).ngettext(one, many, number)


def pgettext(context: str, message: str) -> str:
    """Return the text in the sense that the context tells."""
    return _texts(_current.get()).pgettext(context, message)


def npgettext(context: str, one: str, many: str, number: int) -> str:
    """Return the text for so many in the sense that the context tells."""
    return _texts(_current.get()).npgettext(context, one, many, number)


def marked(message: str) -> str:
    """Return the text as it is: it is only marked, to be translated where it is shown."""
    return message


def pmarked(context: str, message: str) -> str:  # noqa: ARG001 - the extraction reads the context
    """Return the text as it is: it is only marked, to be translated in this sense where it is shown."""
    return message


def nmarked(one: str, many: str) -> Forms:
    """Return both forms as they are: they are only marked, to be given to `ngettext` where they are shown."""
    return one, many


@lru_cache
def _locale(language: str) -> Locale:
    return Locale.parse(language)


@lru_cache
def _texts(language: str) -> NullTranslations:
    if language == SOURCE:
        return NullTranslations()
    with (FOLDER / f"{language}.po").open("rb") as file:
        catalog = read_po(file, locale=language)
    compiled = BytesIO()
    write_mo(compiled, catalog)
    compiled.seek(0)
    return GNUTranslations(compiled)


def _weighed(header: str) -> Iterator[tuple[float, str]]:
    for part in header[:1000].split(","):
        code, _, weight = part.strip().partition(";q=")
        try:
            yield (float(weight) if weight else 1.0), code.strip()
        except ValueError:
            continue
