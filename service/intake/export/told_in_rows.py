"""Tables with one column of values whose rows say what each is: `7KA31 | power | 212 | W`, or an entity and its state.

Each thing measured becomes a column, as in other tables.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from service.intake.export import words
from service.intake.export.bare import Fold, Row
from service.intake.export.layout import kind_of

MOST_CHANNELS = 40
VALUE_HEADING = re.compile(
    r"(value|wert|valor|valeur|valore|waarde|warto[sś][cć]|messwert|reading|state|zustand)s?", re.I
)
UNIT_HEADING = re.compile(
    r"(units?( of measure(ment)?)?|einheit|unidad|unit[ée]|unit[àa]|eenheid|jednostka|uom)", re.I
)
_TAIL = re.compile(r"(.*?)[\s_./:-]+([^\s_./:-]+)")


@dataclass(frozen=True)
class _Places:
    """The columns of values, of their units of measure, and of the names that hold what is measured."""

    value: int
    unit: int | None
    channel: int | None
    """A column that names the channel alone."""
    name: int | None
    """A column that names unit and channel."""


def in_columns(head: Sequence[Row], rows: Callable[[], Iterator[Row]]) -> Fold | None:
    """Return the fold that gives each channel its column; `rows` gives rows enough to know all channels by."""
    first = next(
        (i + 1 for i, pair in enumerate(pairwise(head)) if not _timed(pair[0]) and _timed(pair[1])), 0
    )
    places = _places(head[first - 1], head[first:]) if first else None
    if places is None:
        return None
    channels = _channels(rows(), first, places)
    if not channels or len(channels) > MOST_CHANNELS:
        return None

    def fold(given: Iterator[Row]) -> Iterator[Row]:
        for at, row in enumerate(given):
            if at == first - 1:
                yield [*_rest(row, places), *channels.values()]
                break
            yield row
        yield from _merged(given, places, list(channels))

    return fold


def _timed(row: Sequence[str]) -> bool:
    return any(kind_of(cell) in ("datetime", "date") for cell in row)


def _places(heading: Row, data: Sequence[Row]) -> _Places | None:
    plain = [re.sub(r"[\s_]+", " ", cell).strip() for cell in heading]
    values = [i for i, cell in enumerate(plain) if VALUE_HEADING.fullmatch(cell)]
    if len(values) != 1:
        return None
    units = [
        i for i, cell in enumerate(plain) if UNIT_HEADING.fullmatch(cell) and _share(data, i, _is_unit) > 0.9
    ]
    unit = units[0] if len(units) == 1 else None
    rest = [i for i in range(len(heading)) if i not in (values[0], unit)]
    channels = [i for i in rest if _share(data, i, _is_channel) > 0.9]
    if unit is not None and not channels:
        channels = [i for i in rest if _goes_with_unit(data, i, unit)]
    names = [i for i in rest if _share(data, i, lambda cell: all(_parted(cell))) > 0.6]
    if len(channels) > 1 or (not channels and len(names) > 1):
        return None
    found = _Places(
        values[0], unit, next(iter(channels), None), None if channels else next(iter(names), None)
    )
    return None if found.unit is found.channel is found.name is None else found


def _goes_with_unit(data: Sequence[Row], column: int, unit: int) -> bool:
    """Return whether each cell of a column comes again and again, always in one and the same of several measures."""
    pairs = Counter((row[column].strip(), row[unit].strip()) for row in data if len(row) > max(column, unit))
    cells = {cell for cell, _ in pairs}
    is_told = len(pairs) == len(cells) and len({measure for _, measure in pairs}) > 1
    return is_told and min(pairs.values()) > 1 and len(cells) <= min(MOST_CHANNELS, len(data) / 4)


def _share(data: Sequence[Row], column: int, test: Callable[[str], object]) -> float:
    cells = [row[column] for row in data if len(row) > column and row[column].strip()]
    return sum(bool(test(cell)) for cell in cells) / len(cells) if cells else 0.0


def _is_unit(cell: str) -> bool:
    return len(cell.strip()) <= 6 and not any(map(str.isdigit, cell))


def _is_channel(cell: str) -> bool:
    return not any(map(str.isdigit, cell)) and all(
        map(words.is_measure, re.split(r"[\s_./:-]+", cell.strip()))
    )


def _parted(name: str) -> tuple[str, str]:
    """Return what a name calls the unit, and what is measured, if its last words say that."""
    stem, said = name.strip(), list[str]()
    while (found := _TAIL.fullmatch(stem)) and words.is_measure(found[2]):
        stem, said = found[1], [found[2], *said]
    return stem, " ".join(said)


def _channel(row: Row, places: _Places) -> str:
    if places.channel is not None:
        return _cell(row, places.channel)
    return "" if places.name is None else _parted(_cell(row, places.name))[1]


def _channels(rows: Iterator[Row], first: int, places: _Places) -> Mapping[str, str]:
    """Return the heading of each channel: what is measured, and in which unit."""
    units: dict[str, set[str]] = {}
    for at, row in enumerate(rows):
        if at >= first and len(row) > places.value:
            unit = _cell(row, places.unit)
            units.setdefault(_channel(row, places), set()).update({unit} if unit else ())
    return {
        channel: re.sub(r"[_.]", " ", f"{channel or 'Value'} ({found.pop()})" if len(found) == 1 else channel)
        for channel, found in units.items()
    }


def _cell(row: Row, column: int | None) -> str:
    return row[column].strip() if column is not None and len(row) > column else ""


def _rest(row: Row, places: _Places) -> Row:
    gone = (places.value, places.unit, places.channel)
    return [_parted(cell)[0] if i == places.name else cell for i, cell in enumerate(row) if i not in gone]


def _merged(rows: Iterator[Row], places: _Places, channels: Sequence[str]) -> Iterator[Row]:
    """Give rows that follow each other and differ in their channel alone as one."""
    held, values = Row(), dict[str, str]()
    for row in rows:
        rest, channel = _rest(row, places), _channel(row, places)
        if values and (rest != held or channel in values):
            yield [*held, *(values.get(c, "") for c in channels)]
            values = {}
        held = rest
        values[channel] = row[places.value] if len(row) > places.value else ""
    if values:
        yield [*held, *(values.get(c, "") for c in channels)]
