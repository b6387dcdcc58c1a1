"""Who may do what: every route, as everybody who may come to it.

One line a route: the method, the path, and what each role gets. People: nobody, an owner with the link, an installer to
whom the site is not assigned, the site's installer, the office. Tokens: for all sites, for reading all sites, for the
site, for reading the site, for another site.

    y  let in: the answer is about what was asked and no longer about who asks
    s  sent to sign in        u  no token, or no valid one (401)
    f  not for this role (403)        n  as if there were nothing (404)
"""

from __future__ import annotations

from typing import Any

import pytest
from fastapi import FastAPI
from httpx import Response

from tests.web.roles import PEOPLE, ROLES, House, routes

pytestmark = pytest.mark.one_database

TABLE = """
GET    /openapi.json                                        yyyyy yyyyy
GET    /healthz                                             yyyyy yyyyy
GET    /readyz                                              yyyyy yyyyy
GET    /metrics                                             yyyyy yyyyy
GET    /static/{file}                                       yyyyy yyyyy

GET    /api/v1/sites                                        uuuuu yyyyy
POST   /api/v1/sites                                        uuuuu yffff
GET    /api/v1/sites/{site_id}                              uuuuu yyyyn
PUT    /api/v1/sites/{site_id}                              uuuuu yfyfn
DELETE /api/v1/sites/{site_id}                              uuuuu yfffn
GET    /api/v1/sites/{site_id}/corrections                  uuuuu yyyyn
POST   /api/v1/sites/{site_id}/corrections                  uuuuu yfyfn
POST   /api/v1/sites/{site_id}/corrections/{number}/undo    uuuuu yfyfn
GET    /api/v1/sites/{site_id}/punch                        uuuuu yyyyn
POST   /api/v1/sites/{site_id}/readings                     uuuuu yfyfn
GET    /api/v1/sites/{site_id}/readings                     uuuuu yyyyn
POST   /api/v1/sites/{site_id}/exports                      uuuuu yfyfn
GET    /api/v1/sites/{site_id}/exports/{number}             uuuuu yyyyn
GET    /api/v1/sites/{site_id}/exports/{number}/rejected    uuuuu yyyyn
POST   /api/v1/sites/{site_id}/weather                      uuuuu yfyfn
GET    /api/v1/sites/{site_id}/feeds                        uuuuu yyyyn
PUT    /api/v1/sites/{site_id}/feeds                        uuuuu yfyfn
GET    /api/v1/sites/{site_id}/verification                 uuuuu yyyyn
GET    /api/v1/sites/{site_id}/quality                      uuuuu yyyyn
POST   /api/v1/sites/{site_id}/quality                      uuuuu yfyfn

GET    /sign-in                                             yyyyy yyyyy
POST   /sign-in                                             yyyyy yyyyy
POST   /sign-out                                            sssss sssss
GET    /account                                             ssyyy sssss
POST   /account/password                                    ssyyy sssss
POST   /account/sign-out-everywhere                         ssyyy sssss
GET    /password/{invitation}                               yyyyy yyyyy
POST   /password/{invitation}                               yyyyy yyyyy
GET    /people                                              ssffy sssss
POST   /people                                              ssffy sssss
GET    /people/{account_id}                                 ssffy sssss
POST   /people/{account_id}/link                            ssffy sssss
POST   /people/{account_id}/role                            ssffy sssss
POST   /people/{account_id}/disable                         ssffy sssss
POST   /people/{account_id}/enable                          ssffy sssss
POST   /people/{account_id}/sites                           ssffy sssss
POST   /people/{account_id}/sites/take-away                 ssffy sssss
GET    /tokens                                              ssffy sssss
POST   /tokens                                              ssffy sssss
POST   /tokens/{token_id}/end                               ssffy sssss
GET    /audit                                               ssffy sssss
GET    /owner/{token}                                       nynnn nnnnn

GET    /                                                    ssyyy sssss
GET    /sites.{form}                                        ssyyy sssss
GET    /punch                                               ssyyy sssss
GET    /punch.csv                                           ssyyy sssss
GET    /go                                                  ssyyy sssss
GET    /s/{code}                                            ssnyy sssss
GET    /sites/{site_id}                                     ssnyy sssss
GET    /sites/{site_id}/units/{serial:path}                 ssnyy sssss
GET    /sites/{site_id}/van                                 ssnyy sssss
GET    /sites/{site_id}/quality                             ssnyy sssss
GET    /sites/{site_id}/chart/{name:path}.{form}            ssnyy sssss
GET    /sites/{site_id}/job-sheet                           ssnyy sssss
GET    /sites/{site_id}/job-sheet.pdf                       ssnyy sssss
GET    /sites/{site_id}/qr.svg                              ssnyy sssss
GET    /sites/{site_id}/mark                                ssnyy sssss
POST   /sites/{site_id}/mark                                ssnyy sssss
POST   /sites/{site_id}/punch                               ssnyy sssss
GET    /sites/{site_id}/punch                               ssnyy sssss
POST   /sites/{site_id}/punch/{number}/give                 ssnfy sssss
GET    /sites/{site_id}/replace                             ssnyy sssss
POST   /sites/{site_id}/replace                             ssnyy sssss
GET    /sites/{site_id}/photos/{photo_id}                   ssnyy sssss
GET    /sites/new                                           ssffy sssss
POST   /sites/new                                           ssffy sssss
GET    /sites/{site_id}/edit                                ssnfy sssss
POST   /sites/{site_id}/edit                                ssnfy sssss
GET    /sites/{site_id}/horizon                             ssnfy sssss
POST   /sites/{site_id}/horizon                             ssnfy sssss
GET    /sites/{site_id}/plan                                ssnyy sssss
POST   /sites/{site_id}/plan                                ssnyy sssss
POST   /sites/{site_id}/plan/undo/{number}                  ssnyy sssss
POST   /sites/{site_id}/plan/redo/{number}                  ssnyy sssss
GET    /sites/{site_id}/plan/paste                          ssnyy sssss
POST   /sites/{site_id}/plan/paste                          ssnyy sssss
GET    /sites/{site_id}/exports                             ssnyy sssss
POST   /sites/{site_id}/exports                             ssnyy sssss
POST   /sites/{site_id}/exports/forget                      ssnyy sssss
GET    /sites/{site_id}/exports/{number}                    ssnyy sssss
POST   /sites/{site_id}/exports/{number}                    ssnyy sssss
POST   /sites/{site_id}/exports/{number}/remove             ssnyy sssss
GET    /sites/{site_id}/exports/{number}/light.{form}       ssnyy sssss
GET    /sites/{site_id}/exports/{number}/rejected.{form}    ssnyy sssss
GET    /sites/{site_id}/plan.csv                            ssnyy sssss
GET    /sites/{site_id}/record.json                         ssnyy sssss
POST   /sites/{site_id}/corrections                         ssnfy sssss
POST   /sites/{site_id}/corrections/{number}/undo           ssnfy sssss
POST   /sites/{site_id}/people                              ssnfy sssss
POST   /sites/{site_id}/people/take-away                    ssnfy sssss
GET    /sites/{site_id}/audit                               ssnfy sssss
GET    /sites/{site_id}/feeds                               ssnfy sssss
GET    /sites/{site_id}/feeds/new                           ssnfy sssss
POST   /sites/{site_id}/feeds/new                           ssnfy sssss
GET    /sites/{site_id}/feeds/{number}                      ssnfy sssss
POST   /sites/{site_id}/feeds/{number}                      ssnfy sssss
POST   /sites/{site_id}/owner-link                          ssnfy sssss
POST   /sites/{site_id}/owner-link/revoke                   ssnfy sssss
"""
LETTERS = {401: "u", 403: "f", 404: "n"}
LINES = [line.split() for line in TABLE.splitlines() if line]
EXPECTED = {(method, path): people + tokens for method, path, people, tokens in LINES}


def letter(answer: Response) -> str:
    """Return what the role got."""
    assert answer.status_code < 500, answer.text
    assert answer.status_code != 429, answer.text
    if answer.status_code == 303 and answer.headers["location"].startswith("/sign-in"):
        return "s"
    return LETTERS.get(answer.status_code, "y")


def test_every_route_has_its_line_and_every_line_its_route(house: House) -> None:
    app: Any = house.client.app
    assert isinstance(app, FastAPI)
    found = list(routes(app.routes))
    assert len(found) == len(set(found)), "two routes answer one address"
    assert set(found) == set(EXPECTED)
    assert len(EXPECTED) == len(LINES)
    assert all(len(letters) == len(ROLES) and set(letters) <= set("ysufn") for letters in EXPECTED.values())


@pytest.mark.parametrize(("method", "path"), EXPECTED, ids=[" ".join(line[:2]) for line in LINES])
def test_each_role_gets_what_the_table_says(house: House, method: str, path: str) -> None:
    expected = dict(zip(ROLES, EXPECTED[method, path], strict=True))
    before, found = house.everything(), {}
    for role in sorted(ROLES, key=lambda role: expected[role] == "y"):  # those who are refused come first
        if expected[role] == "y" and method != "GET" and "y" in found.values():
            house.build()
        found[role] = letter(house.ask(role, method, path))
        if expected[role] != "y":
            assert house.everything() == before, f"{role} was refused and changed something"
    assert found == expected


@pytest.mark.parametrize("role", ["nobody", "stranger", "other-site"])
def test_what_is_hidden_is_named_in_no_list(house: House, role: str) -> None:
    name, site_id = "Kiln Cottage", house.values["site_id"]
    listed = house.ask("office", "GET", "/sites.{form}?week=all").text
    assert name in listed
    assert site_id in listed
    for (method, path), letters in EXPECTED.items():
        if method == "GET" and letters[ROLES.index(role)] == "y":
            query = "?week=all" if path in ("/", "/sites.{form}") else ""
            told = house.ask(role, method, path + query).text
            assert name not in told, path
            assert site_id not in told, path


def test_tokens_and_signed_in_people_are_of_two_worlds() -> None:
    for (method, path), letters in EXPECTED.items():
        people, tokens = letters[: len(PEOPLE)], letters[len(PEOPLE) :]
        if path.startswith("/api/"):
            assert set(people) == {"u"}, (method, path)
        else:
            assert set(tokens) == {people[0]}, (method, path)
