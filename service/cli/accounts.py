"""The commands for those who may come in: `token` for programs, `user` for people."""

from __future__ import annotations

from typing import Annotated

import typer
from sqlmodel import Session

from service.cli.plain import Failure, open_database, remark
from service.report.deeds import COMMAND_LINE
from service.settings import load_settings
from service.store import accounts, assignments, password_links, people
from service.store.database import reading, writing
from service.store.tables import ApiToken, User

tokens = typer.Typer(help="API tokens for programs.", no_args_is_help=True)
users = typer.Typer(help="Accounts for people.", no_args_is_help=True)

TokenName = Annotated[str, typer.Option("--name", help="What the token is for.")]
UserName = Annotated[str, typer.Option("--name", help="The name to sign in with.")]
Role = Annotated[str, typer.Option(help="office or installer.")]
SiteId = Annotated[str, typer.Option("--site", help="The site's id.")]
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
def create_token(
    name: TokenName,
    site: Annotated[
        str | None, typer.Option(help="The id of the one site that it is for; else for all.")
    ] = None,
    read_only: Annotated[bool, typer.Option("--read-only", help="It may read and change nothing.")] = False,
) -> None:
    """Print a new token, once: only its digest is kept."""
    with writing(open_database()) as session:
        token = people.make_token(session, COMMAND_LINE, name, site_id=site, read_only=read_only)
    remark(f"Token {name!r}, to be sent as `Authorization: Bearer …`. It cannot be shown again:")
    typer.echo(token)


@tokens.command("list")
def list_tokens() -> None:
    """List the tokens that are valid: when made, what for, what they open, when last used."""
    with reading(open_database()) as session:
        for token in accounts.valid_tokens(session):
            typer.echo(f"{token.created_at:%Y-%m-%d}  {token.name}  ({_reach(token)}, {_use(token)})")


def _reach(token: ApiToken) -> str:
    place = f"site {token.site_id}" if token.site_id else "all sites"
    return f"{place}, read only" if token.read_only else f"{place}, read and write"


def _use(token: ApiToken) -> str:
    return f"last used {token.last_used_at:%Y-%m-%d %H:%M} UTC" if token.last_used_at else "never used"


@tokens.command("revoke")
def revoke_token(name: TokenName) -> None:
    """End every token of that name, at once."""
    with writing(open_database()) as session:
        ended = [token for token in accounts.valid_tokens(session) if token.name == name]
        for token in ended:
            people.revoke_token(session, COMMAND_LINE, token)
    if not ended:
        raise Failure(
            f"There is no valid token named {name!r}; `yieldproof token list` shows those there are."
        )
    remark(f"{len(ended)} token{'s' if len(ended) > 1 else ''} named {name!r} ended.")


@users.command("create")
def create_user(name: UserName, password: Password, role: Role = "office") -> None:
    """Make an account."""
    with writing(open_database()) as session:
        user = people.make(session, COMMAND_LINE, name, password, role)
    remark(f"{user.name} can sign in as {user.role}.")


@users.command("invite")
def invite(
    name: UserName,
    role: Role = "installer",
    site: Annotated[
        list[str] | None, typer.Option(help="The id of a site of an installer; may be repeated.")
    ] = None,
) -> None:
    """Make an account and print a link, once, by which its holder chooses the password."""
    with writing(open_database()) as session:
        _, token = people.invite(session, COMMAND_LINE, name, role, site or ())
    _print_link(token, f"{name} is invited as {role}.")


@users.command("link")
def link(name: UserName) -> None:
    """Print a link, once, by which its holder sets a new password; an earlier link ends."""
    with writing(open_database()) as session:
        token = people.give_link(session, COMMAND_LINE, _named(session, name))
    _print_link(token, f"The password of {name} stays until the link is used.")


def _print_link(token: str, remarked: str) -> None:
    remark(
        f"{remarked} The link is good once, for {password_links.LASTS.days} days, and cannot be shown again:"
    )
    typer.echo(f"{load_settings().base_url.rstrip('/')}/password/{token}")


@users.command("password")
def change_password(name: UserName, password: Password) -> None:
    """Give an account another password, which ends its sessions."""
    with writing(open_database()) as session:
        people.set_password(session, COMMAND_LINE, _named(session, name), password)
    remark(f"{name} has the new password.")


@users.command("role")
def change_role(name: UserName, role: Annotated[str, typer.Option(help="office or installer.")]) -> None:
    """Make somebody of the office an installer, or the other way round."""
    with writing(open_database()) as session:
        people.set_role(session, COMMAND_LINE, _named(session, name), role)
    remark(f"{name} is {role} now.")


@users.command("disable")
def disable(name: UserName) -> None:
    """Let an account sign in no more, and end its sessions."""
    with writing(open_database()) as session:
        people.disable(session, COMMAND_LINE, _named(session, name))
    remark(f"{name} can sign in no more.")


@users.command("enable")
def enable(name: UserName) -> None:
    """Let a disabled account sign in again."""
    with writing(open_database()) as session:
        people.enable(session, COMMAND_LINE, _named(session, name))
    remark(f"{name} can sign in again.")


@users.command("assign")
def assign(name: UserName, site: SiteId) -> None:
    """Let an installer see a site."""
    with writing(open_database()) as session:
        people.assign(session, COMMAND_LINE, site, _named(session, name))
    remark(f"{name} sees the site {site}.")


@users.command("unassign")
def unassign(name: UserName, site: SiteId) -> None:
    """Hide a site from an installer."""
    with writing(open_database()) as session:
        people.take_away(session, COMMAND_LINE, site, _named(session, name))
    remark(f"{name} sees the site {site} no more.")


@users.command("list")
def list_users() -> None:
    """List the accounts by name, with their role and, of installers, their sites' ids."""
    with reading(open_database()) as session:
        for user in accounts.everybody(session):
            own = " ".join(site.id for site in assignments.sites_of(session, user))
            typer.echo(f"{user.name}  ({_state(user)})" + (f"  {own}" if own else ""))


def _state(user: User) -> str:
    if user.disabled_at is not None:
        return f"{user.role}, disabled"
    return user.role if user.password_hash else f"{user.role}, has no password yet"


def _named(session: Session, name: str) -> User:
    user = accounts.named(session, name)
    if user is None:
        raise Failure(f"There is no account named {name!r}; `yieldproof user list` shows those there are.")
    return user
