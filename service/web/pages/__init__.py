"""The pages for office, installer and owner: `install` puts them on an application."""

from __future__ import annotations

from fastapi import FastAPI

from service.settings import Settings
from service.web.pages import codes, correcting, job_sheet, listing_routes, owner, routes, signing, visiting
from service.web.pages.errors import install_errors
from service.web.pages.headers import OwnFiles, PageHeaders
from service.web.session import FailedSignIns


def install(app: FastAPI) -> None:
    """Add the pages, their files, headers and errors; call it after the API's own handlers are in place."""
    settings: Settings = app.state.settings
    app.state.failed_sign_ins = FailedSignIns()
    app.state.wrong_codes = FailedSignIns(limit=codes.TRIES, window_s=codes.WINDOW_S)
    for part in (signing, owner, codes, job_sheet, listing_routes, correcting, visiting, routes):
        app.include_router(part.router)
    app.mount("/static", OwnFiles(), name="static")
    app.add_middleware(PageHeaders, only_https=settings.secure_cookies)
    install_errors(app)
