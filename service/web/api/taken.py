"""What a route does after a batch was taken: count it, have the site verified, answer."""

from __future__ import annotations

from fastapi import Request
from fastapi.responses import JSONResponse

from service.intake.take import Receipt


def answer(request: Request, site_id: str, receipt: Receipt) -> JSONResponse:
    """Return the contract's answer for a batch."""
    state = request.app.state
    if receipt.changed and state.jobs is not None:
        state.jobs.enqueue_verify(site_id)
    fields = ("accepted", "replaced", "rejected", "problems")
    return JSONResponse({name: getattr(receipt, name) for name in fields})
