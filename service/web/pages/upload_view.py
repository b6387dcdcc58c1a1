"""What the page of a file that was brought shows: what is asked, what was understood, its light, what became of it."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from service.intake.export import model
from service.intake.export.asking import asked, parted
from service.intake.export.draft import TABLE_KEYS
from service.intake.export.model import QUANTITIES, Known
from service.intake.export.tables import ENCODINGS, SAID_DELIMITERS
from service.intake.problems import Told, as_told
from service.jobs.uploads import SMALL_BYTES
from service.report import words
from service.report.language import gettext as _
from service.report.language import marked, ngettext
from service.store.tables import Site, Upload
from service.web.pages.feed_form import KIND_WORDS
from service.web.pages.site_view import Chart
from service.web.pages.told import in_words
from service.web.pages.upload_light import doubt_of, light_chart, light_of, light_sentence

NAMES_SHOWN = 6
REJECTED_IN_A_SHEET = 100_000
WHAT = {
    "quantity": marked("The values are"),
    "interval_min": marked("A value covers"),
    "label": marked("A time stands at"),
    "timezone": marked("Time zone"),
    "day_first": marked("In a date comes first"),
    "decimal": marked("Before fractions stands"),
    "dash": marked("A dash says by day"),
    "units": marked("Units"),
    "beside": marked("Read beside them"),
    "time_columns": marked("Times are taken from"),
    "shape": marked("Layout"),
    "header_row": marked("The headings end in"),
    "missing": marked("No value is meant by"),
    "delimiter": marked("Between the cells"),
    "encoding": marked("Letters are written in"),
}
OF_THE_TABLE = ("time_columns", "shape", "header_row", "missing", "delimiter", "encoding")
"""What is said of the table and not of the values in it."""
PLAIN = {"wide": marked("a column for each unit"), "long": marked("a row for each unit and time")}
CHOICES = {
    "quantity": tuple(QUANTITIES),
    "interval_min": ("5", "10", "15", "30", "60"),
    "label": ("start", "middle", "end"),
    "day_first": ("true", "false", "year_first"),
    "decimal": ("point", "comma"),
    "dash": ("missing", "zero"),
    "encoding": ENCODINGS,
    "delimiter": tuple(SAID_DELIMITERS),
}
"""What may be chosen by hand where nothing is asked; zones are added from the record."""

WORDS_OF = {sign: word for word, sign in SAID_DELIMITERS.items()}
ROWS_OFFERED = 10


@dataclass(frozen=True)
class Choice:
    """One thing to choose."""

    value: str
    text: str
    chosen: bool
    likely: bool = False


@dataclass(frozen=True)
class Part:
    """A name in the file, and the field in which its unit is chosen."""

    field: str
    name: str
    choices: tuple[Choice, ...]


@dataclass(frozen=True)
class Ask:
    """A question that is open."""

    key: str
    text: str
    why: str
    choices: tuple[Choice, ...]
    parts: tuple[Part, ...] = ()


@dataclass(frozen=True)
class Line:
    """One thing that was understood; with choices it can be corrected by hand."""

    key: str
    what: str
    proposed: str
    sure: str
    why: str
    choices: tuple[Choice, ...] = ()
    can_ask_again: bool = False


@dataclass(frozen=True)
class Reading:
    """One value as it was understood."""

    serial: str
    span: str
    value: str


@dataclass(frozen=True)
class UploadView:
    """All that the page shows."""

    number: int
    href: str
    name: str
    state: str
    turn: int
    sent: str
    share: int
    waits: bool = False
    """Nobody works on it yet."""
    asks: tuple[Ask, ...] = ()
    later: int = 0
    """Questions that are open beside those."""
    lines: tuple[Line, ...] = ()
    layout: tuple[Line, ...] = ()
    retry: tuple[Line, ...] = ()
    """What can be said of a file that cannot be read."""
    others: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    first: tuple[Reading, ...] = ()
    brightest: tuple[Reading, ...] = ()
    light: str = ""
    doubt: str = ""
    chart: Chart | None = None
    mapping: str = ""
    errors: tuple[str, ...] = ()
    became: tuple[str, ...] = ()
    rejected: int = 0
    sheet_too: bool = False


def upload_view(site: Site, upload: Upload) -> UploadView:
    """Return what the page shows of a file: one question at once, unless looking again takes long."""
    found, outcome = as_told(upload.found or {}), as_told(upload.outcome or {})
    zone = ZoneInfo(site.record["timezone"])
    known = Known.of_record(site.record) if site.record["inverter_types"] else None
    tables = [t for t in found.get("tables", []) if not t["refused"]]
    questions = [_question(q) for q in found.get("questions", [])]
    now = questions[:1] if max(upload.size, upload.total) <= SMALL_BYTES else questions
    lines = (
        _lines(tables[0]["guesses"], {q.key for q in questions}, upload.answers, known)
        if tables and known
        else []
    )
    light = light_of(upload)
    href = f"/sites/{site.id}/exports/{upload.number}"
    warnings = outcome.get("warnings", found.get("warnings", []))
    return UploadView(
        upload.number,
        href,
        upload.name,
        upload.state,
        upload.turn,
        _("%(who)s, %(when)s") % {"who": upload.sent_by, "when": words.moment(upload.sent_at, zone)},
        round(100 * min(1.0, upload.seen / upload.total)) if upload.total else 0,
        upload.worked_at is None,
        tuple(_ask(q, upload.answers) for q in now),
        len(questions) - len(now),
        tuple(one for one in lines if one.key not in OF_THE_TABLE),
        tuple(one for one in lines if one.key in OF_THE_TABLE),
        tuple(_retry(upload.answers)) if upload.state == "failed" else (),
        tuple(t["table"] for t in tables[1:]),
        tuple(_sentence(w) for w in warnings),
        tuple(_reading(one, zone) for one in found.get("first", [])),
        tuple(_reading(one, zone) for one in found.get("brightest", [])),
        light_sentence(light) if light else "",
        doubt_of(light) if light else "",
        light_chart(href, upload, light) if light else None,
        upload.mapping,
        tuple(f"{e['field']} {in_words(e['message'])}".strip() for e in as_told(upload.errors)),
        tuple(_became(outcome)) if outcome else (),
        outcome.get("rejected", 0),
        0 < outcome.get("rejected", 0) <= REJECTED_IN_A_SHEET,
    )


def _sentence(message: str) -> str:
    """Return a message as a sentence of its own; one that begins with a name is left as it is."""
    said = in_words(message)
    return said if isinstance(message, Told) and message.template.startswith("{") else words.capital(said)


def _question(kept: Mapping[str, Any]) -> model.Question:
    parts = tuple(model.Part(**part) for part in kept["parts"])
    return model.Question(**{**kept, "parts": parts})


# What is asked


def _ask(question: model.Question, answers: Mapping[str, str]) -> Ask:
    return Ask(
        question.key,
        in_words(question.text) or question.key,
        words.capital(in_words(question.why)),
        _choices(question, question.proposed),
        tuple(_parts(question, answers)),
    )


def _choices(question: model.Question, chosen: str | None) -> tuple[Choice, ...]:
    labels = question.labels or question.choices
    return tuple(
        Choice(value, in_words(text), value == chosen, value == question.proposed)
        for value, text in zip(question.choices, labels, strict=True)
    )


def _parts(question: model.Question, answers: Mapping[str, str]) -> list[Part]:
    given = parted(answers[question.key]) if question.key in answers else {}
    found = []
    for number, part in enumerate(question.parts):
        chosen = given.get(part.name, part.proposed)
        found.append(Part(f"{question.key}.{number}", part.name, _choices(question, chosen)))
    return found


# What was understood


def _lines(
    guesses: Mapping[str, Any], is_asked: set[str], answered: Collection[str], known: Known
) -> list[Line]:
    found = []
    for key in (k for k in WHAT if k in guesses and k not in is_asked):
        guess = guesses[key]
        choices = _corrections(key, guess["value"], known)
        said = next((c.text for c in choices if c.chosen), None) or _said(key, guess["value"])
        sure = _("as answered") if key in answered else words.confidence(guess["confidence"])
        why = "" if key in answered else words.capital(in_words(guess["why"]))
        if said:
            again = key in answered and not choices
            found.append(Line(key, _(WHAT[key]), said, sure, why, choices, again))
    return found


def _retry(answers: Mapping[str, str]) -> Iterator[Line]:
    """Give what may be said of the table itself, nothing at first."""
    for key in TABLE_KEYS:
        said = WORDS_OF.get(answers.get(key, ""), answers.get(key, ""))
        as_seen = Choice("", _("as it looks by itself"), chosen=not said)
        offered = CHOICES.get(key) or _rows(said)
        yield Line(key, _(WHAT[key]), "", "", "", (as_seen, *_choices(asked(key, offered, ""), said)))


def _rows(value: str) -> tuple[str, ...]:
    last = int(value) if value.isdecimal() else 0
    return tuple(map(str, range(max(ROWS_OFFERED, last + ROWS_OFFERED // 2) + 1)))


def _corrections(key: str, value: Any, known: Known) -> tuple[Choice, ...]:
    """Return what may be chosen in the place of a guess; nothing where the file leaves no choice."""
    value = WORDS_OF.get(str(value), value) if key == "delimiter" else value
    if key == "header_row":
        offered: tuple[str, ...] = _rows(str(value))
    elif key == "timezone":
        offered = () if " " in str(value) else (str(value), known.zone, "UTC")
    else:
        offered = CHOICES.get(key, ())
    if key == "interval_min" and str(value).isdecimal():
        offered = tuple(sorted({*offered, str(value)}, key=int))
    if key == "encoding":  # what the bytes look like may be one of many more
        offered = (str(value), *offered)
    if str(value) not in offered:
        return ()
    return _choices(asked(key, tuple(dict.fromkeys(offered)), "", known=known), str(value))


def _said(key: str, value: Any) -> str:
    if isinstance(value, Mapping):
        return _units(value if key == "units" else {name: _(KIND_WORDS[c]) for name, c in value.items()})
    if isinstance(value, list):
        return words.listed([in_words(one) if one else _("an empty cell") for one in value])
    return (
        _(PLAIN[value]) if value in PLAIN else in_words(str(value) if not isinstance(value, str) else value)
    )


def _units(value: Mapping[str, Any]) -> str:
    shown = [
        in_words(serial) if serial in name else f"{name} → {in_words(serial)}"
        for name, serial in value.items()
    ]
    more = len(shown) - NAMES_SHOWN
    if more <= 0:
        return words.listed(shown)
    rest = ngettext("%(num)d more", "%(num)d more", more) % {"num": more}
    return words.listed([*shown[:NAMES_SHOWN], rest])


# Values


def _reading(one: Mapping[str, Any], zone: ZoneInfo) -> Reading:
    start, end = (datetime.fromtimestamp(one[name], zone) for name in ("start", "end"))
    span = f"{words.moment(start, zone)}{words.EN_DASH}{words.clock(end.time())}"
    return Reading(one["serial"], span, _value(one["channel"], one["value"]))


def _value(channel: str, value: float) -> str:
    if channel == "energy_wh":
        return f"{words.number(value, 1)}{words.NBSP}Wh"
    if channel == "power_w":
        return f"{words.number(value, 1)}{words.NBSP}W"
    return f"{_(KIND_WORDS[channel])}: {words.number(value, 2)}"


# What became of it


def _became(outcome: Mapping[str, Any]) -> list[str]:
    new, old, out = outcome["accepted"], outcome["replaced"], outcome["rejected"]
    found = [
        ngettext("%(count)s reading is new.", "%(count)s readings are new.", new)
        % {"count": words.number(new)}
    ]
    if old:
        found.append(
            ngettext(
                "%(count)s was held already; the file\u2019s value counts now.",
                "%(count)s were held already; the file\u2019s values count now.",
                old,
            )
            % {"count": words.number(old)}
        )
    if out:
        found.append(
            ngettext(
                "%(count)s was rejected, with its reason.",
                "%(count)s were rejected, each with its reason.",
                out,
            )
            % {"count": words.number(out)}
        )
    return found


@dataclass(frozen=True)
class Listed:
    """A file in the list of those that were brought."""

    href: str
    name: str
    state: str
    sent: str


STATES = {
    "looking": marked("is being looked at"),
    "asks": marked("asks something"),
    "ready": marked("waits for your word"),
    "taking": marked("is being stored"),
    "done": marked("stored"),
    "failed": marked("cannot be read"),
}


def listed_uploads(site: Site, found: Sequence[Upload]) -> list[Listed]:
    """Return the files as the list shows them."""
    zone = ZoneInfo(site.record["timezone"])
    return [
        Listed(
            f"/sites/{site.id}/exports/{one.number}",
            one.name,
            _(STATES[one.state]),
            _("%(who)s, %(when)s") % {"who": one.sent_by, "when": words.moment(one.sent_at, zone)},
        )
        for one in found
    ]
