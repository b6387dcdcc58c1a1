"""Parts of our pages' addresses."""

from __future__ import annotations

from urllib.parse import quote


def path_segment(text: str) -> str:
    """Return text for use within a URL's path; a serial may hold slashes."""
    return quote(text, safe="/")
