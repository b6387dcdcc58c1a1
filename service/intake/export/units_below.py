"""Blocks of rows one below the other, each of a unit that is named above it or in its headings."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from functools import partial
from itertools import islice, pairwise

from service.intake.export import words
from service.intake.export.bare import Fold, Row
from service.intake.export.layout import stranger
from service.intake.export.rows import dates_in, full, is_data, of_kind
from service.intake.export.tables import Table

FAR = 60_000
_LABEL = re.compile(r"^[^\W\d_]+(\s[^\W\d_]+)?\s*:\s*")

_PAGE = re.compile(
    r"(?<![^\W\d_])(page|seite|blatt|p[\u00e1a]gina|pagina|bladzijde|strona|strana|oldal|sivu|sida|side|p\.|s\.)\W{0,3}\d"
    r"|\d\s?[\u9801\u9875\ucabd]",
    re.I,
)
"""A page and its number, which has the sign for pages behind it in East Asia."""


def blocks_of_units(head: list[Row], table: Table) -> Fold | None:
    """Return the fold of a table with a block for each unit, named above it or in its headings."""
    begin = _begin_of_data(head)
    if begin is None or not begin[0]:
        return None
    first, column = begin
    groups = [head[:first], *_breaks(table, first, column)]
    named = [_title_and_heading(group) for group in groups]
    headings = {tuple(heading) for _, heading in named}
    titles = {_without_dates(" ".join(title)) for title, _ in named}
    if len(named) < 2:
        return None
    names_units = any(map(stranger, named[0][1]))  # a title over several of them is that of a page or a day
    if len(headings) == 1 and len(titles) > 1 and not names_units and not any(map(_is_no_title, titles)):
        return partial(_by_title, column=column)
    parted = len(headings) > 1 and all(len(h) > 1 for h in headings)
    return partial(_by_heading, column=column) if parted else None


def _begin_of_data(head: list[Row]) -> tuple[int, int] | None:
    """Return the first row of two that have their times one below the other, and the column of these."""
    for i, (row, below) in enumerate(pairwise(head)):
        if is_data(row) and (column := _dated(row)[0]) in _dated(below):
            return i, column
    return None


def _dated(row: Sequence[str]) -> list[int]:
    return of_kind(row, "datetime", "date")


def _is_row(row: Sequence[str], column: int) -> bool:
    """Return whether a row is data with its time in that column; a line above headings may have one elsewhere."""
    return is_data(row) and _dated(row)[0] == column


def _without_dates(title: str) -> str:
    """Return a title without the days in it, which are those of a block and name no unit."""
    for date in dates_in(title):
        title = title.replace(date, " ")
    return " ".join(title.split())


def _is_no_title(title: str) -> bool:
    """Return whether a title is none, or the running head of a page."""
    return not title or bool(_PAGE.search(title))


def _breaks(table: Table, first: int, column: int) -> list[list[Row]]:
    """Return the rows between blocks, those that hold headings."""
    found, group = list[list[Row]](), list[Row]()
    for row in islice(table.rows(), first, FAR):
        if len(row) > 1 and (row[0][:1].isdigit() or _is_row(row, column)):
            if len(group) > 1 or (group and len(full(group[0])) > 1):
                found.append(group)
            group = []
        elif full(row) and not _is_total(row):
            group.append(row)
    return [g for g in found if not any(words.is_remark(r) and words.is_total("".join(r[:1])) for r in g)]


def _is_total(row: Row) -> bool:
    """Return whether a row has the sums of the block above it: numbers such as no serial is."""
    numbers = sum(words.is_plain_number(row[i]) and not row[i].strip().isdecimal() for i in full(row))
    return len(full(row)) > 1 and (words.is_total(row[0]) or numbers >= max(1, len(full(row)) - 1))


def _title_and_heading(group: list[Row]) -> tuple[Row, Row]:
    """Return the last row above the headings, and the headings: the last row with two cells or more."""
    said = [row for row in group if full(row) and not row[0].startswith("#") and not _is_total(row)]
    heading = next((row for row in reversed(said) if len(full(row)) > 1 or not row[0].strip()), [])
    above = said[: said.index(heading)] if heading else said
    return (above[-1] if above else []), heading


def _by_title(rows: Iterator[Row], column: int) -> Iterator[Row]:
    """Give the blocks as one table whose last column names the block."""
    title, group, begun = "", list[Row](), False
    for row in rows:
        if not _is_row(row, column):
            group.append(row)
            continue
        if group:
            above, heading = _title_and_heading(group)
            title = _LABEL.sub("", " ".join(c.strip() for c in above if c.strip())) or title
            if not begun:
                yield from (row for row in group if row not in (above, heading))
                yield [*heading, "Unit"]
            begun, group = True, []
        yield [*row, title]


def _by_heading(rows: Iterator[Row], column: int) -> Iterator[Row]:
    """Give each value of the blocks as a row, with its heading as the name."""
    heading, group, begun = Row(), list[Row](), False
    for row in rows:
        if not _is_row(row, column):
            group.append(row)
            continue
        times = of_kind(row, "datetime", "date", "time")
        if group:
            heading = _title_and_heading(group)[1] or heading
            if not begun:
                yield from (row for row in group if row != heading)
                units = {words.unit_of(h) or "" for i, h in enumerate(heading) if i not in times}
                yield [*(heading[i] for i in times), "Unit", f"({units.pop()})" if len(units) == 1 else ""]
            begun, group = True, []
        for i, cell in enumerate(row[: len(heading)]):
            if i not in times and heading[i].strip():
                yield [*(row[t] for t in times), heading[i], cell]
