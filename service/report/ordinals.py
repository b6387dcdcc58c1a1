"""Ordinal numbers as they are written within a sentence: 1st, 2nd, 3rd, 11th."""

from __future__ import annotations

from service.report.language import current_locale, gettext, marked

FORMS = {
    "one": marked("%(number)sst"),
    "two": marked("%(number)snd"),
    "few": marked("%(number)srd"),
    "other": marked("%(number)sth"),
}
"""By the form that the language's rules name; a language with fewer forms uses some of them only."""


def ordinal(number: int) -> str:
    """Return the number's place in an order: '3rd'."""
    form = FORMS.get(current_locale().ordinal_form(number), FORMS["other"])
    return gettext(form) % {"number": number}
