"""Text whose columns are parted by blanks and stand one below the other: it is given with tabs between its cells.

Where the columns are parted is seen from its first lines. What the cells mean is not known here.
"""

from __future__ import annotations

import re
from codecs import getincrementaldecoder
from collections import Counter
from collections.abc import Sequence
from itertools import pairwise
from typing import IO

from service.intake.export.times import parse

FEWEST_LINES = 4
LEAST_SHARE = 0.5
FEWEST_COLUMNS = 3
HEADINGS = 3
MOST_ALIKE = 0.8
LONGEST_LINE = 1 << 16
WIDEST = 4000

Cuts = tuple[int, ...]
_PLAIN = re.compile(r"[+-]?\d+([.,]\d+)?|[+-]?\d{1,3}([.,']\d{3})+([.,]\d+)?|[^,;|]*")
"""A cell that holds no sign by which text may be delimited, but in a number."""

_LETTER = re.compile(r"[^\W\d_]")


def cuts_of(lines: Sequence[str]) -> Cuts:
    """Return where lines are to be cut, nowhere if they are not in such columns."""
    shown = [line[:WIDEST].rstrip() for line in lines if line.strip()]
    data = [line for line in shown if _is_data(line)]
    if len(data) < max(FEWEST_LINES, LEAST_SHARE * len(shown)) or any("\t" in line for line in lines):
        return ()
    usual = sorted(map(len, data))[len(data) // 2]
    data = _alike([line for line in data if usual / 2 < len(line) < 2 * usual])
    first = shown.index(data[0])
    above = [line for line in shown[max(0, first - HEADINGS) : first] if len(line) >= len(data[0]) / 2]
    gaps = [gap for gap in _gaps(data) if gap[1] < usual]
    cuts = tuple(_cut(gap, above) for gap in gaps if _is_wide(gap) or _parts(gap, gaps, data[-1], above))
    cells = [cell for line in data for cell in cells_of(line, cuts) if cell]
    plain = sum(bool(_PLAIN.fullmatch(cell)) for cell in cells)
    return cuts if len(cuts) >= FEWEST_COLUMNS - 1 and plain >= 0.95 * len(cells) else ()


def _is_data(line: str) -> bool:
    return sum(any(map(str.isdigit, word)) for word in line.split()) > 1


def _alike(lines: list[str]) -> list[str]:
    """Return the lines that begin as nearly all do: with running heads on each page some begin with a word."""
    begins = [re.sub(r"\d+", "0", _LETTER.sub("a", line.split(maxsplit=1)[0])) for line in lines]
    usual, count = Counter(begins).most_common(1)[0]
    if count < MOST_ALIKE * len(lines):
        return lines
    return [line for line, begin in zip(lines, begins, strict=True) if begin == usual]


def _gaps(lines: Sequence[str]) -> list[tuple[int, int]]:
    """Return the first and the last place of each run that is blank in all lines, within them."""
    width = max(map(len, lines))
    inked = {place for line in lines for place, sign in enumerate(line) if sign != " "}
    edges = [-1, *sorted(inked), width]
    return [(a + 1, b - 1) for a, b in pairwise(edges) if b - a > 1 and a >= 0 and b < width]


def _is_wide(gap: tuple[int, int]) -> bool:
    return gap[1] > gap[0]


def _parts(gap: tuple[int, int], gaps: Sequence[tuple[int, int]], line: str, above: Sequence[str]) -> bool:
    """Return whether a single blank parts cells: not within a time, after letters, or below a heading."""
    begin = max((last + 1 for first, last in gaps if last > first and last < gap[0]), default=0)
    end = min((first for first, last in gaps if last > first > gap[0]), default=len(line))
    is_time = any(parse(line[begin:end], order) for order in ("dmy", "mdy", "ymd"))
    within_heading = any(heading[gap[0] : gap[0] + 1].strip() for heading in above)
    word = line[begin : gap[0]].rsplit(" ", maxsplit=1)[-1]
    return not (is_time or within_heading or _LETTER.search(word))


def _cut(gap: tuple[int, int], above: Sequence[str]) -> int:
    """Return where to cut within a gap: where the headings are blank, too, and rather between them than within one."""

    def blanks(line: str, place: int) -> int:
        beside = (line[place - 1 : place], line[place + 1 : place + 2])
        return 0 if line[place : place + 1].strip() else 1 + any(not sign.strip() for sign in beside)

    places = range(gap[0], gap[1] + 1)
    return max(places, key=lambda place: (sum(blanks(line, place) for line in above), place))


def cells_of(line: str, cuts: Cuts) -> list[str]:
    """Return a line's cells."""
    return [line[a:b].strip() for a, b in pairwise((0, *cuts, len(line) + WIDEST))]


class Aligned:
    """A text's bytes with tabs between its cells, in UTF-8; its place is counted in those of the text itself."""

    def __init__(self, stream: IO[bytes], encoding: str, cuts: Cuts) -> None:
        self._stream, self._cuts, self._held = stream, cuts, ""
        self._decode = getincrementaldecoder(encoding)(errors="replace").decode

    def read(self, size: int) -> bytes:
        """Return the next bytes, none at the end."""
        while True:
            raw = self._stream.read(size)
            self._held += self._decode(raw, final=not raw)
            whole = self._held.rfind("\n") + 1
            if not raw or len(self._held) - whole > LONGEST_LINE:
                whole = len(self._held)
            taken, self._held = self._held[:whole], self._held[whole:]
            if taken or not raw:
                return "".join(map(self._tabbed, taken.splitlines(keepends=True))).encode()

    def _tabbed(self, line: str) -> str:
        if len(line) > LONGEST_LINE:
            return line
        cells = cells_of(line.rstrip("\r\n").expandtabs().replace('"', "'"), self._cuts)
        return "\t".join(cells) + "\n"

    def tell(self) -> int:
        """Return how much of the text was read."""
        return self._stream.tell()
