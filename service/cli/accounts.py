"""The commands for those who may come in: `token` for programs, `user` for people."""

from __future__ import annotations

from typing import Annotated

import typer
from sqlmodel import col, select

from service.cli.plain import Failure, open_database, remark
from service.store import accounts
from service.store.database import reading, writing
from service.store.tables import User

tokens = typer.Typer(help="API tokens for programs.", no_args_is_help=True)
users = typer.Typer(help="Accounts for people.", no_args_is_help=True)

TokenName = Annotated[str, typer.Option("--name", help="What the token is for.")]
UserName = Annotated[str, typer.Option("--name", help="The name to sign in with.")]
Password = Annotated[
    str,
    typer.Option(
        prompt=True,
        confirmation_prompt=True,
        hide_input=True,
        envvar="YIELDPROOF_USER_PASSWORD",
        help="At least 10 characters. Better typed at the prompt: other users can see a command's words.",
    ),
]


@tokens.command("create")
def create_token(name: TokenName) -> None:
    """Print a new token, once: only its digest is kept."""
    with writing(open_database()) as session:
        token = accounts.create_token(session, name)
    remark(f"Token {name!r}, to be sent as `Authorization: Bearer …`. It cannot be shown again:")
    typer.echo(token)


@tokens.command("list")
def list_tokens() -> None:
    """List the tokens that are valid: when made, and what for."""
    with reading(open_database()) as session:
        for token in accounts.valid_tokens(session):
            typer.echo(f"{token.created_at:%Y-%m-%d}  {token.name}")


@tokens.command("revoke")
def revoke_token(name: TokenName) -> None:
    """End every token of that name, at once."""
    with writing(open_database()) as session:
        ended = accounts.revoke_tokens(session, name)
    if not ended:
        raise Failure(
            f"There is no valid token named {name!r}; `yieldproof token list` shows those there are."
        )
    remark(f"{ended} token{'s' if ended > 1 else ''} named {name!r} ended.")


@users.command("create")
def create_user(
    name: UserName,
    password: Password,
    role: Annotated[str, typer.Option(help="office or installer.")] = "office",
) -> None:
    """Make an account."""
    with writing(open_database()) as session:
        user = accounts.create_user(session, name, password, role)
    remark(f"{user.name} can sign in as {user.role}.")


@users.command("password")
def change_password(name: UserName, password: Password) -> None:
    """Give an account another password."""
    with writing(open_database()) as session:
        user = session.exec(select(User).where(col(User.name) == name)).first()
        if user is None:
            raise Failure(
                f"There is no account named {name!r}; `yieldproof user list` shows those there are."
            )
        accounts.set_password(session, user, password)
    remark(f"{name} has the new password.")


@users.command("list")
def list_users() -> None:
    """List the accounts by name, with their role."""
    with reading(open_database()) as session:
        for user in session.exec(select(User).order_by(col(User.name))):
            typer.echo(f"{user.name}  ({user.role})")
