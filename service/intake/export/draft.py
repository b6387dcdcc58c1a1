"""What is gathered about one table: answers before guesses, open questions, warnings. And what an answer may be."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from service.intake.export import asking
from service.intake.export.model import QUANTITIES, Guess, Question
from service.intake.export.tables import DELIMITERS, ENCODINGS, SAID_DELIMITERS
from service.intake.export.zones import Light, zone_of
from service.intake.problems import FieldError, Refused, told

TABLE_KEYS = ("encoding", "delimiter", "header_row")
"""Of the table: never asked, but what was proposed may be corrected."""

KEYS = ("timezone", "day_first", "label", "quantity", "interval_min", "decimal", "dash", "units", *TABLE_KEYS)
MOST_HEADINGS = 100
LONGEST_MIN = 60
SHOWN = 6

Answers = Mapping[str, str]
ALLOWED = {
    "day_first": ("true", "false", "year_first"),
    "label": ("start", "middle", "end"),
    "quantity": tuple(QUANTITIES),
    "decimal": ("point", "comma"),
    "dash": ("missing", "zero"),
    "interval_min": tuple(map(str, range(1, LONGEST_MIN + 1))),
    "encoding": ENCODINGS,
    "delimiter": (*SAID_DELIMITERS, *DELIMITERS),
    "header_row": tuple(map(str, range(MOST_HEADINGS + 1))),
}
_RANGES = {"interval_min": f"1 to {LONGEST_MIN}", "header_row": f"0 (there are none) to {MOST_HEADINGS}"}


@dataclass
class Draft:
    """Gathers what is found about one table."""

    answers: Answers
    guesses: dict[str, Guess] = field(default_factory=dict)
    questions: list[Question] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    says: tuple[str, ...] = ()
    """What stands over its values, in kinds of words and units."""
    is_said: bool = False
    """The headings of its values say themselves what they are."""
    light: Light | None = None
    beside: tuple[Light, ...] = ()
    """What its rows show of the light, and those of other tables of the file."""
    notes: Sequence[Sequence[Sequence[str]]] = ()
    """The rows of each text beside it."""
    shared: Mapping[str, Guess] = field(default_factory=dict)
    """What these have settled for it, taken where it would be asked."""

    def settle(self, key: str, guess: Guess, question: Question | None, *, from_others: bool = True) -> str:
        """Take an answer before a guess, what others share before a question, and keep that if there is none."""
        if key in self.answers:
            guess, question = Guess(self.answers[key], 1.0, told("answered")), None
        elif question and from_others and key in self.shared:
            guess, question = self.shared[key], None
        self.guesses[key] = guess
        if question:
            self.questions.append(question)
        return str(guess.value)

    def close(self, key: str, guess: Guess) -> None:
        """Take a guess that makes a question needless."""
        self.guesses[key] = guess
        self.questions[:] = [q for q in self.questions if q.key != key]

    def is_open(self, *keys: str) -> bool:
        """Return whether one of the questions is open."""
        return any(q.key in keys for q in self.questions)


def checked_answers(answers: Answers) -> Answers:
    """Return the answers; Refused where a key is unknown or a value cannot be one."""
    errors = [
        FieldError(key, told("is not a question; known: {keys}", keys=", ".join(KEYS)))
        for key in answers
        if key not in KEYS
    ]
    for key, values in ALLOWED.items():
        if key in answers and answers[key] not in values:
            shown = _RANGES.get(key) or ", ".join(SAID_DELIMITERS if key == "delimiter" else values)
            errors.append(FieldError(key, told("must be one of: {choices}", choices=shown)))
    errors += _unreadable(answers)
    if errors:
        raise Refused(errors)
    return answers


def _unreadable(answers: Answers) -> list[FieldError]:
    found = []
    for key, read, remedy in (
        ("timezone", zone_of, told("must be a zone such as Europe/Berlin, UTC or +01:00")),
        ("units", asking.parted, told("must be NAME:SERIAL for each name, parted by commas; - for no unit")),
    ):
        try:
            read(answers.get(key, "UTC" if key == "timezone" else ""))
        except ValueError:
            found.append(FieldError(key, remedy))
    return found


def listed(names: Iterable[str]) -> str:
    """Return the first names, and how many more there are."""
    kept = list(names)
    more = len(kept) - SHOWN
    return ", ".join(kept[:SHOWN]) + (f" (+{more})" if more > 0 else "")
