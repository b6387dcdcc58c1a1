"""Factors beside a unit of measure: (x10 Wh), [0.1 Wh], Wh/10, tenths of kWh, daWh, kJ. Judges no values."""

from __future__ import annotations

import re
from dataclasses import dataclass

_NUMBER = r"(10+|0[.,]0*1)"
_WATTS = r"k?wh?(?![A-Za-z])"
_BEFORE = re.compile(
    rf"(?:(?<=[\[(])\s*(?:[x\u00d7*]\s?)?|(?<![^\W_])[x\u00d7]\s?){_NUMBER}\s*[x\u00d7*\u00b7]?\s*(?={_WATTS})",
    re.I,
)
_BEHIND = re.compile(
    rf"(?<![A-Za-z])({_WATTS})\s*[/x\u00d7*]\s*{_NUMBER}(?![\d.,]|\s*(?:min|s|h)(?![a-z]))", re.I
)
_PARTS = re.compile(
    rf"(?:in\s+)?(?:(tenth|zehntel|dixi[èe]me|d[ée]cim)|(hundredth|hundertstel|centi[èe]me|cent[ée]sim)"
    rf"|(thousandth|tausendstel|milli[èe]me|mil[ée]sim))[a-z]{{0,2}}\s+(?:of\s+|de\s+|di\s+|von\s+)?(?={_WATTS})",
    re.I,
)
_TENS = re.compile(r"(?<![A-Za-z])da(?=Wh?(?![A-Za-z]))")
_FACTOR = re.compile(
    rf"(?:scale|scaling|factor|faktor|multiplier|skalierung|facteur|fattore)[^\w\n]*"
    rf"(?:factor|faktor)?[^\w\n]*{_NUMBER}(?![\d.,])",
    re.I,
)
_MEASURES = {
    "mW": 1e-3, "mWh": 1e-3, "kJ": 1 / 3.6, "MJ": 1e3 / 3.6, "Ws": 1 / 3600, "kWs": 1 / 3.6, "Wmin": 1 / 60,
}  # fmt: skip
"""In Wh or W: an hour has 3600 s."""

_OTHER = re.compile(r"[\[(]\s*(mWh?|[kM]J|k?Ws|W\s?min)\s*[\])]|(?<![A-Za-z])(mWh|kJ|MJ|W\s?min|wmin)$")


@dataclass(frozen=True)
class Factor:
    """What values are multiplied by to be those of the unit of measure; by one of several where words leave it open."""

    either: tuple[float, ...]


def factor_of(text: str) -> Factor | None:
    """Return the factor that a heading or a line above a table has beside its unit of measure."""
    if found := _BEFORE.search(text):
        return Factor((_number(found[1]),))
    if found := _PARTS.search(text):
        return Factor((10.0 ** -(1 + next(i for i, said in enumerate(found.groups()) if said)),))
    if _TENS.search(text):
        return Factor((10.0,))
    if found := _OTHER.search(text):
        return Factor((_MEASURES[_plain(found)],))
    if found := _BEHIND.search(text) or _FACTOR.search(text):
        value = _number(found[found.lastindex or 1])
        return Factor((value, 1 / value))
    return None


def without_factor(text: str) -> str:
    """Return a text with the bare unit of measure in the place of a scaled one."""
    for pattern in (_BEFORE, _PARTS, _TENS, _FACTOR):
        text = pattern.sub("", text)
    text = _BEHIND.sub(r"\1", text)
    return _OTHER.sub(lambda found: f" {'W' if _plain(found) == 'mW' else 'Wh'} ", text)


def _plain(found: re.Match[str]) -> str:
    name = (found[1] or found[2]).replace(" ", "")
    return "Wmin" if name == "wmin" else name


def _number(text: str) -> float:
    return float(text.replace(",", "."))
