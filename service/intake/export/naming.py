"""Whom a heading or a cell means: a unit by its serial, by what is left of it, or a name that only a person knows."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from service.intake.export import asking, words
from service.intake.export.cells import Serials
from service.intake.export.model import Known, Part, Question
from service.intake.problems import Told, mark, told

SHORTEST_WHOLE = 6
SHORTEST_END = 4
"""Fewer last digits are those of too many things: a number of a roof, an hour, a module's power."""

LONGEST_NAME = 2000
MOST_TOLD = 3
_SCIENTIFIC = re.compile(r"(?<![\w.,])\d[.,]\d+e\+?\d{1,2}(?!\w)", re.I)
_PIECES = re.compile(r"[\W_]+")
_SIGNED = re.compile(r"[^\W_]+(?:[-/.:][^\W_]+)+")
"""What may be the end of a serial that is written with signs: 1403-1 of 6711-1403-1."""

_PLACE = re.compile(
    r"(?<![a-z0-9])r(?:ow|eihe)?[ .:_-]*(\d{1,3})[ ,./_-]*c(?:ol(?:umn)?)?[ .:_-]*(\d{1,3})(?!\d)", re.I
)
_OF_INPUT = re.compile(r"(.{4,})[/.:_-](\d{1,2})")
_INPUT = re.compile(
    r"(?<![^\W\d_])(?:inputs?|ch(?:annel)?|mppt|pv|eingang|kanal|entr[ée]e|canal|entrada|ingresso|canale|ingang|kanaal"
    r"|wej\u015bcie|kana\u0142)[\s_.:#-]{0,3}(\d{1,2})(?!\d)",
    re.I,
)
_DECIMAL = re.compile(r"[+-]?\d*[.,]\d+")
_ASIDE = re.compile(r"[\[(][^\[\]()]*[\])]")
_YEAR = re.compile(r"(19|20)\d\d$")

WRITTEN = mark("a serial of the record, written in another way")
BY_END = mark("the only serial of the record that ends so")
BY_PLACE = mark("the only unit at this place of its plane")
BY_BEGIN = mark("the only serial of the record that begins so")


@dataclass(frozen=True)
class Meant:
    """The serial that a name means, and why, if it is not the serial as it stands on the record."""

    serial: str
    why: str | None = None


class Names:
    """Finds the units of the record by what a file calls them."""

    def __init__(self, known: Known) -> None:
        self.serials = Serials(known.serials)
        self._plain = {_plain(serial): serial for serial in known.serials}
        self._loose = {
            serial: _loose(serial) for serial in known.serials if len(_plain(serial)) >= SHORTEST_WHOLE
        }
        self._inputs = {(m[1], int(m[2])): s for s in known.serials if (m := _OF_INPUT.fullmatch(s))}
        self._known = known

    def meant(self, text: str) -> Meant | None:
        """Return the unit that a heading or a cell certainly means, None if it means none or may mean several."""
        exact = self.serials.within(text) or self._by_input(text)
        if exact:
            return Meant(exact)
        for found, why in (
            (self._written(text), WRITTEN),
            (self._by_scientific(text), BY_BEGIN),
            (self._by_end(text), BY_END),
        ):
            if len(found) == 1:
                return Meant(found.pop(), told(why))
        return self._by_place(text)

    def _by_place(self, text: str) -> Meant | None:
        """Return the unit in the row and column of a plane that a name has; without the plane it is only likely."""
        found = self.at_place(text)
        if found is None or self._known.places[found].plane.lower() not in text.lower():
            return None
        return Meant(found, told(BY_PLACE))

    def at_place(self, text: str) -> str | None:
        """Return the only unit in the row and column that a text such as `R1C2` names, on its plane if it names one."""
        found = _PLACE.search(text)
        if not found:
            return None
        row, column = int(found[1]), int(found[2])
        there = [s for s, p in self._known.places.items() if (p.row, p.column) == (row, column)]
        named = [s for s in there if self._known.places[s].plane.lower() in text.lower()]
        chosen = named or there
        return chosen[0] if len(chosen) == 1 else None

    def _by_input(self, text: str) -> str | None:
        """Return the serial of an input, such as 4829/2, where a text has that of its device and names the input."""
        number = _INPUT.search(text) if self._inputs else None
        named = [
            (device, serial) for (device, n), serial in self._inputs.items() if number and int(number[1]) == n
        ]
        found = {serial for device, serial in named if re.search(rf"(?<!\w){re.escape(device)}(?!\w)", text)}
        return found.pop() if len(found) == 1 else None

    def _written(self, text: str) -> set[str]:
        found = {serial for serial, pattern in self._loose.items() if pattern.search(text)}
        return {s for s in found if not any(s != other and s in other for other in found)}

    def _by_end(self, text: str) -> set[str]:
        found = set()
        for word in _SIGNED.findall(text):
            if len(_plain(word)) >= SHORTEST_END:
                ends = {s for s in self._known.serials if s != word and s.upper().endswith(word.upper())}
                found |= ends if len(ends) == 1 else set()
        for word in filter(None, _PIECES.split(text)):
            plain = word.upper()
            if len(plain) < SHORTEST_END or not plain[-1:].isalnum() or not any(map(str.isdigit, plain)):
                continue
            ends = {serial for short, serial in self._plain.items() if short.endswith(plain)}
            found |= ends if len(ends) == 1 and not (_YEAR.match(plain) and len(plain) == 4) else set()
        return found

    def _by_scientific(self, text: str) -> set[str]:
        found = set()
        for word in _SCIENTIFIC.findall(text):
            rounded = [s for s in self._known.serials if s.isdecimal() and _is_rounded(int(s), word)]
            found |= set(rounded) if len(rounded) == 1 else set()
        return found


def _is_rounded(serial: int, word: str) -> bool:
    """Return whether a number such as 4.82913E+11 is the serial, rounded to its digits."""
    digits, _, power = word.lower().replace(",", ".").partition("e")
    unit = Decimal(10) ** (int(power) - len(digits.partition(".")[2]))
    return abs(Decimal(f"{digits}e{power}") - serial) <= unit / 2 and serial >= 10 ** int(power)


def _plain(text: str) -> str:
    return _PIECES.sub("", text).upper()


def _loose(serial: str) -> re.Pattern[str]:
    """Return what finds a serial in other letters, parted by signs, after a word such as SN."""
    inside = r"[\W_]*".join(map(re.escape, _plain(serial)))
    before = r"(?<!\d)" if serial[0].isdigit() else r"(?<![^\W_])"
    return re.compile(rf"{before}{inside}(?![^\W_])", re.I)


class Units:
    """The units that names in one file mean, what a person has said of them before what the names say."""

    def __init__(self, known: Known, said: Mapping[str, str]) -> None:
        self.known = known
        self._names, self._said = Names(known), {_bare(name): serial for name, serial in said.items()}
        self._found: dict[str, str | None] = {}
        self.taken: dict[str, Meant] = {}
        """What was not the serial itself."""

    def serial_of(self, text: str) -> str | None:
        """Return the serial that a name means: empty if it is no unit, None if nobody knows."""
        text = text[:LONGEST_NAME]  # a damaged file may have a cell of megabytes
        if text not in self._found:
            self._found[text] = self._serial_of(text)
        return self._found[text]

    def is_known(self, text: str) -> bool:
        """Return whether the name means a unit of the record."""
        return bool(self.serial_of(text))

    def only_in(self, text: str) -> str | None:
        """Return the one unit that a text around a table means, or the only one of the record."""
        found = self.serial_of(text)
        return found or (self.known.serials[0] if len(self.known.serials) == 1 else None)

    def likely(self, name: str) -> str | None:
        """Return the choice to propose for a name: only what it says itself of a place on the plan."""
        return asking.NO_UNIT if words.is_total(name) else self._names.at_place(name)

    def _serial_of(self, text: str) -> str | None:
        for name in (text, stem(text)) if self._said else ():
            if _bare(name) in self._said:
                return self._said[_bare(name)]
        meant = self._names.meant(text) if text.strip() and not _DECIMAL.fullmatch(text.strip()) else None
        if meant is None:
            return None
        if meant.why is not None:
            self.taken[text] = meant
        return meant.serial


def _bare(name: str) -> str:
    return " ".join(name.split()).lower()


def stem(heading: str) -> str:
    """Return a heading without its quantity and unit of measure: what it calls the unit."""
    left = _ASIDE.sub(" ", heading).split()
    has_unit = words.unit_of(heading) is not None
    while left and (words.is_measure(left[-1]) or not re.search(r"\w", left[-1])):
        if has_unit and _is_letter(left[-1]) and not re.search(r"\d", " ".join(left)):
            break  # Module A [W] is the module A, and no current
        left.pop()
    while left and words.is_measure(left[0]):
        left.pop(0)
    return " ".join(left) or " ".join(heading.split())


def names_nobody(heading: str) -> bool:
    """Return whether a heading says what is measured, and nothing of whom."""
    said = _ASIDE.sub(" ", heading).split()
    return bool(said) and all(map(words.is_measure, said))


def _is_letter(word: str) -> bool:
    return len(word) == 1 and word.isalpha() and word.lower() != "w"


# Asking


def units_question(names: Iterable[str], units: Units, why: str | None = None) -> Question:
    """Return the question which unit each name means, and why it is asked."""
    parts = tuple(Part(name, units.likely(name)) for name in dict.fromkeys(names))
    likely = {part.name: part.proposed for part in parts if part.proposed}
    proposed = asking.joined(likely) if len(likely) == len(parts) else None
    why = why or told("the file calls the units by names that are not on the record")
    known = units.known
    return asking.asked("units", (*known.serials, asking.NO_UNIT), why, proposed, known, parts)


def chosen(answer: str, known: Known) -> Mapping[str, str]:
    """Return the serial for each name that an answer gives one; ValueError if it is none, or names no such unit."""
    names = Names(known)
    return {name: _unit(choice, names, known) for name, choice in asking.parted(answer).items()}


def _unit(choice: str, names: Names, known: Known) -> str:
    if choice == asking.NO_UNIT:
        return ""
    serial = choice if choice in known.serials else names.at_place(choice)
    if serial is None:
        raise ValueError(choice)
    return serial


def resembling(found: Mapping[str, Meant]) -> list[Told]:
    """Return a word on the names that were not the serial itself, one on all that were found in the same way."""
    ways: dict[str, list[tuple[str, Meant]]] = {}
    for name, meant in found.items():
        if meant.why is not None:
            ways.setdefault(meant.why, []).append((name, meant))
    return [said for why, names in ways.items() for said in _taken_for(why, names)]


def _taken_for(why: str, names: Sequence[tuple[str, Meant]]) -> Iterator[Told]:
    if len(names) > MOST_TOLD:
        (name, meant), count = names[0], len(names)
        yield told(
            "{count} names were taken for serials, such as {name} for {serial}: {why}",
            count=count,
            name=name,
            serial=meant.serial,
            why=why,
        )
        return
    for name, meant in names:
        yield told("{name} was taken for {serial}: {why}", name=name, serial=meant.serial, why=why)
