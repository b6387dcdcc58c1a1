"""The `yieldproof` command. Each module holds a group of commands; none computes anything itself.

A command imports what only it needs when it runs: the physics' libraries take a second to load."""

from __future__ import annotations

import typer

from service.cli import accounts, collecting, imports, serving, verifying
from service.cli.plain import PlainErrors

app = typer.Typer(
    name="yieldproof",
    cls=PlainErrors,
    help="Proof, module by module, that a rooftop solar array makes what it should.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
app.command()(serving.demo)
app.command()(serving.serve)
app.command()(serving.worker)
app.command()(serving.migrate)
app.command()(verifying.verify)
app.add_typer(imports.app, name="import")
app.add_typer(collecting.app, name="collect")
app.add_typer(accounts.tokens, name="token")
app.add_typer(accounts.users, name="user")
