"""Reads what modules import and call from their source, without running it; for the tests of rooms and packaging."""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parent.parent


def modules(folder: str) -> Iterator[tuple[str, ast.Module]]:
    """Give the modules under a folder of the repository one by one, by dotted name and parsed.

    Kept together, a million nodes would make every search for waste of the run that many times slower.
    """
    files = sorted((ROOT / folder).rglob("*.py")) if (ROOT / folder).is_dir() else [ROOT / folder]
    for file in files:
        yield _dotted(file), ast.parse(file.read_text(encoding="utf-8"))


def _dotted(file: Path) -> str:
    parts = file.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imported(tree: ast.Module, module: str) -> Iterator[str]:
    """Give the dotted name of everything that the module imports, anywhere in it."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = _base(node, module)
            yield from (f"{base}.{alias.name}" for alias in node.names)


def _base(node: ast.ImportFrom, module: str) -> str:
    if not node.level:
        return node.module or ""
    above = module.split(".")[: -node.level]
    return ".".join([*above, node.module] if node.module else above)


def called(tree: ast.Module) -> Iterator[str]:
    """Give the dotted name of everything that the module calls, as it is written there."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            yield ast.unparse(node.func)


def is_within(name: str, *allowed: str) -> bool:
    """Return whether a dotted name is one of the allowed or lies under one."""
    return any(name == other or name.startswith(f"{other}.") for other in allowed)


def is_standard(name: str) -> bool:
    """Return whether a module belongs to Python's own library."""
    return name.partition(".")[0] in sys.stdlib_module_names
