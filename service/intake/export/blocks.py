"""Blocks of a table's rows, from which its columns are read. What the cells mean is not known here.

A regular block of text stays as it is and gives its columns at once; any other was gone through row by row. Both give
the same cells.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import Any, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from service.intake.export.words import MISSING
from service.store.grids import FloatArray, IntArray

ROWS_AT_ONCE = 5000

_NO_VALUE = sorted({f(text) for text in MISSING for f in (str, str.upper, str.title)})

Row = list[str]


class Texts(NamedTuple):
    """A column of texts: the place of each row's text among the distinct ones."""

    codes: IntArray
    distinct: Any
    """A pyarrow array of strings."""

    def of(self, row: int) -> str:
        """Return the text in a row."""
        return str(self.distinct[int(self.codes[row])].as_py())


def joined(columns: Sequence[Texts]) -> Texts:
    """Return the columns as one, with a space between their cells."""
    import pyarrow.compute as pc  # noqa: PLC0415 - as below

    if len(columns) == 1:
        return columns[0]
    cells = [column.distinct.take(column.codes) for column in columns]
    return _coded(pc.binary_join_element_wise(*cells, " "))


class Columns(NamedTuple):
    """Cells by column, empty where a row is too short; plain numbers are read already, NaN where missing."""

    texts: list[Texts]
    values: list[FloatArray | Texts]
    widths: IntArray | None = None
    """How many cells each row has, up to the last that is not empty; None where all have the same."""


class Block(Protocol):
    """Rows of a table that follow each other; `faults` are those that are none, and why."""

    @property
    def size(self) -> int:
        """Return how many rows there are."""

    @property
    def faults(self) -> Mapping[int, str]:
        """Return the rows that are none, and why."""

    def rows(self, picked: Iterable[int] | None = None) -> list[Row]:
        """Return all rows, or those picked."""

    def columns(
        self, texts: Sequence[int], values: Sequence[int], decimal: str, *, as_texts: bool = False
    ) -> Columns:
        """Return the columns at these places, values as they are written if somebody wants to see them."""


@dataclass(frozen=True)
class Rows:
    """Rows that were gone through one by one."""

    held: list[Row]
    faults: Mapping[int, str] = field(default_factory=dict)

    @property
    def size(self) -> int:
        """Return how many rows there are."""
        return len(self.held)

    def rows(self, picked: Iterable[int] | None = None) -> list[Row]:
        """Return all rows, or those picked."""
        return self.held if picked is None else [self.held[i] for i in picked]

    def columns(
        self,
        texts: Sequence[int],
        values: Sequence[int],
        decimal: str,  # noqa: ARG002
        *,
        as_texts: bool = True,  # noqa: ARG002
    ) -> Columns:
        """Return the columns at these places, as texts."""
        widths = np.array([_width(row) for row in self.held], dtype=np.int64)
        return Columns([self._texts(i) for i in texts], [self._texts(i) for i in values], widths)

    def _texts(self, column: int) -> Texts:
        import pyarrow as pa  # noqa: PLC0415 - 60 MB that a server to which nobody brings a file need not hold

        return _coded(pa.array([row[column] if len(row) > column else "" for row in self.held], pa.string()))


def _width(row: Row) -> int:
    return next((i for i in range(len(row), 0, -1) if row[i - 1].strip()), 0)


def in_blocks(rows: Iterator[Row]) -> Iterator[Rows]:
    """Give single rows as blocks."""
    while held := list(islice(rows, ROWS_AT_ONCE)):
        yield Rows(held)


def regular(raw: bytes, delimiter: str) -> Regular | None:
    """Return text in UTF-8 as a block if each line is a row, with quotation marks around whole cells or nowhere."""
    if b"\0" in raw or raw.count(b"\r") != raw.count(b"\r\n") or not delimiter.isascii():
        return None
    octets = np.frombuffer(raw, dtype=np.uint8)
    ends: IntArray = np.flatnonzero(octets == ord("\n")) + 1
    if not raw.endswith(b"\n"):
        ends = np.append(ends, len(raw))
    if np.diff(ends, prepend=0).max() > csv.field_size_limit():
        return None
    if b'"' in raw and not _quotes_whole_cells(octets, ends, delimiter):
        return None
    return Regular(raw, delimiter, ends)


def _quotes_whole_cells(octets: NDArray[np.uint8], ends: IntArray, delimiter: str) -> bool:
    marks = np.flatnonzero(octets == ord('"'))
    if marks.size % 2:
        return False
    opening, closing = marks[::2], marks[1::2]
    around = np.concatenate(
        [octets[opening[opening > 0] - 1], octets[closing[closing + 1 < octets.size] + 1]]
    )
    same_line = np.searchsorted(ends, opening, "right") == np.searchsorted(ends, closing, "right")
    return bool(np.isin(around, [ord(c) for c in (delimiter, "\r", "\n")]).all() and same_line.all())


class Regular:
    """Text that `regular` found to be so."""

    faults: Mapping[int, str] = {}

    def __init__(self, raw: bytes, delimiter: str, ends: IntArray) -> None:
        self._raw, self._delimiter, self._ends = raw, delimiter, ends

    @property
    def size(self) -> int:
        """Return how many rows there are."""
        return int(self._ends.size)

    def rows(self, picked: Iterable[int] | None = None) -> list[Row]:
        """Return all rows, or those picked."""
        raw = self._raw if picked is None else b"".join(map(self._line, picked))
        return list(csv.reader(io.StringIO(raw.decode(), newline=""), delimiter=self._delimiter))

    def columns(
        self, texts: Sequence[int], values: Sequence[int], decimal: str, *, as_texts: bool = False
    ) -> Columns:
        """Return the columns at these places."""
        import pyarrow as pa  # noqa: PLC0415 - as above

        text = pa.dictionary(pa.int32(), pa.string())
        for kind in (text,) if as_texts else (pa.float64(), text):
            try:
                found = self._read({**dict.fromkeys(values, kind), **dict.fromkeys(texts, text)}, decimal)
            except pa.ArrowInvalid:  # a cell that is not plainly a number, or lines of different width
                continue
            if kind == text:
                return Columns([_coded(found[i]) for i in texts], [_coded(found[i]) for i in values])
            if all(_is_plain(found[i]) for i in values):
                numbers = [found[i].to_numpy(zero_copy_only=False) for i in values]
                return Columns([_coded(found[i]) for i in texts], [*numbers])
        return Rows(self.rows()).columns(texts, values, decimal)

    def _read(self, kinds: Mapping[int, Any], decimal: str) -> dict[int, Any]:
        import pyarrow as pa  # noqa: PLC0415 - as above
        from pyarrow import csv as arrow  # noqa: PLC0415

        names = {i: f"f{i}" for i in kinds}  # as pyarrow names them by itself
        found = arrow.read_csv(
            pa.BufferReader(self._raw),
            arrow.ReadOptions(
                use_threads=False, block_size=len(self._raw) + 1, autogenerate_column_names=True
            ),
            arrow.ParseOptions(delimiter=self._delimiter),
            arrow.ConvertOptions(
                include_columns=list(names.values()),
                include_missing_columns=True,
                column_types={names[i]: kind for i, kind in kinds.items()},
                null_values=_NO_VALUE,
                decimal_point=decimal,
            ),
        )
        if found.num_rows != self.size:  # it leaves out empty lines
            raise pa.ArrowInvalid
        return {i: found.column(name) for i, name in names.items()}

    def _line(self, row: int) -> bytes:
        return self._raw[0 if row == 0 else self._ends[row - 1] : self._ends[row]]


def _is_plain(column: Any) -> bool:
    """Return whether all numbers are finite: what the text of another says is to be looked at."""
    import pyarrow.compute as pc  # noqa: PLC0415 - as above

    return bool(pc.all(pc.is_finite(column)).as_py() is not False)


def _coded(column: Any) -> Texts:
    """Return a column of texts, or of texts by their places, as one."""
    import pyarrow as pa  # noqa: PLC0415 - as above

    joined = column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
    if not isinstance(joined, pa.DictionaryArray):
        joined = joined.dictionary_encode()
    if joined.null_count:  # the column is not there
        return Texts(np.zeros(len(joined), dtype=np.int64), pa.array([""], pa.string()))
    return Texts(joined.indices.to_numpy().astype(np.int64), joined.dictionary)
