"""What is done with accounts, assignments and tokens, each noted on the audit list in the same transaction.

By pages and commands alike; `by` is who does it, as the audit list names them. What may be is for `accounts` to say.
"""

from __future__ import annotations

from collections.abc import Iterable

from sqlmodel import Session

from service.store import accounts, assignments, password_links, sites
from service.store.accounts import AccountError
from service.store.audit import note
from service.store.tables import ApiToken, Site, User


def make(session: Session, by: str, name: str, password: str, role: str) -> User:
    """Make an account with a password."""
    user = accounts.create_user(session, name, password, role)
    note(session, by, "account.made", name=user.name, role=role)
    return user


def invite(session: Session, by: str, name: str, role: str, site_ids: Iterable[str] = ()) -> tuple[User, str]:
    """Make an account without a password, for an installer with sites; return it and the token of its link."""
    user = accounts.create_without_password(session, name, role)
    note(session, by, "account.invited", name=user.name, role=role)
    for site_id in site_ids:
        assign(session, by, site_id, user)
    return user, password_links.make(session, user)


def give_link(session: Session, by: str, user: User) -> str:
    """Return the token of a new link by which the account's password can be set; the old password stays until then."""
    token = password_links.make(session, user)
    note(session, by, "account.link_made", name=user.name)
    return token


def follow_link(session: Session, token: str, password: str) -> User | None:
    """Set the password by a link; return the account, None if the link is not good any more."""
    user = password_links.holder(session, token)
    is_new = user is not None and not user.password_hash
    user = password_links.use(session, token, password)
    if user is not None:
        note(session, user.name, "account.joined" if is_new else "account.password_set")
    return user


def set_password(session: Session, by: str, user: User, password: str) -> None:
    """Set the password for somebody."""
    accounts.set_password(session, user, password)
    note(session, by, "account.password_changed", name=user.name)


def change_own_password(session: Session, user: User, old: str, new: str) -> None:
    """Change the password of whoever knows the old one."""
    accounts.change_password(session, user, old, new)
    note(session, user.name, "account.password_changed", name=user.name)


def sign_out_everywhere(session: Session, user: User) -> None:
    """End all sessions of the account."""
    accounts.end_sessions(session, user)
    note(session, user.name, "account.signed_out")


def set_role(session: Session, by: str, user: User, role: str) -> None:
    """Change the role; the office sees every site and needs none assigned."""
    if user.role == role:
        return
    accounts.set_role(session, user, role)
    if role == "office":
        assignments.take_all_away(session, user)
    note(session, by, "account.role", name=user.name, role=role)


def disable(session: Session, by: str, user: User) -> None:
    """Shut the account, and its link with it."""
    accounts.disable(session, user)
    password_links.end(session, user)
    note(session, by, "account.disabled", name=user.name)


def enable(session: Session, by: str, user: User) -> None:
    """Open the account again."""
    accounts.enable(session, user)
    note(session, by, "account.enabled", name=user.name)


def assign(session: Session, by: str, site_id: str, user: User) -> None:
    """Let an installer see a site; again is no fault."""
    site = _site(session, site_id)
    if user.role == "office":
        raise AccountError("%(name)s is of the office and sees every site as it is.", name=user.name)
    if assignments.assign(session, site_id, user):
        note(session, by, "assignment.made", site_id=site_id, site=site.name, name=user.name)


def take_away(session: Session, by: str, site_id: str, user: User) -> None:
    """Hide a site from an installer; again is no fault."""
    site = _site(session, site_id)
    if assignments.take_away(session, site_id, user):
        note(session, by, "assignment.ended", site_id=site_id, site=site.name, name=user.name)


def make_token(session: Session, by: str, name: str, *, site_id: str | None, read_only: bool) -> str:
    """Return a new API token, to be shown once."""
    token = accounts.create_token(session, name, site_id=site_id, read_only=read_only)
    reach = f"{'site' if site_id else 'all'}, {'read only' if read_only else 'read and write'}"
    note(session, by, "token.made", site_id=site_id, name=name.strip(), reach=reach)
    return token


def revoke_token(session: Session, by: str, token: ApiToken) -> None:
    """End a token."""
    accounts.revoke(session, token)
    note(session, by, "token.revoked", site_id=token.site_id, name=token.name)


def _site(session: Session, site_id: str) -> Site:
    site = sites.get(session, site_id)
    if site is None:
        raise AccountError(
            "There is no site of the id %(site)s; the address of a site's page ends in it.",
            site=repr(site_id),
        )
    return site
