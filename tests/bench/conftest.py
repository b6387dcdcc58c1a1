"""Benchmarks take minutes and need a quiet machine: collected only when asked for, as in `pytest tests/bench`."""

from __future__ import annotations

from pathlib import Path

import pytest


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    asked = any("bench" in Path(argument).parts for argument in config.args)
    return None if asked or collection_path.name == "conftest.py" else True
