"""Templates to HTML: one environment for all pages, everything escaped, an undefined name an error.

Holds no words and no decisions; what a page says comes from the views.
"""

from __future__ import annotations

import hashlib
from functools import lru_cache
from pathlib import Path
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from service.paths import templates_dir
from service.report import language, words
from service.report.cautions import cautions
from service.report.marks import SCALE_TICKS, scale_x
from service.web.pages.addresses import path_segment
from service.web.pages.languages import language_links
from service.web.pages.owner_bars import WIDTH
from service.web.pages.told import in_words

STATIC_DIR = Path(__file__).parent.parent / "static"


@lru_cache
def environment() -> Environment:
    """Return the environment that all pages share."""
    made = Environment(
        loader=FileSystemLoader(templates_dir()),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=["jinja2.ext.i18n"],
    )
    _speak(made)
    made.filters.update(path=path_segment, in_words=in_words)
    made.globals.update(static_url=static_url, scale_x=scale_x, scale_ticks=SCALE_TICKS, bar_width=WIDTH)
    made.globals.update(cautions=cautions)
    return made


def _speak(made: Environment) -> None:
    """Let `_`, `ngettext` and `{% trans %}` say every text in the language that applies when the page is made."""
    made.install_gettext_callables(  # type: ignore[attr-defined] # the extension adds it
        language.gettext,
        language.ngettext,
        newstyle=True,
        pgettext=language.pgettext,
        npgettext=language.npgettext,
    )
    made.policies["ext.i18n.trimmed"] = True
    made.globals.update(language=language.current_language, number=words.number)


def page(request: Request, template: str, *, status: int = 200, **context: Any) -> HTMLResponse:
    """Return a page; `user` is whoever is signed in, or None."""
    known = {"user": getattr(request.state, "user", None), "in_languages": language_links(request), **context}
    return HTMLResponse(environment().get_template(template).render(known), status)


@lru_cache
def static_url(name: str) -> str:
    """Return the address of a file of ours, with its digest so that a new version is fetched anew."""
    return f"/static/{name}?v={static_digest(name)}"


@lru_cache
def static_digest(name: str) -> str:
    """Return a short digest of a file's content."""
    return hashlib.sha256((STATIC_DIR / name).read_bytes()).hexdigest()[:12]
