"""Signs somebody in through the form, as a browser does."""

from __future__ import annotations

from typing import Any

from tests.web.visit import Person


def signed_in_context(browser: Any, address: str, person: Person | None, **options: Any) -> Any:
    """Return a browser of its own in which the person is signed in; nobody for None."""
    context = browser.new_context(base_url=address, **options)
    if person is not None:
        tab = context.new_page()
        tab.goto("/sign-in")
        tab.fill("#name", person.name)
        tab.fill("#password", person.password)
        with tab.expect_navigation(url=lambda url: "/sign-in" not in url):
            tab.locator("main form button").first.click()
        tab.close()
    return context
