"""The links in the foot of every page that show it in another language. They work without script."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import parse_qsl, urlencode

from babel import Locale
from fastapi import Request

from service.report.language import current_language, languages
from service.web.speaking import PARAMETER


@dataclass(frozen=True)
class LanguageLink:
    """A language by its own name, and the address of this page in it."""

    code: str
    name: str
    href: str
    chosen: bool


def language_links(request: Request, *, keep_query: bool = True) -> list[LanguageLink]:
    """Return a link for each language that there is, with the rest of the address as it was or without it."""
    return [_link(code, request.url.query if keep_query else "") for code in languages()]


def _link(code: str, query: str) -> LanguageLink:
    asked = parse_qsl(query, keep_blank_values=True)
    kept = [(name, value) for name, value in asked if name != PARAMETER]
    name = Locale.parse(code, sep="-").get_display_name() or code
    return LanguageLink(
        code,
        name[:1].upper() + name[1:],
        f"?{urlencode([*kept, (PARAMETER, code)])}",
        code == current_language(),
    )
