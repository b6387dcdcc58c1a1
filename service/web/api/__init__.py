"""The JSON API: parse, call, answer. What it says to whom is the contract; every rule lives in another room."""

from __future__ import annotations

from fastapi import APIRouter

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

router = APIRouter()
for _part in (probes, sites, corrections, punch, readings, exports, feeds, weather, quality, verification):
    router.include_router(_part.router)
