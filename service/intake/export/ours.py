"""Files in a form of the API among those that other programs exported: nothing about them has to be proposed."""

from __future__ import annotations

from pathlib import Path

from service.intake.csv_form import COLUMNS
from service.intake.export.objects import names_of
from service.intake.parse import CSV_TYPE, JSON_TYPE, PARQUET_TYPE
from service.store.readings import CHANNELS

TYPES = {".json": JSON_TYPE, ".csv": CSV_TYPE, ".parquet": PARQUET_TYPE}
JSON_FIELDS = ("interval_min", "readings", *CHANNELS)
LONGEST_HEADING = 4096


def form_of(path: Path, name: str) -> str | None:
    """Return the content type of a file in a form of the API, else None.

    A CSV's first line names nothing else, and JSON has one of our names near its beginning, in no row.
    """
    kind = TYPES.get(Path(name).suffix.lower())
    if kind == JSON_TYPE:
        return kind if _is_our_json(_beginning(path)) else None
    if kind != CSV_TYPE:
        return kind
    names = _headings(path)
    return kind if {"serial", "start"} <= names <= set(COLUMNS) else None


def _is_our_json(head: bytes) -> bool:
    """Return whether JSON is one object with our names: a table, or rows of an interval that is said."""
    if not head.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"{"):
        return False
    ours = [field for field in JSON_FIELDS if f'"{field}"'.encode() in head]
    return bool(ours) and (not names_of(head) or {"interval_min", "readings"} <= {*ours})


def states_interval(path: Path) -> bool:
    """Return whether a CSV in our form says how long its intervals are."""
    return "interval_min" in _headings(path)


def _beginning(path: Path) -> bytes:
    with path.open("rb") as stream:
        return stream.read(LONGEST_HEADING)


def _headings(path: Path) -> set[str]:
    """Return the names in the first line, none if no channel of ours is among them."""
    with path.open("rb") as stream:
        line = stream.readline(LONGEST_HEADING).decode("utf-8-sig", "replace")
    names = {name.strip(' "') for name in line.strip().split(",")}
    return names if names & set(CHANNELS) else set()
