"""People and tokens in words. Pure functions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from service.report import words
from service.report.deeds import in_words
from service.report.language import gettext as _
from service.report.language import ngettext
from service.store.accounts import AccountError
from service.store.tables import ApiToken, User

UTC = ZoneInfo("UTC")


@dataclass(frozen=True)
class Person:
    """Somebody with an account."""

    href: str
    name: str
    role: str
    sites: str
    state: str
    summary: str
    disabled: bool


@dataclass(frozen=True)
class Token:
    """An API token; its secret is not known any more."""

    href: str
    name: str
    site: str
    site_href: str
    may: str
    made: str
    used: str


def said(error: AccountError) -> str:
    """Return what is wrong in the reader's language."""
    return _(error.text) % error.values if error.values else _(error.text)


def person(user: User, sites: int, link_ends: datetime | None) -> Person:
    """Return somebody as the list shows them."""
    role, state = in_words(user.role), _state(user, link_ends)
    seen = _("every site") if user.role == "office" else _count(sites)
    parts = {"role": role, "sites": seen, "state": state}
    return Person(
        href=f"/people/{user.id}",
        name=user.name,
        role=role,
        sites=seen,
        state=state,
        summary=words.capital(_("%(role)s, %(sites)s, %(state)s") % parts),
        disabled=user.disabled_at is not None,
    )


def token(one: ApiToken, site_names: Mapping[str, str]) -> Token:
    """Return a token as the list shows it."""
    return Token(
        href=f"/tokens/{one.id}",
        name=one.name,
        site=site_names.get(one.site_id, one.site_id) if one.site_id else _("all sites"),
        site_href=f"/sites/{one.site_id}" if one.site_id else "",
        may=_("read only") if one.read_only else _("read and write"),
        made=words.day(one.created_at.date()),
        used=utc(one.last_used_at) if one.last_used_at else _("never"),
    )


def utc(moment: datetime) -> str:
    """Return a moment that belongs to no site."""
    return _("%(moment)s UTC") % {"moment": words.moment(moment, UTC)}


def _count(sites: int) -> str:
    return ngettext("%(num)d site", "%(num)d sites", sites) % {"num": sites} if sites else _("no site yet")


def _state(user: User, link_ends: datetime | None) -> str:
    if user.disabled_at is not None:
        return _("disabled since %(day)s") % {"day": words.day(user.disabled_at.date())}
    if user.password_hash:
        return _("can sign in")
    if link_ends is None:
        return _("the invitation has ended; make a new link")
    return _("invited, the link ends on %(day)s") % {"day": words.day(link_ends.date())}
