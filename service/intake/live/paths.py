"""Paths into a JSON message: JSONPath by RFC 9535, `$` for the message and `@` for one of its rows.

They are given by a person and run on what devices send, so they are kept to what takes time in proportion to the
message: no functions, at most one filter and one descent in a path.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from itertools import islice
from typing import Any, NamedTuple, cast

from jsonpath import JSONPath, JSONPathEnvironment
from jsonpath.exceptions import JSONPathError

from service.intake.problems import Told, told

LONGEST = 200

_ENVIRONMENT = JSONPathEnvironment(strict=True)
_ENVIRONMENT.function_extensions.clear()


class WrongPath(Exception):  # noqa: N818 - what the text is, not a fault of the program
    """A text is no path that is taken; `message` says why and what to do."""

    def __init__(self, message: Told) -> None:
        self.message = message
        super().__init__(message)


class Node(NamedTuple):
    """A value in a message, its place as a path, and the name of the member that it is."""

    value: Any
    place: str
    name: str | None


def check(path: str) -> None:
    """Raise WrongPath unless the text is a path that is taken."""
    if not path.startswith(("$", "@")):
        raise WrongPath(told("must begin with $ (the message) or @ (its row), as in $.units or @.power"))
    for mark, most in (("$", 1), ("?", 1), ("..", 1)):
        if path[1:].count(mark) > most - (mark == "$"):
            raise WrongPath(told("must hold “{mark}” once at most; name the members instead", mark=mark))
    try:
        _compiled(path)
    except JSONPathError as error:
        why = str(error.args[0]) if error.args else type(error).__name__
        raise WrongPath(told("is no JSONPath as RFC 9535 has it: {why}; correct it", why=why)) from None


def nodes(path: str, message: Any, row: Any, most: int) -> list[Node]:
    """Return at most so many of the values to which the path leads; WrongPath if the message is nested too deeply."""
    try:
        return list(islice(_found(path, row if path.startswith("@") else message), most))
    except (JSONPathError, RecursionError):
        raise WrongPath(told("leads too deep into the message; name the members instead")) from None


def _found(path: str, root: Any) -> Iterator[Node]:
    if isinstance(root, str):  # the library would read it as JSON
        yield from (Node(root, "$", None),) if len(path) == 1 else ()
        return
    for match in _compiled(path).finditer(root):
        last = match.parts[-1] if match.parts else None
        yield Node(match.obj, match.path, last if isinstance(last, str) else None)


@lru_cache(maxsize=1000)
def _compiled(path: str) -> JSONPath:
    return cast(JSONPath, _ENVIRONMENT.compile(f"${path[1:]}"))  # by the RFC there are no compound paths
