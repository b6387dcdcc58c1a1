"""How commands speak: results on stdout, remarks and progress on stderr, an error as one sentence and exit code 1."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any, TypeVar

import typer
from rich.console import Console
from rich.progress import track
from typer.core import TyperGroup

if TYPE_CHECKING:
    from sqlalchemy import Engine

    from service.settings import Settings

T = TypeVar("T")


class Failure(Exception):  # noqa: N818 - what became of the command, not a fault of the program
    """A command cannot do what it was asked; the message says why and what to do."""


class PlainErrors(TyperGroup):
    """Turns expected errors of any command into one sentence without a traceback."""

    def invoke(self, ctx: Any) -> Any:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except Exception as error:
            said = _said(error)
            if said is None:
                raise
        remark(said)
        raise typer.Exit(1)


def _said(error: Exception) -> str | None:
    """Return what is said of an error that is expected, None of one that is not."""
    if isinstance(error, Failure) or _is(error, "service.settings", "SettingsError"):
        return str(error)
    if _is(error, "service.store.accounts", "AccountError"):
        return str(error)
    if _is(error, "sqlalchemy.exc", "OperationalError"):
        return f"The database does not answer: {_first_line(error)}"
    return None


def _is(error: Exception, module: str, name: str) -> bool:
    """Return whether it is an error of a module: of one that is not loaded it cannot be."""
    loaded = sys.modules.get(module)
    return loaded is not None and isinstance(error, getattr(loaded, name))


def result() -> Console:
    """Return the console for results, as wide as the terminal, or wide enough for a file or a pipe."""
    console = Console(highlight=False, soft_wrap=False)
    return console if console.is_terminal else Console(highlight=False, width=max(console.width, 120))


def remark(sentence: str) -> None:
    """Say something that is not the result."""
    Console(stderr=True, highlight=False, soft_wrap=True).print(sentence, markup=False)


def progress(items: Iterable[T], *, total: int, doing: str) -> Iterator[T]:
    """Give the items with a progress bar on stderr, if there is more than one."""
    console = Console(stderr=True)
    return iter(track(items, doing, total=total, console=console, transient=True, disable=total < 2))


def open_database(settings: Settings | None = None) -> Engine:
    """Return the settings' database; Failure if it has another schema than this version needs."""
    from service.settings import load_settings
    from service.store.database import make_engine
    from service.store.migrate import is_current

    engine = make_engine((settings or load_settings()).database_url)
    if not is_current(engine):
        raise Failure(
            f"The database at {engine.url} is not ready for this version; run `yieldproof migrate` first."
        )
    return engine


def _first_line(error: Any) -> str:
    return str(error.orig).strip().partition("\n")[0]
