"""The pages for office, installer and owner: `install` puts them on an application."""

from __future__ import annotations

from fastapi import FastAPI

from service.settings import Settings
from service.web.pages import (
    arrival_view,
    audit_list,
    codes,
    correcting,
    feed_routes,
    files,
    horizon,
    job_sheet,
    listing_routes,
    own_account,
    owner,
    people,
    plan_editing,
    plan_paste,
    programs,
    punch_routes,
    routes,
    signing,
    site_editing,
    uploading,
    van,
    visiting,
)
from service.web.pages.compress import Compress
from service.web.pages.errors import install_errors
from service.web.pages.headers import OwnFiles, PageHeaders

PARTS = (
    signing,
    own_account,
    people,
    programs,
    audit_list,
    owner,
    codes,
    job_sheet,
    listing_routes,
    correcting,
    punch_routes,
    visiting,
    van,
    files,
    site_editing,
    horizon,
    plan_editing,
    plan_paste,
    uploading,
    arrival_view,
    feed_routes,
    routes,
)
"""One a line; of two routes that fit an address the earlier one answers."""


def install(app: FastAPI) -> None:
    """Add the pages, their files, headers and errors; call it after the API's own handlers are in place."""
    settings: Settings = app.state.settings
    for part in PARTS:
        app.router.routes.extend(part.router.routes)
    app.mount("/static", OwnFiles(), name="static")
    app.add_middleware(Compress)
    app.add_middleware(PageHeaders, only_https=settings.secure_cookies)
    install_errors(app)
