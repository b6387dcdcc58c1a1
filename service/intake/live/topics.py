"""Topic filters of MQTT whose levels may have names: `roof/+serial/power` listens to `roof/+/power`.

`+` stands for one level, `#`, at the end only, for all that follow (MQTT 5.0, 4.7). A name after `+` is ours: no
filter of the standard has it, so that the two cannot be mixed up.
"""

from __future__ import annotations

from itertools import zip_longest

from service.intake.problems import Told, told

LONGEST = 500


def wrong(pattern: str) -> Told | None:
    """Return why a text is no filter that is taken and what to do, None if it is one."""
    if not pattern or len(pattern) > LONGEST or not pattern.isprintable():
        return told("must be a topic of 1 to {most} printable characters", most=LONGEST)
    if pattern.startswith("$"):
        return told("must not begin with $: such topics are the broker's own")
    if pattern == "#":
        return told("would listen to everything on the broker; name at least one level")
    return _wrong_levels(pattern.split("/"))


def _wrong_levels(levels: list[str]) -> Told | None:
    if any("#" in level for level in levels[:-1]) or ("#" in levels[-1] and levels[-1] != "#"):
        return told("may have # as its last level only; use + for a level in the middle")
    if any("+" in level[1:] for level in levels):
        return told("may have + at the beginning of a level only, as in roof/+serial/power")
    names = [level for level in levels if level.startswith("+") and len(level) > 1]
    if len(names) > len(set(names)):
        return told("names two levels alike; give each a name of its own")
    return None


def as_filter(pattern: str) -> str:
    """Return the filter as the standard has it, without the names."""
    return "/".join("+" if level.startswith("+") else level for level in pattern.split("/"))


def levels_of(pattern: str, topic: str) -> dict[str, str]:
    """Return the levels of a topic that the filter matches, counted from 1 and by name."""
    levels = topic.split("/")
    found = {str(i): level for i, level in enumerate(levels, start=1)}
    named = zip(pattern.split("/"), levels, strict=False)
    return found | {name[1:]: level for name, level in named if name.startswith("+") and len(name) > 1}


def overlap(pattern: str, other: str) -> bool:
    """Return whether a topic can match both."""
    for one, two in zip_longest(as_filter(pattern).split("/"), as_filter(other).split("/")):
        if "#" in (one, two):
            return True
        if one is None or two is None:
            # A filter's # also matches the level above it.
            return False
        if one != two and "+" not in (one, two):
            return False
    return True
