"""What a person should look at before a plan is stored: serials known from elsewhere, and units that leave readings."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from sqlmodel import Session

from service.intake.plan import Differences, differences
from service.report.language import gettext as _
from service.report.language import ngettext
from service.store import serials
from service.store.tables import Site, User
from service.store.tokens import digest

SERIALS_NAMED = 5


@dataclass(frozen=True)
class Warned:
    """What to look at; `leaves` is the serial of a unit that would leave readings behind."""

    text: str
    leaves: str = ""


def warnings_of(session: Session, site: Site, after: Mapping[str, Any], user: User) -> list[Warned]:
    """Return what speaks against storing the record without another look."""
    found = differences(site.record, after)
    gone = [str(one.old["serial"]) for one in found.units if one.old and one.kind in ("removed", "renamed")]
    return [
        *_elsewhere(serials.on_other_sites(session, site.id, _come(found)), user),
        *_left(sorted(serials.heard(session, site.id, gone))),
    ]


def heard_already(session: Session, site: Site, after: Mapping[str, Any]) -> str:
    """Return how many of the new units were heard before they were on record; empty if none was."""
    heard = sorted(serials.heard(session, site.id, _come(differences(site.record, after))))
    text = ngettext(
        "One of the new units was heard before: %(serials)s. Its readings count for its place from now on.",
        "%(num)d of the new units were heard before: %(serials)s. Their readings count for their places from now on.",
        len(heard),
    )
    named = ", ".join(heard[:SERIALS_NAMED]) + (" \u2026" if len(heard) > SERIALS_NAMED else "")
    return text % {"num": len(heard), "serials": named} if heard else ""


def _come(found: Differences) -> list[str]:
    return [one.serial for one in found.units if one.kind in ("added", "renamed")]


def key_of(warnings: Iterable[Warned]) -> str:
    """Return what is sent along once the warnings have been read; empty if there are none."""
    text = "\n".join(warning.text for warning in warnings)
    return digest(text)[:16] if text else ""


def _elsewhere(found: Mapping[str, str], user: User) -> Iterator[Warned]:
    for serial, name in sorted(found.items()):
        if user.role == "office":
            text = _(
                "%(serial)s is on the record of %(site)s too: one of the two is mistyped, or the unit was moved."
            )
        else:
            text = _(
                "%(serial)s is on the record of another site too: check the label; the office can see which."
            )
        yield Warned(text % {"serial": serial, "site": name})


def _left(found: Iterable[str]) -> Iterator[Warned]:
    for serial in found:
        text = _(
            "%(serial)s leaves the record, but has readings: they are kept and count as those of a serial that is not "
            "on record. If the unit was replaced, say so instead: it then keeps its place until that day."
        )
        yield Warned(text % {"serial": serial}, leaves=serial)
