"""What a person should look at before a plan is stored: serials known from elsewhere, and units that leave readings."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from sqlmodel import Session

from service.intake.plan import differences
from service.report.language import gettext as _
from service.store import serials
from service.store.tables import Site, User
from service.store.tokens import digest


@dataclass(frozen=True)
class Warned:
    """What to look at; `leaves` is the serial of a unit that would leave readings behind."""

    text: str
    leaves: str = ""


def warnings_of(session: Session, site: Site, after: Mapping[str, Any], user: User) -> list[Warned]:
    """Return what speaks against storing the record without another look."""
    found = differences(site.record, after)
    come = [one.serial for one in found.units if one.old is None or one.kind == "renamed"]
    gone = [str(one.old["serial"]) for one in found.units if one.old and one.kind in ("removed", "renamed")]
    return [
        *_elsewhere(serials.on_other_sites(session, site.id, come), user),
        *_heard(sorted(serials.heard(session, site.id, come))),
        *_left(sorted(serials.heard(session, site.id, gone))),
    ]


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


def _heard(found: Iterable[str]) -> Iterator[Warned]:
    for serial in found:
        text = _("Readings of %(serial)s are held already; they count for its place from now on.")
        yield Warned(text % {"serial": serial})


def _left(found: Iterable[str]) -> Iterator[Warned]:
    for serial in found:
        text = _(
            "%(serial)s leaves the record, but has readings: they are kept and count as those of a serial that is not "
            "on record. If the unit was replaced, say so instead: it then keeps its place until that day."
        )
        yield Warned(text % {"serial": serial}, leaves=serial)
