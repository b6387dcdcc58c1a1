"""Where the folders beside the code are: at the root of a checkout, or inside the installed package."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).parent


def _folder(name: str) -> Path:
    packaged = _PACKAGE / f"_{name}"
    return packaged if packaged.is_dir() else _PACKAGE.parent / name


def templates_dir() -> Path:
    """Return the folder of page, mail and report templates."""
    return _folder("templates")


def migrations_dir() -> Path:
    """Return the Alembic folder."""
    return _folder("migrations")
