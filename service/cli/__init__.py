"""The `yieldproof` command. Each module holds a group of commands; none computes anything itself.

A command is loaded when it is called, and imports what only it needs when it runs: the physics' libraries take a
second to load, and a collector on a small machine needs neither those nor the database's."""

from __future__ import annotations

from importlib import import_module
from typing import Any

import typer
from typer.main import get_command, get_group

from service.cli.plain import PlainErrors

COMMANDS = {
    "demo": "serving.demo",
    "serve": "serving.serve",
    "worker": "serving.worker",
    "migrate": "serving.migrate",
    "verify": "verifying.verify",
    "import": "imports.app",
    "collect": "collecting.app",
    "token": "accounts.tokens",
    "user": "accounts.users",
}
"""Where each command or group of commands is."""


class _LoadedWhenCalled(PlainErrors):
    @property  # type: ignore[override]
    def commands(self) -> dict[str, Any]:
        """Return all commands, for those who ask for the whole list."""
        return {name: _command(name) for name in COMMANDS}

    @commands.setter
    def commands(self, _: Any) -> None:
        """Take none: they are in the table."""

    def list_commands(self, ctx: Any) -> list[str]:  # noqa: ARG002 - the library's form
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:  # noqa: ARG002 - the library's form
        return _command(cmd_name) if cmd_name in COMMANDS else None


def _command(name: str) -> Any:
    module, _, part = COMMANDS[name].partition(".")
    found = getattr(import_module(f"{__name__}.{module}"), part)
    if isinstance(found, typer.Typer):
        command: Any = get_group(found)
    else:
        alone = typer.Typer(add_completion=False)
        alone.command()(found)
        command = get_command(alone)
    command.name = name
    return command


app = typer.Typer(
    name="yieldproof",
    cls=_LoadedWhenCalled,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


@app.callback()
def _yieldproof() -> None:
    """Proof, module by module, that a rooftop solar array makes what it should."""
