"""Whom the owner of a site calls: whom its record names, else the firm of the settings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.intake.problems import Refused
from service.intake.reaching import dialled
from service.intake.record import ContactRecord, read
from service.settings import PREFIX, Settings, SettingsError


@dataclass(frozen=True)
class Contact:
    """A name and how to reach it; empty where there is none."""

    name: str
    phone: str
    email: str

    @property
    def tel(self) -> str:
        """Return the address that dials the number."""
        return f"tel:{dialled(self.phone)}"


def of_firm(settings: Settings) -> Contact | None:
    """Return the settings' firm, None without one; SettingsError names what is wrong with it."""
    given = {"name": settings.firm_name, "phone": settings.firm_phone, "email": settings.firm_email}
    filled = {name: value.strip() for name, value in given.items() if value.strip()}
    if not filled:
        return None
    try:
        return _contact(read(ContactRecord, filled).model_dump())
    except Refused as refused:
        raise SettingsError("; ".join(_sentence(e.field, e.message) for e in refused.errors)) from None


def of_site(record: Mapping[str, Any], firm: Contact | None) -> Contact | None:
    """Return whom the site's record names, else the firm."""
    named = record.get("contact")
    return _contact(named) if named else firm


def _contact(found: Mapping[str, Any]) -> Contact:
    return Contact(found["name"], found.get("phone") or "", found.get("email") or "")


def _sentence(field: str, message: str) -> str:
    if not field:
        return f"{PREFIX}FIRM_NAME stands alone: give {PREFIX}FIRM_PHONE or {PREFIX}FIRM_EMAIL too"
    return f"{PREFIX}FIRM_{field.upper()} {message}"
