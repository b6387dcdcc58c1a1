"""Accounts and API tokens: what is kept, and what opens the door."""

from __future__ import annotations

import pytest
from argon2 import PasswordHasher, Type, extract_parameters
from sqlalchemy import Engine
from sqlmodel import Session, select

from service.store import accounts
from service.store.accounts import HASHING  # the real one: the other tests hash cheaply
from service.store.database import reading, writing
from service.store.tables import ApiToken, User

PASSWORD = "a long enough one"


def test_hashing_costs_what_the_standard_asks() -> None:
    # RFC 9106, section 4, the second recommended option: t=3, p=4, m=2^16 KiB, salt 128 bits, tag 256 bits
    found = extract_parameters(PasswordHasher.from_parameters(HASHING).hash(PASSWORD))
    assert (found.type, found.time_cost, found.parallelism, found.memory_cost) == (Type.ID, 3, 4, 2**16)
    assert (found.salt_len, found.hash_len) == (128 // 8, 256 // 8)


def test_password_opens_and_is_not_kept(engine: Engine) -> None:
    with writing(engine) as session:
        accounts.create_user(session, "Ana Ribeiro", PASSWORD, "office")
    with reading(engine) as session:
        user = accounts.check_password(session, " Ana Ribeiro ", PASSWORD)
        assert user is not None
        assert user.role == "office"
        assert extract_parameters(user.password_hash) == accounts.HASHING
        assert accounts.check_password(session, "Ana Ribeiro", PASSWORD + "!") is None
        assert accounts.check_password(session, "ana ribeiro", PASSWORD) is None


def test_unknown_name_is_hashed_too(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    verified: list[str] = []

    class Counting(PasswordHasher):
        def verify(self, hash: str | bytes, password: str | bytes) -> bool:  # noqa: A002 - the library's name
            verified.append(str(hash))
            return bool(super().verify(hash, password))

    monkeypatch.setattr(accounts, "_hasher", lambda: Counting.from_parameters(accounts.HASHING))
    with writing(engine) as session:
        accounts.create_user(session, "Ana Ribeiro", PASSWORD, "office")
        assert accounts.check_password(session, "Ana Ribeiro", "wrong") is None
        assert accounts.check_password(session, "nobody", "wrong") is None
    parameters = [h.split("$")[1:4] for h in verified]
    assert len(parameters) == 2
    assert parameters[0] == parameters[1]


def test_changed_password_replaces_the_old(engine: Engine) -> None:
    with writing(engine) as session:
        user = accounts.create_user(session, "Ana Ribeiro", PASSWORD, "installer")
        accounts.set_password(session, user, "another good one")
        assert accounts.check_password(session, "Ana Ribeiro", PASSWORD) is None
        assert accounts.check_password(session, "Ana Ribeiro", "another good one") is not None


@pytest.mark.parametrize(
    ("name", "password", "role", "said"),
    [
        ("", PASSWORD, "office", "name"),
        ("Ben", "short", "office", "password"),
        ("Ben", PASSWORD, "boss", "'boss'"),
        ("Ana", PASSWORD, "office", "'Ana'"),
        ("Token gateway", PASSWORD, "office", "stands for a program"),
        ("command line", PASSWORD, "office", "stands for a program"),
    ],
)
def test_what_is_wrong_is_named(engine: Engine, name: str, password: str, role: str, said: str) -> None:
    with writing(engine) as session:
        accounts.create_user(session, "Ana", PASSWORD, "office")
    with writing(engine) as session, pytest.raises(accounts.AccountError, match=said):
        accounts.create_user(session, name, password, role)
    with reading(engine) as session:
        assert len(session.exec(select(User)).all()) == 1


def _valid(session: Session, token: str) -> bool:
    return accounts.valid_token(session, token) is not None


def test_token_is_valid_until_revoked_and_kept_as_digest(engine: Engine) -> None:
    with writing(engine) as session:
        token, other = (accounts.create_token(session, n) for n in ("gateway", "backup"))
    with reading(engine) as session:
        assert _valid(session, token)
        assert not _valid(session, token[:-1])
        assert not _valid(session, "")
        assert all(token not in str(row.model_dump()) for row in session.exec(select(ApiToken)))
        assert [t.name for t in accounts.valid_tokens(session)] == ["gateway", "backup"]
    with writing(engine) as session:
        assert accounts.revoke_tokens(session, "gateway") == 1
        assert accounts.revoke_tokens(session, "gateway") == 0
    with reading(engine) as session:
        assert not _valid(session, token)
        assert _valid(session, other)
