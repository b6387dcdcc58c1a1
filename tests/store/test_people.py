"""What is done with accounts: invitations, ways back in, roles, and who is never shut out. Each is noted."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import Engine, update
from sqlmodel import Session, select

from service.store import accounts, assignments, audit, password_links, people, sites
from service.store.accounts import AccountError
from service.store.database import reading, writing
from service.store.tables import Assignment, PasswordLink, User

pytestmark = pytest.mark.usefixtures("office")
PASSWORD, OTHER = "a long enough one", "another good one"


@pytest.fixture
def office(engine: Engine) -> User:
    """Keep the one account that there is."""
    with writing(engine) as session:
        return people.make(session, "command line", "Ida", PASSWORD, "office")


def _site(engine: Engine, name: str = "Mill") -> str:
    with writing(engine) as session:
        return sites.create(session, {"name": name, "timezone": "Europe/London"}).id


def _invite(engine: Engine, name: str = "Ana", role: str = "installer", sites_: tuple[str, ...] = ()) -> str:
    with writing(engine) as session:
        return people.invite(session, "Ida", name, role, sites_)[1]


def _follow(engine: Engine, token: str, password: str = PASSWORD) -> User | None:
    with writing(engine) as session:
        return people.follow_link(session, token, password)


def _named(session: Session, name: str) -> User:
    found = accounts.named(session, name)
    assert found is not None
    return found


def _noted(engine: Engine) -> list[tuple[str, str]]:
    with reading(engine) as session:
        return [(row.who, row.action) for row in reversed(audit.latest(session))]


def test_an_invitation_sets_the_password_once(engine: Engine) -> None:
    site_id = _site(engine)
    token = _invite(engine, sites_=(site_id,))
    with reading(engine) as session:
        assert accounts.check_password(session, "Ana", "") is None
        assert password_links.ends_at(session).keys() == {_named(session, "Ana").key}
        assert token not in str(session.exec(select(PasswordLink)).all())
    ana = _follow(engine, token)
    assert ana is not None
    assert _follow(engine, token, OTHER) is None
    with reading(engine) as session:
        assert accounts.check_password(session, "Ana", PASSWORD) is not None
        assert [site.id for site in assignments.sites_of(session, ana)] == [site_id]
        assert password_links.ends_at(session) == {}
    assert _noted(engine) == [
        ("command line", "account.made"),
        ("Ida", "account.invited"),
        ("Ida", "assignment.made"),
        ("Ana", "account.joined"),
    ]


def test_a_password_that_is_refused_does_not_use_the_link_up(engine: Engine) -> None:
    token = _invite(engine)
    with pytest.raises(AccountError, match="at least 10"):
        _follow(engine, token, "short")
    assert _follow(engine, token) is not None


def test_a_link_ends_by_itself_by_the_next_and_with_the_account(engine: Engine) -> None:
    first = _invite(engine)
    with writing(engine) as session:
        second = people.give_link(session, "Ida", _named(session, "Ana"))
    assert _follow(engine, first) is None
    with writing(engine) as session:
        [ends] = password_links.ends_at(session).values()
        assert timedelta(days=6, hours=23) < ends - datetime.now(UTC) <= timedelta(days=7)
        session.execute(update(PasswordLink).values(expires_at=datetime.now(UTC) - timedelta(seconds=1)))
    assert _follow(engine, second) is None
    with writing(engine) as session:
        third = people.give_link(session, "Ida", _named(session, "Ana"))
        people.disable(session, "Ida", _named(session, "Ana"))
    assert _follow(engine, third) is None
    with writing(engine) as session:
        people.enable(session, "Ida", _named(session, "Ana"))
    assert _follow(engine, third) is None
    assert _follow(engine, "never given out") is None


def test_a_link_followed_twice_at_once_counts_once(engine: Engine) -> None:
    token = _invite(engine)
    with ThreadPoolExecutor(4) as pool:
        found = list(pool.map(lambda _: _follow(engine, token), range(4)))
    assert sum(user is not None for user in found) == 1


def test_the_old_password_stays_until_the_new_one_is_set(engine: Engine) -> None:
    with writing(engine) as session:
        token = people.give_link(session, "Ida", _named(session, "Ida"))
    with reading(engine) as session:
        assert accounts.check_password(session, "Ida", PASSWORD) is not None
    _follow(engine, token, OTHER)
    with reading(engine) as session:
        assert accounts.check_password(session, "Ida", PASSWORD) is None
    assert _noted(engine)[-1] == ("Ida", "account.password_set")


def test_the_last_of_the_office_stays(engine: Engine) -> None:
    _follow(engine, _invite(engine, "Ana", "installer"))
    _invite(engine, "Bo", "office")  # has not come yet, so cannot help
    for change in (people.disable, lambda s, by, user: people.set_role(s, by, user, "installer")):
        with writing(engine) as session, pytest.raises(AccountError, match="Ida is the last of the office"):
            change(session, "Ida", _named(session, "Ida"))
    with writing(engine) as session:
        people.set_role(session, "Ida", _named(session, "Ana"), "office")
        people.disable(session, "Ida", _named(session, "Ida"))
        assert accounts.check_password(session, "Ida", PASSWORD) is None
    with writing(engine) as session, pytest.raises(AccountError, match="Ana is the last of the office"):
        people.disable(session, "Ana", _named(session, "Ana"))


def test_two_who_disable_each_other_at_once_do_not_both_succeed(engine: Engine) -> None:
    _follow(engine, _invite(engine, "Bo", "office"))

    def disable_bo() -> None:
        with writing(engine) as session:
            people.disable(session, "Ida", _named(session, "Bo"))

    with ThreadPoolExecutor(1) as pool:
        with writing(engine) as session:
            people.disable(session, "Bo", _named(session, "Ida"))
            other = pool.submit(disable_bo)
            with pytest.raises(TimeoutError):  # it waits until this one is kept
                other.result(timeout=0.5)
        with pytest.raises(AccountError, match="Bo is the last of the office"):
            other.result(timeout=30)


def test_the_office_needs_no_site_assigned(engine: Engine) -> None:
    site_id = _site(engine)
    _invite(engine, sites_=(site_id,))
    with writing(engine) as session:
        with pytest.raises(AccountError, match="sees every site"):
            people.assign(session, "Ida", site_id, _named(session, "Ida"))
        with pytest.raises(AccountError, match="no site of the id 'none'"):
            people.assign(session, "Ida", "none", _named(session, "Ana"))
        people.set_role(session, "Ida", _named(session, "Ana"), "office")
        assert session.exec(select(Assignment)).all() == []


def test_own_password_needs_the_old_one_and_ends_sessions(engine: Engine) -> None:
    with writing(engine) as session, pytest.raises(AccountError, match="old password"):
        people.change_own_password(session, _named(session, "Ida"), OTHER, OTHER)
    with writing(engine) as session:
        people.change_own_password(session, _named(session, "Ida"), PASSWORD, OTHER)
        people.sign_out_everywhere(session, _named(session, "Ida"))
    with reading(engine) as session:
        ida = accounts.check_password(session, "Ida", OTHER)
        assert ida is not None
        assert ida.session_epoch == 1
    assert _noted(engine)[1:] == [("Ida", "account.password_changed"), ("Ida", "account.signed_out")]


def test_what_is_refused_is_not_noted(engine: Engine) -> None:
    before = _noted(engine)
    with pytest.raises(AccountError), writing(engine) as session:
        people.invite(session, "Ida", "Ana", "installer", ["none"])
    assert _noted(engine) == before
    with reading(engine) as session:
        assert accounts.named(session, "Ana") is None


def test_tokens_are_noted_with_their_reach(engine: Engine) -> None:
    site_id = _site(engine)
    with writing(engine) as session:
        people.make_token(session, "Ida", " gateway ", site_id=site_id, read_only=True)
        people.make_token(session, "Ida", "backup", site_id=None, read_only=False)
        people.revoke_token(session, "Ida", accounts.valid_tokens(session)[0])
    with reading(engine) as session:
        assert [token.name for token in accounts.valid_tokens(session)] == ["backup"]
        noted = list(reversed(audit.latest(session)))[1:]
    assert [(row.action, row.site_id, row.details) for row in noted] == [
        ("token.made", site_id, {"name": "gateway", "reach": "site, read only"}),
        ("token.made", None, {"name": "backup", "reach": "all, read and write"}),
        ("token.revoked", site_id, {"name": "gateway"}),
    ]
