"""Asks in a process of its own, which ends when it must: whatever a service answers, it holds up nothing here."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import asdict
from typing import Any

from service.fetch.model import Day, NoAnswer, Question

HORIZON_S = 25
"""How long somebody waits in front of a page."""


def fetch_weather(question: Question, *, longest_s: float) -> dict[str, Day]:
    """Return the hourly means by UTC day; NoAnswer says why there are none."""
    found: dict[str, Day] = _ask(question, longest_s)
    return found


def fetch_horizon(question: Question, *, longest_s: float = HORIZON_S) -> list[tuple[float, float]]:
    """Return the far horizon as azimuths and elevations, degrees; NoAnswer says why there is none."""
    return [(float(azimuth), float(elevation)) for azimuth, elevation in _ask(question, longest_s)]


def _ask(question: Question, longest_s: float) -> Any:
    # By standard input: what is in the arguments, everybody on the computer reads.
    try:
        done = subprocess.run(
            [sys.executable, "-m", "service.fetch"],
            input=json.dumps(asdict(question)),
            capture_output=True,
            text=True,
            timeout=longest_s,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise NoAnswer("slow") from None
    if done.returncode:
        raise NoAnswer("broken", done.stderr.strip().rpartition("\n")[2][:200])
    said = json.loads(done.stdout)
    if "answer" not in said:
        raise NoAnswer(said["kind"], said["said"])
    return said["answer"]
