"""What is wrong with an input, said by field, problem and remedy. Knows nothing of HTTP; never repeats the input."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from pydantic import ValidationError
from pydantic_core import InitErrorDetails, PydanticCustomError

ERRORS_SHOWN = 100
"""Errors listed at most; more are counted in the last entry."""

Loc = tuple[int | str, ...]


class Told(str):
    """A message in English, beside the template and the values that it was made of, so that pages can translate it."""

    template: str
    values: dict[str, object]


def mark(template: str) -> str:
    """Return the template as it is: it is only marked, to be collected for translation."""
    return template


def told(template: str, **values: object) -> Told:
    """Return the template with its values as `str.format` puts them in; a literal, for it is collected."""
    return _told(template, values)


def _told(template: str, values: dict[str, object]) -> Told:
    message = Told(template.format(**values))
    message.template, message.values = template, values
    return message


def as_kept(value: Any) -> Any:
    """Return what JSON holds with every message in it by its template and values, so that it can be told again."""
    if isinstance(value, Told):
        return {"told": value.template, "values": as_kept(value.values)}
    if isinstance(value, Mapping):
        return {name: as_kept(one) for name, one in value.items()}
    return [as_kept(one) for one in value] if isinstance(value, (list, tuple)) else value


def as_told(value: Any) -> Any:
    """Return what `as_kept` made with the messages as they were."""
    if isinstance(value, Mapping):
        found = {name: as_told(one) for name, one in value.items()}
        return _told(found["told"], found["values"]) if found.keys() == {"told", "values"} else found
    return [as_told(one) for one in value] if isinstance(value, list) else value


@dataclass(frozen=True)
class FieldError:
    """One bad field, as a path such as `units[3].plane` (empty for the whole input), and what to do."""

    field: str
    message: str


class Refused(Exception):  # noqa: N818 - what happened to the input, not a fault of the program
    """The input is refused as a whole; nothing of it is kept."""

    def __init__(self, errors: Iterable[FieldError]) -> None:
        self.errors = tuple(errors)
        super().__init__("; ".join(f"{e.field}: {e.message}" if e.field else e.message for e in self.errors))

    @classmethod
    def one(cls, field: str, message: str) -> Refused:
        """Return the refusal for a single field."""
        return cls([FieldError(field, message)])


def field_path(loc: Sequence[int | str]) -> str:
    """Return `units[3].plane` for ("units", 3, "plane")."""
    path = ""
    for part in loc:
        path += f"[{part}]" if isinstance(part, int) else f".{_shown(part)}"
    return path.removeprefix(".")


def _shown(name: str) -> str:
    printable = "".join(c if c.isprintable() else "?" for c in name[:81])
    return printable if len(name) <= 80 else printable[:80] + "…"


def details(errors: Iterable[tuple[Loc, str]], title: str) -> ValidationError:
    """Return errors that a model finds between its fields in pydantic's own form."""
    lines = [
        InitErrorDetails(type=PydanticCustomError("record", "{text}", {"text": text}), loc=loc, input=None)
        for loc, text in errors
    ]
    return ValidationError.from_exception_data(title, lines)


def field_errors(
    errors: Sequence[Any], known_fields: Callable[[Loc], Iterable[str]] = lambda _: ()
) -> list[FieldError]:
    """Return pydantic's errors in our words; `known_fields` names the fields there are beside an unknown one."""
    return limited([FieldError(field_path(e["loc"]), _message(e, known_fields)) for e in errors])


def limited(errors: list[FieldError]) -> list[FieldError]:
    """Return the first errors, and how many more there are."""
    if len(errors) <= ERRORS_SHOWN:
        return errors
    more = len(errors) - ERRORS_SHOWN
    return [
        *errors[:ERRORS_SHOWN],
        FieldError("", told("{more} more errors; correct those above first", more=more)),
    ]


def _message(error: Any, known_fields: Callable[[Loc], Iterable[str]]) -> str:
    kind, context = error["type"], error.get("ctx", {})
    if kind == "extra_forbidden":
        return unknown_field(str(error["loc"][-1]), known_fields(error["loc"]))
    if kind in _TEXTS:
        return told(_TEXTS[kind], **{name: _short(value) for name, value in context.items()})
    text = context.get("text")
    if isinstance(text, Told):
        return text
    return str(error["msg"]).removeprefix("Value error, ")


def _short(value: object) -> object:
    return f"{value:g}" if isinstance(value, float) else value


def unknown_field(name: str, known: Iterable[str]) -> str:
    """Return the message for a field that does not exist, with the nearest one that does."""
    known = sorted(known)
    near = get_close_matches(name.lower(), known, n=1, cutoff=0.5)
    if near:
        return f"is not a known field; did you mean {near[0]}?"
    return f"is not a known field; remove it (known: {', '.join(known)})" if known else "is not a known field"


_TEXTS = {
    "missing": mark("is required; add it"),
    "float_type": mark("must be a number, without quotation marks"),
    "int_type": mark("must be a whole number, without quotation marks"),
    "int_from_float": mark("must be a whole number"),
    "int_parsing": mark("must be a whole number"),
    "float_parsing": mark("must be a number"),
    "bool_parsing": mark("must be true or false"),
    "int_parsing_size": mark("is too large"),
    "finite_number": mark("must be a finite number"),
    "string_type": mark("must be a text in quotation marks"),
    "string_too_short": mark("must not be empty"),
    "string_too_long": mark("must have at most {max_length} characters; shorten it"),
    "string_unicode": mark("must be readable text (UTF-8)"),
    "list_type": mark("must be a list"),
    "too_short": mark("needs at least {min_length} entry"),
    "too_long": mark("must have at most {max_length} entries"),
    "dict_type": mark("must be an object with named fields"),
    "model_type": mark("must be an object with named fields"),
    "model_attributes_type": mark("must be an object with named fields"),
    "greater_than": mark("must be more than {gt}"),
    "greater_than_equal": mark("must be at least {ge}"),
    "less_than": mark("must be less than {lt}"),
    "less_than_equal": mark("must be at most {le}"),
    "literal_error": mark("must be one of {expected}"),
    "json_invalid": mark("is not valid JSON; check quotation marks, commas and brackets"),
}
