"""Tables as plain text marks them up: between strokes with or without rules, of a wiki, of TeX. They become rows."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence

from service.intake.export.bare import Fold, Row

LOOKED_AT = 60
MOST = 0.6
LONGEST = 100_000
_RULE = re.compile(r"[-+=|:*\s]*|\\\w{1,20}(\{[^{}]{0,200}\})*\s*")
_WIKI = re.compile(r"\s*\{\|")
_ATTRIBUTES = re.compile(r"\s*[\w-]{1,40}\s*=[^|]{0,400}\|(?!\|)")
_TEX = re.compile(r"\\\\(\s*\[[^\]]{0,40}\])?\s*(\\\w{1,20}\s*)*$")
_ESCAPED = re.compile(r"\\([\\_%&#${}|])")


def marked_up(head: Sequence[Row], delimiter: str | None) -> Fold | None:
    """Return the fold of a table in such a markup, None for any other."""
    sign = delimiter if delimiter and len(delimiter) == 1 else " "
    lines = [sign.join(row)[:LONGEST] for row in head]
    said = [line.strip() for line in lines if not _RULE.fullmatch(line)]
    if any(map(_WIKI.match, lines)):
        return _fold(sign, _of_wiki)
    if sum(line[0] == line[-1] == "|" for line in said) > MOST * len(said) > 0:
        return _fold(sign, lambda lines: map(_between_strokes, lines))
    if sum("&" in line and bool(_TEX.search(line)) for line in said) > MOST * len(said) > 0:
        return _fold(sign, lambda lines: map(_of_tex, lines))
    return None


def _fold(sign: str, read: Callable[[Iterable[str]], Iterable[Row]]) -> Fold:
    return lambda rows: (row for row in read(sign.join(row)[:LONGEST] for row in rows))


def _between_strokes(line: str) -> Row:
    """Return the cells of `| a | b |`, or of headings `||a||b||`; of a rule none."""
    bare = line.strip()
    if bare[:1] != "|" or _RULE.fullmatch(bare):
        return [] if _RULE.fullmatch(bare) else [bare]
    sign = "||" if bare.startswith("||") else "|"
    return [cell.strip() for cell in bare.removeprefix(sign).removesuffix(sign).split(sign)]


def _of_tex(line: str) -> Row:
    """Return the cells of `a & b \\\\`."""
    bare = line.strip()
    if not _TEX.search(bare):
        return [] if _RULE.fullmatch(bare) else [bare]
    cells = re.split(r"(?<!\\)&", _TEX.sub("", bare))
    return [_ESCAPED.sub(r"\1", cell).strip() for cell in cells]


def _of_wiki(lines: Iterable[str]) -> Iterator[Row]:
    """Give the rows of a wiki's tables, whose cells stand beside or below each other."""
    cells, inside = Row(), False
    for line in map(str.strip, lines):
        if line.startswith(("{|", "|-", "|}")):
            if cells:
                yield cells
            cells, inside = [], not line.startswith("|}") and (inside or line.startswith("{|"))
        elif inside and line.startswith(("!", "|")) and not line.startswith("|+"):
            cells += map(_without_attributes, re.split(r"\|\||!!", line[1:]))
        elif line:
            yield [line.lstrip("|+ ")]
    if cells:
        yield cells


def _without_attributes(cell: str) -> str:
    found = _ATTRIBUTES.match(cell)
    return cell[found.end() if found else 0 :].strip()
