"""How commands speak: results on stdout, remarks and progress on stderr, an error as one sentence and exit code 1."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, TypeVar

import typer
from rich.console import Console
from rich.progress import track
from sqlalchemy import Engine
from sqlalchemy.exc import OperationalError
from typer.core import TyperGroup

from service.settings import Settings, SettingsError, load_settings
from service.store.accounts import AccountError
from service.store.database import make_engine
from service.store.migrate import is_current

T = TypeVar("T")


class Failure(Exception):  # noqa: N818 - what became of the command, not a fault of the program
    """A command cannot do what it was asked; the message says why and what to do."""


class PlainErrors(TyperGroup):
    """Turns expected errors of any command into one sentence without a traceback."""

    def invoke(self, ctx: Any) -> Any:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except (Failure, SettingsError, AccountError) as error:
            remark(str(error))
        except OperationalError as error:
            remark(f"The database does not answer: {_first_line(error)}")
        raise typer.Exit(1)


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
    engine = make_engine((settings or load_settings()).database_url)
    if not is_current(engine):
        raise Failure(
            f"The database at {engine.url} is not ready for this version; run `yieldproof migrate` first."
        )
    return engine


def _first_line(error: OperationalError) -> str:
    return str(error.orig).strip().partition("\n")[0]
