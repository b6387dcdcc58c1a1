"""Links by which their holder sets the password of an account, once: an invitation, or a way back in.

The link is the only proof of who sets it, so it is kept as a digest, ends by itself, and goes with an account's next.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from sqlalchemy import ColumnElement, delete
from sqlmodel import Session, col, select

from service.store.accounts import AccountError, set_password
from service.store.tables import PasswordLink, User
from service.store.tokens import digest, new_token

LASTS = timedelta(days=7)


def make(session: Session, user: User) -> str:
    """Return the token of a new link for the account, which cannot be shown again; an earlier link ends."""
    if user.disabled_at is not None:
        raise AccountError("%(name)s is disabled; enable the account first.", name=user.name)
    end(session, user)
    token = new_token()
    session.add(
        PasswordLink(account_id=user.key, token_hash=digest(token), expires_at=datetime.now(UTC) + LASTS)
    )
    session.flush()
    return token


def end(session: Session, user: User) -> None:
    """End the account's link, if there is one."""
    session.execute(delete(PasswordLink).where(col(PasswordLink.account_id) == user.id))


def holder(session: Session, token: str) -> User | None:
    """Return the account whose password the link sets, None if it was used, has ended or was never given out."""
    query = select(User).join(PasswordLink).where(_is_good(token), col(User.disabled_at).is_(None))
    return session.exec(query).first()


def use(session: Session, token: str, password: str) -> User | None:
    """Set the password, which ends the link and the account's sessions; return the account, None as `holder` does."""
    user = holder(session, token)
    if user is None or not session.execute(delete(PasswordLink).where(_is_good(token))).rowcount:  # type: ignore[attr-defined]
        return None
    set_password(session, user, password)
    return user


def ends_at(session: Session) -> dict[int, datetime]:
    """Return when the links that are good end, by account."""
    query = select(PasswordLink).where(col(PasswordLink.expires_at) > datetime.now(UTC))
    return {link.account_id: link.expires_at for link in session.exec(query)}


def _is_good(token: str) -> ColumnElement[bool]:
    return (col(PasswordLink.token_hash) == digest(token)) & (
        col(PasswordLink.expires_at) > datetime.now(UTC)
    )
