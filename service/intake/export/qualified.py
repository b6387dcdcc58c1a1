"""Values that a cell of their row qualifies: its unit of measure, whether it is any good, of which statistic it is.

Each fold writes the rows as other tables have them. None touches a table without such a column.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import pairwise

from service.intake.export import words
from service.intake.export.bare import Fold, Row
from service.intake.export.cells import number
from service.intake.export.layout import kind_of
from service.intake.export.told_in_rows import UNIT_HEADING, VALUE_HEADING

Rows = Callable[[], Iterator[Row]]

UNITS = ("w", "kw", "wh", "kwh")

_QUALITY = re.compile(r"quality|qualit[äéàa]\w*|validity|valid|g[üu]ltig\w*|calidad|kwaliteit", re.I)
_GOOD = re.compile(
    r"good|ok|valid|gut|g[üu]ltig|normal|bon(ne)?|valide|bueno|v[áa]lido|buon[oa]|true|yes|ja|1|192", re.I
)
_BAD = re.compile(
    r"bad\b.*|invalid\w*|not valid|error|fail\w*|no data|missing|comm\w* (lost|fail\w*)|offline|stale"
    r"|schlecht|ung[üu]ltig|fehler\w*|gest[öo]rt|mauvais\w*|invalide|malo|inv[áa]lido|cattiv[oa]|false|no|nein|0",
    re.I,
)
_UNCERTAIN = re.compile(
    r"uncertain|questionable|doubtful|estimated|unsicher|gesch[äa]tzt|incertain|substituted", re.I
)
_STATISTIC = re.compile(r"statistics?|statistik|aggregat\w*|function|funktion|kind|art", re.I)
_MEAN = re.compile(r"mean|avg|average|mittel(wert)?|durchschnitt|moyenne|media|gemiddelde?", re.I)
_NO_MEAN = re.compile(r"max(imum)?|min(imum)?|std( ?dev)?|median|count|first|last|sum|anzahl", re.I)

_ACTUAL = re.compile(
    r"actual|measured|real|observed|ist|gemessen|messung|r[ée]el(le)?|mesur[ée]e?|misurat[oa]|medido", re.I
)
_EXPECTED = re.compile(
    r"forecast|expected|predicted|plan(ned)?|target|budget|model(led)?|simulated|soll|prognose|erwartet|pr[ée]vu|pr[ée]vision"
    r"|previst[oa]|previsione",
    re.I,
)
_FED = re.compile(
    r"generation|generated|production|produced|export(ed)?|feed.?in|delivered|erzeug(ung|t)|einspeisung|lieferung"
    r"|injection|producci[oó]n|produzione|productie",
    re.I,
)
_DRAWN = re.compile(
    r"consumption|consumed|import(ed)?|load|demand|bezug|verbrauch|consommation|soutirage|consumo|verbruik|afname",
    re.I,
)
_KINDS = (
    (_MEAN, _NO_MEAN),
    (re.compile("ac", re.I), re.compile("dc", re.I)),
    (_ACTUAL, _EXPECTED),
    (_FED, _DRAWN),
)
"""What is kept, and what stands beside it in rows of its own."""

_INPUT = re.compile(
    r"inputs?( no\.?| number)?|channel|mppt|dc input|eingang|kanal|entr[ée]e|canal|entrada|ingresso"
    r"|canale|ingang|kanaal",
    re.I,
)


def by_units(head: Sequence[Row], rows: Rows) -> Fold | None:
    """Return the fold of a table whose rows have values in W or kW, in Wh or kWh as a column says."""
    at, heading = _heading(head)
    places = [i for i, cell in enumerate(heading) if UNIT_HEADING.fullmatch(_plain(cell))]
    if len(places) != 1:
        return None
    unit = places[0]
    found = {row[unit].strip().lower() for row in rows() if len(row) > unit} - {heading[unit].strip().lower()}
    base = next((u for u in ("wh", "w") if {u, f"k{u}"} <= found), None)
    values = [i for i, cell in enumerate(heading) if VALUE_HEADING.fullmatch(_plain(cell))] or [unit - 1]
    if base is None or values[0] < 0:
        return None
    shown, value = base.replace("w", "W"), values[0]
    is_alone = found <= {base, f"k{base}", ""}

    def fold(given: Iterator[Row]) -> Iterator[Row]:
        for number_, row in enumerate(given):
            if number_ == at and is_alone and not VALUE_HEADING.fullmatch(_plain(row[value])):
                yield [f"{c} ({shown})" if i == value else c for i, c in enumerate(row)]
            elif len(row) > max(unit, value) and row[unit].strip().lower() == f"k{base}":
                yield [
                    _thousandfold(c) if i == value else shown if i == unit else c for i, c in enumerate(row)
                ]
            else:
                yield row

    return fold


def by_one_unit(head: Sequence[Row], rows: Rows) -> Fold | None:
    """Return the fold that says in the heading of the values in what they are, where a column says so in each row."""
    at, heading = _heading(head)
    data = [row for row in head[at + 1 :] if _timed(row)]
    units = {i: {row[i].strip() for row in data if len(row) > i} - {""} for i in range(1, len(heading))}
    same = [i for i, found in units.items() if len(found) == 1 and next(iter(found)).lower() in UNITS]
    if at < 0 or len(same) != 1 or any(words.unit_of(cell) for cell in heading):
        return None
    (column,) = same
    unit = units[column].pop()
    if any(row[column].strip() not in ("", unit) for row in rows() if _timed(row) and len(row) > column):
        return None

    def fold(given: Iterator[Row]) -> Iterator[Row]:
        for place, row in enumerate(given):
            named = [f"{c} ({unit})" if i == column - 1 else c for i, c in enumerate(row)]
            yield named if place == at else row

    return fold


def _thousandfold(cell: str) -> str:
    decimal = "," if cell.rfind(",") > cell.rfind(".") else "."
    try:
        value = number(cell, decimal)
    except ValueError:
        return cell
    return cell if value is None else f"{value * 1000:.6f}".replace(".", decimal)


def by_quality(head: Sequence[Row], rows: Rows) -> Fold | None:
    """Return the fold of a table with columns that say whether values are any good: without those that are not."""
    _, heading = _heading(head)
    places = [i for i, cell in enumerate(heading) if i and _QUALITY.fullmatch(_plain(cell))]
    cells = {row[i].strip() for row in rows() for i in places if len(row) > i} - {heading[i] for i in places}
    known = [cell for cell in cells if any(p.fullmatch(cell) for p in (_GOOD, _BAD, _UNCERTAIN))]
    bad = frozenset(cell for cell in cells if _BAD.fullmatch(cell))
    if not bad or not any(map(_GOOD.fullmatch, known)) or len(known) < len(cells - {""}):
        return None
    spans = list(pairwise([-1, *places]))
    of = {place: _qualified(heading, begin + 1, place) for begin, place in spans}

    def fold(given: Iterator[Row]) -> Iterator[Row]:
        for row in given:
            gone = {
                v for place, own in of.items() if len(row) > place and row[place].strip() in bad for v in own
            }
            yield [("" if i in gone else cell) for i, cell in enumerate(row)] if gone else row

    return fold


def _qualified(heading: Row, begin: int, place: int) -> list[int]:
    """Return the columns that one of quality speaks of: those of measures before it, or the one beside it."""
    measured = [
        i
        for i in range(begin, place)
        if words.unit_of(heading[i]) or VALUE_HEADING.fullmatch(_plain(heading[i]))
    ]
    return measured or [place - 1]


def of_means(head: Sequence[Row], rows: Rows) -> Fold | None:
    """Return the fold of a table with rows for mean and most: those of means alone. So of AC and DC, actual and due."""
    _, heading = _heading(head)
    for place, cell in enumerate(heading):
        for kept, gone in _KINDS if _STATISTIC.fullmatch(_plain(cell)) else _KINDS[1:]:
            if _cells(head, place, cell) and all(
                _is_either(c, kept, gone) for c in _cells(head, place, cell)
            ):
                found = _cells(rows(), place, cell)
                if {bool(gone.fullmatch(c)) for c in found if _is_either(c, kept, gone)} == {True, False}:
                    return _without(place, gone) if all(_is_either(c, kept, gone) for c in found) else None
    return None


def _cells(rows: Iterable[Row], place: int, heading: str) -> set[str]:
    """Return what stands in a column below its heading; nothing of lines above it, which have fewer cells."""
    return {row[place].strip() for row in rows if len(row) > place and _timed(row)} - {heading.strip(), ""}


def _is_either(cell: str, kept: re.Pattern[str], gone: re.Pattern[str]) -> bool:
    return bool(kept.fullmatch(cell) or gone.fullmatch(cell))


def _without(place: int, gone: re.Pattern[str]) -> Fold:
    return lambda given: (row for row in given if len(row) <= place or not gone.fullmatch(row[place].strip()))


def by_input(head: Sequence[Row], rows: Rows) -> Fold | None:
    """Return the fold of a table with a column for the number of a unit's input: both name the unit together."""
    at, heading = _heading(head)
    inputs = [i for i, cell in enumerate(heading) if _INPUT.fullmatch(_plain(cell))]
    named = [i for i, cell in enumerate(heading) if words.SERIAL.search(cell) and i not in inputs]
    if len(inputs) != 1 or len(named) != 1:
        return None
    (number_of,), (name,) = inputs, named
    cells = {row[number_of].strip() for row in rows() if len(row) > number_of and _timed(row)}
    if len(cells) < 2 or not all(cell.isdecimal() and len(cell) < 3 for cell in cells):
        return None

    def fold(given: Iterator[Row]) -> Iterator[Row]:
        for place, row in enumerate(given):
            told = place > at and len(row) > max(number_of, name)
            yield [f"{c} input {row[number_of]}" if told and i == name else c for i, c in enumerate(row)]

    return fold


def _heading(head: Sequence[Row]) -> tuple[int, Row]:
    """Return the last row before the first with a time, and its place; nothing where there is none."""
    for i, (row, below) in enumerate(pairwise(head)):
        if _timed(below) and not _timed(row):
            return i, row
    return -1, []


def _timed(row: Row) -> bool:
    return any(kind_of(cell) in ("datetime", "date") for cell in row)


def _plain(cell: str) -> str:
    return re.sub(r"[\s_]+", " ", cell).strip()
