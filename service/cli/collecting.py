"""The `collect` commands, for a small machine on a site's own network; `run` may be left out."""

from __future__ import annotations

import json
import logging
import signal
from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING, Annotated

import typer
from typer.core import TyperGroup

from service.cli.plain import Failure, remark
from service.collect.kinds import KINDS

if TYPE_CHECKING:
    from service.collect.config import Config

UNWELL, NOT_RUNNING = 1, 2


class _RunByDefault(TyperGroup):
    """`collect CONFIG.toml` is `collect run CONFIG.toml`."""

    def parse_args(self, ctx: typer.Context, args: list[str]) -> list[str]:  # type: ignore[override]
        """Put the word in where it was left out."""
        if args and args[0] not in self.commands and args[0] not in ("--help", "-h"):
            args = ["run", *args]
        return super().parse_args(ctx, args)


app = typer.Typer(
    help="Read the devices on a site's own network and send what they say. `run` may be left out.",
    cls=_RunByDefault,
    no_args_is_help=True,
)

ConfigFile = Annotated[Path, typer.Argument(metavar="CONFIG.toml", dir_okay=False)]


@app.command()
def run(
    config: ConfigFile,
    once: Annotated[
        bool, typer.Option(help="Read every source once, send, and end: for a timer of the system.")
    ] = False,
) -> None:
    """Read and send until stopped. What is not acknowledged stays on the disk."""
    from service.collect.disk import OutboxError
    from service.collect.runner import collect, collect_once

    loaded = _loaded(config)
    logging.basicConfig(level=logging.WARNING, format="%(asctime)s %(levelname)s %(message)s")
    try:
        if once:
            raise typer.Exit(0 if collect_once(loaded) else UNWELL)
        collect(loaded, _until_stopped())
    except OutboxError as error:
        raise Failure(str(error)) from None


@app.command()
def status(
    config: ConfigFile,
    as_json: Annotated[bool, typer.Option("--json", help="Print for programs.")] = False,
) -> None:
    """Say how the collector stands: 0 if all is well, 1 if something needs somebody, 2 if it does not run."""
    from service.collect.disk import OutboxError
    from service.collect.status import lines, status_of

    try:
        found = status_of(_loaded(config))
    except OutboxError as error:
        raise Failure(str(error)) from None
    if found is None:
        raise Failure(
            "The collector has never run with this configuration; start it with `yieldproof collect`."
        )
    typer.echo(json.dumps(found.as_json(), indent=1) if as_json else "\n".join(lines(found)))
    raise typer.Exit(0 if found.is_well else UNWELL if found.running else NOT_RUNNING)


@app.command()
def check(config: ConfigFile) -> None:
    """Try the configuration: reach every source and the service once, and keep nothing."""
    from service.collect.checking import findings

    loaded = _loaded(config)
    well = True
    for good, said in findings(loaded):
        typer.echo(f"{'ok ' if good else 'no '} {said}")
        well &= good
    raise typer.Exit(0 if well else UNWELL)


@app.command()
def example(
    kinds: Annotated[
        list[str] | None, typer.Argument(metavar="[KIND]...", help=f"Of {', '.join(KINDS)}; all without any.")
    ] = None,
) -> None:
    """Print a configuration with every setting explained, to begin your own from."""
    from service.collect.example import example as text

    unknown = sorted(set(kinds or ()) - set(KINDS))
    if unknown:
        raise Failure(f"There is no kind {unknown[0]}; the kinds are {', '.join(KINDS)}.")
    typer.echo(text(kinds or ()), nl=False)


def _loaded(path: Path) -> Config:
    from service.collect.config import ConfigError, load

    try:
        return load(path)
    except ConfigError as error:
        raise Failure(str(error)) from None


def _until_stopped() -> Event:
    stop = Event()
    for sign in (signal.SIGTERM, signal.SIGINT):
        signal.signal(sign, lambda *_: stop.set())
    remark(
        "The collector runs; Ctrl+C stops it. `yieldproof collect status` with the same file says how it stands."
    )
    return stop
