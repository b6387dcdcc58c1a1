"""Random tokens, of which the database keeps the SHA-256 only: who reads the tables cannot use them.

Not for passwords, which people choose and which need a slow hash.
"""

from __future__ import annotations

import hashlib
import secrets

ID_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
"""Without the pairs that are confused when read aloud or copied: i, l and 1, o and 0."""

CODE_LENGTH = 6


def new_token() -> str:
    """Return a token with 192 random bits, safe in a URL."""
    return secrets.token_urlsafe(24)


def new_id() -> str:
    """Return an id of 14 letters and digits (69 random bits)."""
    return "".join(secrets.choice(ID_LETTERS) for _ in range(14))


def new_code() -> str:
    """Return a code of 6 letters and digits that is read off a paper: it names something and opens nothing."""
    return "".join(secrets.choice(ID_LETTERS) for _ in range(CODE_LENGTH))


def digest(token: str) -> str:
    """Return what is kept of a token."""
    return hashlib.sha256(token.encode()).hexdigest()
