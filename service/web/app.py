"""Puts the application together: settings, engine, routes and error forms. Holds no route of its own."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from fastapi import FastAPI
from sqlalchemy import Engine

from service import __version__
from service.settings import Settings
from service.store.database import make_engine


def create_app(settings: Settings, *, engine: Engine | None = None, jobs: Any = None) -> FastAPI:
    """Return the application on the given engine, or on one of its own that it disposes of when it stops."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        yield
        if engine is None:
            app.state.engine.dispose()

    app = FastAPI(title="Yieldproof", version=__version__, lifespan=lifespan, docs_url=None, redoc_url=None)
    app.state.settings = settings
    app.state.engine = engine or make_engine(settings.database_url)
    app.state.jobs = jobs
    return app
