"""Who is signed in on the pages: a signed cookie, where to go next, and how often a sign-in may fail.

For people with a browser only. API tokens open no page, and this cookie opens no path of the API.
"""

from __future__ import annotations

from typing import Annotated, Any
from urllib.parse import urlsplit

from fastapi import Depends, HTTPException, Request
from fastapi.responses import Response
from itsdangerous import BadSignature, URLSafeTimedSerializer
from sqlalchemy import Engine

from service.settings import Settings, SettingsError
from service.store.assignments import may_see
from service.store.database import reading
from service.store.tables import User
from service.store.tokens import digest
from service.web.gate import network

SESSION_COOKIE = "yieldproof_session"
FLASH_COOKIE = "yieldproof_once"
SESSION_S = 14 * 24 * 3600
FLASH_S = 120
TRIES_AT_A_NAME = 8
TRIES_FROM_AN_ADDRESS = 40
"""A whole office may sit behind one address."""


class SignInNeeded(Exception):  # noqa: N818 - a state of the visitor, no fault
    """The page is for people who have signed in; `target` is where they wanted to go."""

    def __init__(self, target: str) -> None:
        self.target = target
        super().__init__(target)


class CrossSite(Exception):  # noqa: N818 - where the request comes from, no fault of the program
    """A form was sent from a page that is not ours."""


def start_session(response: Response, user: User, request: Request) -> None:
    """Sign the visitor in."""
    value = _signer(_settings(request), "session").dumps({"id": user.id, "key": _session_key(user)})
    _set_cookie(response, request, SESSION_COOKIE, value, SESSION_S)


def end_session(response: Response) -> None:
    """Sign the visitor out."""
    response.delete_cookie(SESSION_COOKIE, path="/")


def visitor(request: Request) -> User | None:
    """Return who is signed in; None without a cookie, with a stale or false one, and once the session was ended.

    A change of password ends every session, signing out everywhere does, and so does disabling the account.
    """
    claim = _read_cookie(request, SESSION_COOKIE, "session", SESSION_S)
    if not isinstance(claim, dict):
        return None
    engine: Engine = request.app.state.engine
    with reading(engine) as session:
        user = session.get(User, claim.get("id"))
    open_to = user is not None and user.disabled_at is None and claim.get("key") == _session_key(user)
    return user if open_to else None


def signed_in(request: Request) -> User:
    """Return who is signed in, and let the page know; raises SignInNeeded.

    On a path with a `site_id` that the person may not see it raises 404, so that no route can forget to ask.
    """
    user = visitor(request)
    if user is None:
        query = f"?{request.url.query}" if request.url.query else ""
        raise SignInNeeded(request.url.path + query if request.method == "GET" else "/")
    request.state.user = user
    _hide_others_sites(request, user)
    return user


def _hide_others_sites(request: Request, user: User) -> None:
    site_id = request.path_params.get("site_id")
    if site_id is not None:
        with reading(request.app.state.engine) as session:
            if not may_see(session, user, site_id):
                raise HTTPException(404)


SignedIn = Annotated[User, Depends(signed_in)]


def office_only(user: User) -> None:
    """Let nobody but the office go on; raises 403."""
    if user.role != "office":
        raise HTTPException(403)


def of_the_office(user: SignedIn) -> User:
    """Return who is signed in, if it is somebody of the office; raises 403."""
    office_only(user)
    return user


Office = Annotated[User, Depends(of_the_office)]


def flash(response: Response, request: Request, value: dict[str, str]) -> None:
    """Hand a value to the next page only, in a signed cookie that ends by itself."""
    _set_cookie(response, request, FLASH_COOKIE, _signer(_settings(request), "once").dumps(value), FLASH_S)


def flashed(request: Request) -> dict[str, str]:
    """Return what the page before handed over; empty if nothing."""
    value = _read_cookie(request, FLASH_COOKIE, "once", FLASH_S)
    return value if isinstance(value, dict) else {}


def end_flash(response: Response) -> None:
    """Drop what the page before handed over."""
    response.delete_cookie(FLASH_COOKIE, path="/")


def safe_next(target: str) -> str:
    """Return a path of ours to go to after signing in; '/' for anything that could lead elsewhere."""
    # Browsers read a backslash as a slash and drop control characters: "/\\host" and "/\t/host" lead away.
    if not target.startswith("/") or target.startswith("//") or "\\" in target:
        return "/"
    if any(ord(letter) <= 0x20 or ord(letter) == 0x7F for letter in target):
        return "/"
    parts = urlsplit(target)
    leads_away = parts.scheme or parts.netloc or parts.path.startswith(("/sign-", "/api/"))
    return "/" if leads_away else target


def same_origin(request: Request) -> None:
    """Refuse a form that another site's page sent; raises CrossSite."""
    fetch_site = request.headers.get("sec-fetch-site")
    if fetch_site is not None:
        if fetch_site not in ("same-origin", "none"):
            raise CrossSite
        return
    origin = request.headers.get("origin")
    if origin is None:  # no browser: it sends one of the two with every form
        return
    own = {f"{request.url.scheme}://{request.url.netloc}", _origin(_settings(request).base_url)}
    if origin not in own:
        raise CrossSite


FromOurPage = Depends(same_origin)


def sign_in_limits(request: Request, name: str) -> dict[str, int]:
    """Return how often one may fail within the window: at a name from an address, and from that address at all.

    Not at a name from anywhere: whoever knows a name could then keep its owner out.
    """
    host = network(request.scope)
    return {
        f"sign-in {host}\n{name.strip()[:100]}": TRIES_AT_A_NAME,
        f"sign-in {host}": TRIES_FROM_AN_ADDRESS,
    }


def _settings(request: Request) -> Settings:
    settings: Settings = request.app.state.settings
    return settings


def _signer(settings: Settings, purpose: str) -> URLSafeTimedSerializer:
    if settings.secret_key is None:
        raise SettingsError("YIELDPROOF_SECRET_KEY is not set; make one with: openssl rand -hex 32")
    return URLSafeTimedSerializer(settings.secret_key.get_secret_value(), salt=f"yieldproof {purpose}")


def _set_cookie(response: Response, request: Request, name: str, value: str, max_age_s: int) -> None:
    secure = _settings(request).secure_cookies or request.url.scheme == "https"
    response.set_cookie(
        name, value, max_age=max_age_s, path="/", secure=secure, httponly=True, samesite="lax"
    )


def _read_cookie(request: Request, name: str, purpose: str, max_age_s: int) -> Any:
    try:
        return _signer(_settings(request), purpose).loads(request.cookies.get(name, ""), max_age=max_age_s)
    except BadSignature:
        return None


def _session_key(user: User) -> str:
    return digest(f"{user.password_hash} {user.session_epoch}")[:16]


def _origin(url: str) -> str:
    parts = urlsplit(url)
    return f"{parts.scheme}://{parts.netloc}"
