"""The JSON API: parse, call, answer. What it says to whom is the contract; every rule lives in another room."""

from __future__ import annotations

from fastapi import APIRouter, Security
from fastapi.security import HTTPBearer

from service.web.api import probes, readings, sites, verification, weather

PREFIX = "/api/v1"

# The gate has checked the token before; this says in the API's description that there is one.
_described = Security(HTTPBearer(auto_error=False, description="An API token."))

router = APIRouter()
router.include_router(probes.router)
for _part in (sites, readings, weather, verification):
    router.include_router(_part.router, prefix=PREFIX, dependencies=[_described])
