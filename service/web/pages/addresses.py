"""Addresses: the one under which people reach this server, for links that leave the page, and texts within a path."""

from __future__ import annotations

from urllib.parse import quote

from fastapi import Request

from service.settings import Settings


def own_address(request: Request) -> str:
    """Return scheme and host, as set or else as the browser used them."""
    settings: Settings = request.app.state.settings
    chosen = settings.base_url if "base_url" in settings.model_fields_set else str(request.base_url)
    return chosen.rstrip("/")


def path_segment(text: str) -> str:
    """Return text for use within a URL's path; a serial may hold slashes."""
    return quote(text, safe="/")
