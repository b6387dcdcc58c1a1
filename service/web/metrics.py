"""Counts for Prometheus: requests by route, readings by outcome, sites. One set for each application."""

from __future__ import annotations

import time

from fastapi.routing import APIRoute
from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.intake.take import Receipt

CLIENT_CLOSED = "499"
"""Status of a request whose answer never began: its caller had gone."""


class Metrics:
    """The application's counters."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self.requests = Counter(
            "yieldproof_requests", "Requests answered.", ["method", "route", "status"], registry=self.registry
        )
        self.latency = Histogram(
            "yieldproof_request_seconds", "Time to answer.", ["method", "route"], registry=self.registry
        )
        self.readings = Counter(
            "yieldproof_readings",
            "Readings sent, by what became of them.",
            ["outcome"],
            registry=self.registry,
        )
        self.sites = Gauge("yieldproof_sites", "Sites held.", registry=self.registry)
        self.broker = Gauge(
            "yieldproof_broker_connected",
            "Whether the broker is listened to: 1, else 0.",
            registry=self.registry,
        )
        self.feed_messages = Gauge(
            "yieldproof_feed_messages", "Messages on all feeds.", registry=self.registry
        )
        self.feed_wrong = Gauge(
            "yieldproof_feed_messages_not_understood",
            "Messages on all feeds of which something was not understood.",
            registry=self.registry,
        )

    def count_readings(self, receipt: Receipt) -> None:
        """Count what became of a batch."""
        for outcome in ("accepted", "replaced", "rejected"):
            self.readings.labels(outcome).inc(getattr(receipt, outcome))

    def set_feeds(self, *, connected: bool, messages: int, wrong: int) -> None:
        """Take over how it stands with the broker, which is counted in the database for all processes."""
        self.broker.set(connected)
        self.feed_messages.set(messages)
        self.feed_wrong.set(wrong)

    def as_text(self, sites: int) -> bytes:
        """Return everything in Prometheus' text form."""
        self.sites.set(sites)
        return generate_latest(self.registry)


class CountRequests:
    """Counts each request under its route's template; what matches none goes under one name."""

    def __init__(self, app: ASGIApp, *, metrics: Metrics) -> None:
        self._app, self._metrics = app, metrics

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on and count its answer."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        status, began = CLIENT_CLOSED, time.perf_counter()

        async def noting(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = str(message["status"])
            await send(message)

        try:
            await self._app(scope, receive, noting)
        except Exception:
            status = "500"
            raise
        finally:
            labels = (_method(scope), _template(scope))
            self._metrics.requests.labels(*labels, status).inc()
            self._metrics.latency.labels(*labels).observe(time.perf_counter() - began)


METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})


def _method(scope: Scope) -> str:
    return str(scope["method"]) if scope["method"] in METHODS else "other"


def _template(scope: Scope) -> str:
    route = scope.get("route")
    return route.path if isinstance(route, APIRoute) else "none"
