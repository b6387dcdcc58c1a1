"""What a verification could not judge, as the pages say it: what is open, where, and what is missing."""

from __future__ import annotations

from dataclasses import dataclass

from service.report import words
from service.verify.result import Unseen, Verification

DEAD_UNITS = "no_output"


@dataclass(frozen=True)
class Open:
    """What lacks the same thing at the same place."""

    questions: str
    place: str
    missing: str


def open_lines(found: Verification) -> list[Open]:
    """Return what is not judged yet, a line for each thing that is missing."""
    lines: dict[tuple[str, str], list[str]] = {}
    for entry in found.not_yet:
        lines.setdefault((entry.missing, _place(entry)), []).append(words.open_question(entry.cause))
    return [Open(_sentence(asked), place, missing) for (missing, place), asked in lines.items()]


def waiting_line(found: Verification) -> str:
    """Return in one sentence what waiting may still show of the roof and its branches; empty if nothing more."""
    waiting = [u for u in found.not_yet if u.waiting_helps and words.CAUSES[u.cause].place != "desk"]
    dead = next((entry for entry in waiting if entry.cause == DEAD_UNITS), None)
    if dead is not None:
        minutes = words.counted(round(dead.needs["minutes"]), "more minute")
        return f"{_sentence([words.open_question(DEAD_UNITS)])} show after about {minutes} of light."
    asked = dict.fromkeys(words.open_question(entry.cause) for entry in waiting)
    return f"Not judged yet: {words.listed(asked)}." if asked else ""


def _place(entry: Unseen) -> str:
    count = len(entry.serials)
    units = [words.counted(count, "unit")] if count else []
    planes = [f"roof plane \u201c{name}\u201d" for name in entry.planes]
    return " on ".join(units + ([words.listed(planes)] if planes else []))


def _sentence(parts: list[str]) -> str:
    text = words.listed(parts)
    return text[:1].upper() + text[1:]
