"""Puts the application together: settings, engine, jobs, routes, errors and what every request passes."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from fastapi import FastAPI
from sqlalchemy import Engine

from service import __version__
from service.settings import Settings
from service.store.database import make_engine
from service.web import api, errors, pages
from service.web.api import schema
from service.web.gate import BodyLimit, TokenGate
from service.web.metrics import CountRequests, Metrics
from service.web.pages import contact
from service.web.speaking import Speaking

MEGABYTE = 1024 * 1024
FORM_AROUND = 64 * 1024
"""A form's other fields beside its file."""


def create_app(settings: Settings, *, engine: Engine | None = None, jobs: Any = None) -> FastAPI:
    """Return the application on the given engine, or on one of its own that it disposes of when it stops."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        yield
        if engine is None:
            app.state.engine.dispose()

    # The library's own pages of documentation load from elsewhere; /openapi.json is the description.
    app = FastAPI(title="Yieldproof", version=__version__, lifespan=lifespan, docs_url=None, redoc_url=None)
    app.state.settings = settings
    app.state.engine = engine or make_engine(settings.database_url)
    app.state.jobs = jobs
    app.state.metrics = Metrics()
    app.state.firm = contact.of_firm(settings)
    api.install(app)
    errors.install(app)
    schema.install(app)
    pages.install(app)
    largest_file = max(settings.max_body_mb, settings.max_file_mb) * MEGABYTE
    app.add_middleware(
        BodyLimit, largest=settings.max_body_mb * MEGABYTE, largest_file=largest_file + FORM_AROUND
    )
    app.add_middleware(TokenGate, engine=app.state.engine)
    app.add_middleware(Speaking, secure=settings.secure_cookies)
    app.add_middleware(CountRequests, metrics=app.state.metrics)
    return app
