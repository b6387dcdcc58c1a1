"""What the front page says is so: its settings, its commands, and the two commands that a newcomer types."""

from __future__ import annotations

import re
from typing import Any

import pytest
from typer.main import get_command

from service.cli import app
from service.settings import PREFIX, Settings
from tests.imports import ROOT

README = (ROOT / "README.md").read_text(encoding="utf-8")


def _rows(heading: str) -> list[list[str]]:
    part = README.split(f"### {heading}\n")[1].split("\n#")[0]
    lines = [line for line in part.splitlines() if line.startswith("| `")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


def _blocks() -> list[str]:
    return re.findall(r"```sh\n(.*?)```", README, flags=re.DOTALL)


def test_settings_table_is_complete() -> None:
    named = {row[0].strip("`").removeprefix(PREFIX).lower() for row in _rows("Settings")}
    assert named == set(Settings.model_fields)


@pytest.mark.parametrize(
    "name", ["base_url", "secure_cookies", "trusted_proxies", "run_worker", "max_body_mb"]
)
def test_defaults_in_the_table_are_the_programs(name: str) -> None:
    (row,) = [r for r in _rows("Settings") if r[0] == f"`{PREFIX}{name.upper()}`"]
    default = Settings.model_fields[name].default
    assert row[1].strip("`") == str(default).lower()


def _leaves(command: Any, path: tuple[str, ...] = ()) -> set[tuple[str, ...]]:
    below = getattr(command, "commands", None)
    if below is None:
        return {path}
    return {leaf for name, child in below.items() for leaf in _leaves(child, (*path, name))}


def test_commands_table_is_complete() -> None:
    named = set()
    for row in _rows("Commands"):
        first, *others = re.findall(r"`([a-z ]+)`", row[0])
        words = tuple(first.split()[1:])
        named |= {words} | {(*words[:-1], other) for other in others}
    assert named == _leaves(get_command(app))


def test_two_commands_do_everything() -> None:
    demo, tests = _blocks()[:2]
    assert [len(block.strip().splitlines()) for block in (demo, tests)] == [1, 1]
    assert demo.strip().endswith("yieldproof demo")
    assert ".venv/bin/pytest" in tests
    assert all("-c constraints.txt" in block for block in (demo, tests))
