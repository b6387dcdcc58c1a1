"""The JSON API: parse, call, answer. What it says to whom is the contract; every rule lives in another room."""

from __future__ import annotations

from fastapi import FastAPI

from service.web.api import (
    corrections,
    exports,
    feeds,
    probes,
    punch,
    quality,
    readings,
    sites,
    verification,
    weather,
)

PARTS = (probes, sites, corrections, punch, readings, exports, feeds, weather, quality, verification)


def install(app: FastAPI) -> None:
    """Add the routes as they are: including the routers would work out each route again for each application."""
    for part in PARTS:
        app.router.routes.extend(part.router.routes)
