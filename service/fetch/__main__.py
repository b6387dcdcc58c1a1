"""Answers one question that comes as JSON on standard input with JSON on standard output; `apart` starts it."""

from __future__ import annotations

import json
import sys
from typing import Any

from service.fetch.ask import horizon, weather
from service.fetch.model import NoAnswer, Question


def answer(question: Question) -> dict[str, Any]:
    """Return what the service answers, or why it does not."""
    try:
        return {"answer": weather(question) if question.first else horizon(question)}
    except NoAnswer as no:
        return {"kind": no.kind, "said": no.said}


if __name__ == "__main__":
    json.dump(answer(Question(**json.load(sys.stdin))), sys.stdout)
