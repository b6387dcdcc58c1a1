"""People who sign in and programs that call: passwords and API tokens. Sessions and cookies are the web's."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import VerificationError
from argon2.profiles import RFC_9106_LOW_MEMORY
from sqlalchemy import ColumnElement, or_, update
from sqlmodel import Session, col, select

from service.store.tables import ApiToken, Site, User
from service.store.tokens import digest, new_token

ROLES = ("office", "installer")
NAME_LENGTH = 100
TAKEN_NAMES = re.compile(r"token\s|command line$|the readings$", re.IGNORECASE)
"""So that nobody is taken for a program on the audit list."""
PASSWORD_LENGTH = range(10, 1001)
HASHING = RFC_9106_LOW_MEMORY
LAST_USE_KNOWN_TO = timedelta(minutes=1)
"""How exactly a token's last use is known: a program that sends every second writes it once a minute."""


class AccountError(Exception):
    """An account or token cannot be made or changed as asked; the message says why and what to do.

    It is kept as its English text with named placeholders and their values, so that a page can say it in any language.
    """

    def __init__(self, text: str, **values: object) -> None:
        self.text, self.values = text, values
        super().__init__(text % values if values else text)


@cache
def _hasher() -> PasswordHasher:
    return PasswordHasher.from_parameters(HASHING)


@cache
def _nobodys_hash() -> str:
    return _hasher().hash(new_token())


def create_user(session: Session, name: str, password: str, role: str) -> User:
    """Keep a new account; AccountError names what is wrong."""
    return _keep(session, name, role, _hashed(password))


def create_without_password(session: Session, name: str, role: str) -> User:
    """Keep a new account that nobody can sign in to until a password is set; AccountError names what is wrong."""
    return _keep(session, name, role, "")


def _keep(session: Session, name: str, role: str, password_hash: str) -> User:
    name = name.strip()
    if not name or len(name) > NAME_LENGTH:
        raise AccountError("The name must have 1 to 100 characters.")
    if TAKEN_NAMES.match(name):
        raise AccountError("This name stands for a program on the audit list; choose another one.")
    _check_role(role)
    if named(session, name) is not None:
        raise AccountError(
            "There is an account named %(name)s already; choose another name.", name=repr(name)
        )
    user = User(name=name, role=role, password_hash=password_hash, created_at=datetime.now(UTC))
    session.add(user)
    session.flush()
    return user


def _check_role(role: str) -> None:
    if role not in ROLES:
        raise AccountError("The role %(role)s is unknown; use office or installer.", role=repr(role))


def named(session: Session, name: str) -> User | None:
    """Return the account of that name, None if there is none."""
    return session.exec(select(User).where(col(User.name) == name.strip())).first()


def installers(session: Session) -> list[User]:
    """Return the installers whose accounts are not disabled, by name."""
    query = select(User).where(col(User.role) == "installer", col(User.disabled_at).is_(None))
    return list(session.exec(query.order_by(col(User.name))))


def everybody(session: Session) -> list[User]:
    """Return all accounts by name, the disabled ones too."""
    return list(session.exec(select(User).order_by(col(User.name))))


def set_password(session: Session, user: User, password: str) -> None:
    """Change the account's password, which ends its sessions."""
    user.password_hash = _hashed(password)
    _save(session, user)


def change_password(session: Session, user: User, old: str, new: str) -> None:
    """Change the account's password for somebody who knows the old one; AccountError if not."""
    if check_password(session, user.name, old) is None:
        raise AccountError("The old password is not right; capitals count.")
    set_password(session, user, new)


def end_sessions(session: Session, user: User) -> None:
    """Sign the account out wherever it is signed in."""
    user.session_epoch += 1
    _save(session, user)


def set_role(session: Session, user: User, role: str) -> None:
    """Make somebody of the office an installer or the other way round; the last of the office stays."""
    _check_role(role)
    if role != "office":
        _keep_somebody_in_the_office(session, user)
    user.role = role
    _save(session, user)


def disable(session: Session, user: User) -> None:
    """Let the account sign in no more, and end its sessions; the last of the office stays."""
    _keep_somebody_in_the_office(session, user)
    user.disabled_at = user.disabled_at or datetime.now(UTC)
    end_sessions(session, user)


def enable(session: Session, user: User) -> None:
    """Let the account sign in again."""
    user.disabled_at = None
    _save(session, user)


def _keep_somebody_in_the_office(session: Session, user: User) -> None:
    # All of them are held until the change is kept: two who disable each other at once must not both succeed.
    office = session.exec(
        select(User).where(col(User.role) == "office", can_sign_in()).with_for_update()
    ).all()
    if [one.id for one in office] == [user.id]:
        raise AccountError(
            "%(name)s is the last of the office who can sign in; make another account for the office first.",
            name=user.name,
        )


def _save(session: Session, user: User) -> None:
    session.add(user)
    session.flush()


def check_password(session: Session, name: str, password: str) -> User | None:
    """Return the account if the password is its own; an unknown name takes as long as a wrong password."""
    user = named(session, name)
    nobody = _nobodys_hash()
    try:
        _hasher().verify((user.password_hash if user else "") or nobody, password)
    except VerificationError:
        return None
    return user if user is not None and user.disabled_at is None and user.password_hash else None


def office_names(session: Session, *, most: int = 3) -> list[str]:
    """Return the names of some who can help: of the office, and able to sign in."""
    query = select(User.name).where(col(User.role) == "office", can_sign_in()).with_for_update()
    return list(session.exec(query.order_by(col(User.id)).limit(most)))


def can_sign_in() -> ColumnElement[bool]:
    """Return the condition on `User` that leaves the accounts that are open and have a password."""
    return col(User.disabled_at).is_(None) & (col(User.password_hash) != "")


def create_token(session: Session, name: str, *, site_id: str | None = None, read_only: bool = False) -> str:
    """Return a new API token, which cannot be shown again: only its digest is kept.

    It is for one site, or for all, and may only read, or write too; AccountError names what is wrong.
    """
    name = name.strip()
    if not name or len(name) > NAME_LENGTH:
        raise AccountError("The token's name must have 1 to 100 characters: what it is for.")
    if site_id is not None and session.get(Site, site_id) is None:
        raise AccountError(
            f"There is no site of the id {site_id!r}; the address of a site's page ends in it."
        )
    token = new_token()
    kept = ApiToken(
        name=name,
        token_hash=digest(token),
        created_at=datetime.now(UTC),
        site_id=site_id,
        read_only=read_only,
    )
    session.add(kept)
    session.flush()
    return token


def valid_token(session: Session, token: str) -> ApiToken | None:
    """Return what is kept of the token, None if it was not given out or was revoked."""
    query = select(ApiToken).where(col(ApiToken.token_hash) == digest(token))
    return session.exec(query.where(col(ApiToken.revoked_at).is_(None))).first()


def note_use(session: Session, token: ApiToken, now: datetime) -> None:
    """Keep that the token was used, unless another request has just done so."""
    stale = or_(col(ApiToken.last_used_at).is_(None), col(ApiToken.last_used_at) <= now - LAST_USE_KNOWN_TO)
    session.execute(update(ApiToken).where(col(ApiToken.id) == token.id, stale).values(last_used_at=now))


def valid_tokens(session: Session) -> list[ApiToken]:
    """Return the tokens that are not revoked, oldest first."""
    query = select(ApiToken).where(col(ApiToken.revoked_at).is_(None)).order_by(col(ApiToken.id))
    return list(session.exec(query))


def revoke_tokens(session: Session, name: str) -> int:
    """End every token of that name; return how many."""
    ended = [token for token in valid_tokens(session) if token.name == name]
    for token in ended:
        revoke(session, token)
    return len(ended)


def revoke(session: Session, token: ApiToken) -> None:
    """End the token."""
    token.revoked_at = datetime.now(UTC)
    session.add(token)
    session.flush()


def _hashed(password: str) -> str:
    if len(password) not in PASSWORD_LENGTH:
        raise AccountError("The password must have at least 10 and at most 1000 characters.")
    return _hasher().hash(password)
