"""Generic words, in English and German, by which a column is recognised. No program's own names stand here."""

from __future__ import annotations

import re
from collections.abc import Sequence

TIME = re.compile(r"time|date|stamp|zeit|datum|moment", re.I)
SERIAL = re.compile(r"serial|unit|device|inverter|serien|ger(ä|ae)t|wechselrichter|modul", re.I)
START = re.compile(r"start|begin|anfang|(?<![a-zä])(from|von)(?![a-zä])", re.I)
END = re.compile(r"(?<![a-zä])(end|ending|until|bis|ende|to)(?![a-zä])|endzeit|intervallende", re.I)
COUNTER = re.compile(r"total|cumul|counter|meter|lifetime|running|z(ä|ae)hler|gesamt|kumul|today|heute", re.I)
POWER = re.compile(r"power|leistung", re.I)
ENERGY = re.compile(r"energy|energie|yield|ertrag|production|produktion|erzeugung", re.I)
OTHER = re.compile(
    r"volt|spannung|current|strom|freq|temp|signal|status|(?<![a-z])(v|a|hz|%|°c|ms|db|dbm|var|va)(?![a-z])",
    re.I,
)
ZONE_NAME = re.compile(r"\b[A-Z][a-z]+/[A-Z][A-Za-z_]+\b")
_NUMBER = re.compile(r"[+-]?[\d.,' ]*\d[\d.,' ]*(e[+-]?\d+)?", re.I)
_UNIT = re.compile(r"(?<![A-Za-z])(k?)(wh?)(?![A-Za-z])", re.I)

_NO_VALUE = ("", "-", "--", "---", "n/a", "na", "nan", "null", "none", "#n/a", "#nv", "#n/v", "k.a.", "k. a.")
MISSING = frozenset((*_NO_VALUE, "missing", "fehlt", "?"))

_REMARK = re.compile(
    r"[\W_]*(sums?|totals?|summen?|gesamt|somme|totaux|suma|totale|totaal|som|averages?|avg|means?|mittel\w*|durchschnitt"
    r"|moyenne|media|gemiddelde?|max\w*|min\w*|generated|created|exported|erstellt|exportiert|erzeugt am)(?![a-z])"
    r"|\s*(#|//|--\s|;)",
    re.I,
)


def is_remark(cells: Sequence[str]) -> bool:
    """Return whether a line without a time is no reading: a sum, a comment, a heading, a text without numbers."""
    said = [cell for cell in cells if cell.strip()]
    return not said or bool(_REMARK.match(said[0])) or not any(_NUMBER.fullmatch(c.strip()) for c in said)


def is_total(name: str) -> bool:
    """Return whether a name is that of a sum or a mean, and of no unit."""
    return bool(_REMARK.match(name))


def unit_of(text: str) -> str | None:
    """Return `w`, `kw`, `wh` or `kwh` if the text names exactly one of them."""
    found = {(k + w).lower() for k, w in _UNIT.findall(text)}
    return found.pop() if len(found) == 1 else None


def is_missing(cell: str) -> bool:
    """Return whether the cell says that there is no value."""
    return cell.strip().lower() in MISSING
