"""What follows on every change of a site, from whichever page or path: it is verified anew in the background."""

from __future__ import annotations

from fastapi import Request


def verify_anew(request: Request, site_id: str) -> None:
    """Have the site verified; without a queue the page that shows it does so itself."""
    jobs = request.app.state.jobs
    if jobs is not None:
        jobs.enqueue_verify(site_id)
