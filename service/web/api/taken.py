"""What a route does after a batch was taken: count it, have the site verified, answer."""

from __future__ import annotations

from fastapi import Request
from fastapi.responses import JSONResponse

from service.intake.take import Receipt
from service.web.anew import verify_anew


def answer(request: Request, site_id: str, receipt: Receipt) -> JSONResponse:
    """Return the contract's answer for a batch."""
    if receipt.changed:
        verify_anew(request, site_id)
    fields = ("accepted", "replaced", "rejected", "problems")
    return JSONResponse({name: getattr(receipt, name) for name in fields})
