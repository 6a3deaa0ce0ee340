"""What every request passes: its size, time and rate, the headers of its answer, the log line and the measurements."""

from __future__ import annotations

import asyncio
import logging
import time
from collections import OrderedDict
from collections.abc import Mapping

from fastapi import Request
from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from gateway.service.access import stranger
from gateway.service.problems import Refused, response
from gateway.service.settings import MIB, Settings

_log = logging.getLogger("gateway.service")
_CLIENTS = 10_000

# OWASP HTTP Security Response Headers Cheat Sheet and HTML Security Cheat Sheet: names and values. Referrers stay on
# this site rather than going nowhere, because with no-referrer browsers send "null" as the origin of a form.
_HEADERS: Mapping[str, str] = {
    "Content-Security-Policy": "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; "
    "img-src 'self' data:; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Cache-Control": "no-store",
}

REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; frame-ancestors 'none'; sandbox"
"""For the report, which carries its own style and nothing else."""


class Measurements:
    """Numbers for /metrics; labels are routes and states, never anything of a request's content."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self.requests = Counter(
            "gateway_requests", "Requests answered", ("method", "route", "status"), registry=self.registry
        )
        self.seconds = Histogram(
            "gateway_request_seconds", "Seconds until a request was answered", ("route",), registry=self.registry
        )
        self.uploaded = Counter("gateway_uploaded_bytes", "Bytes of requests", registry=self.registry)
        self.conversions = Counter("gateway_conversions", "Conversions ended", ("state",), registry=self.registry)
        self.readings = Counter("gateway_readings", "Readings converted", ("outcome",), registry=self.registry)
        self.jobs = Gauge("gateway_jobs", "Conversions kept, by state", ("state",), registry=self.registry)
        self.holds = Gauge("gateway_holds_open", "Open holds in the ledger", registry=self.registry)


class Rates:
    """Token buckets, one for each client, as many requests at once as in a minute.

    Args:
        per_minute: requests a minute.
    """

    def __init__(self, per_minute: int) -> None:
        self._burst = float(per_minute)
        self._per_second = per_minute / 60
        self._buckets: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def wait(self, client: str) -> float:
        """Seconds until the client may ask again; 0 when it may now, and then the request is counted."""
        now = time.monotonic()
        left, then = self._buckets.pop(client, (self._burst, now))
        left = min(self._burst, left + (now - then) * self._per_second)
        self._buckets[client] = (left - 1 if left >= 1 else left, now)
        if len(self._buckets) > _CLIENTS:
            self._buckets.popitem(last=False)
        return 0.0 if left >= 1 else (1 - left) / self._per_second


class Guard:
    """The middleware.

    Args:
        app: what answers.
        settings: the limits.
        measurements: where requests are counted.
    """

    def __init__(self, app: ASGIApp, settings: Settings, measurements: Measurements) -> None:
        self._app = app
        self._settings = settings
        self._measurements = measurements
        self._rates = Rates(settings.rate)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        started = time.monotonic()
        status = 500

        async def tell(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        request = Request(scope)
        try:
            refusal = self._refusal(request)
            if refusal is not None:
                answer = response(
                    refusal.status_code, refusal.detail, refusal.todo, headers=dict(refusal.headers or {})
                )
                await answer(scope, receive, tell)
            else:
                await self._app(scope, self._limited(request, receive), tell)
        finally:
            self._count(scope, request.method, status, time.monotonic() - started)

    def _refusal(self, request: Request) -> Refused | None:
        """Why a request is not even read."""
        strange = stranger(request, self._settings)
        if strange:
            return Refused(403, strange, "Open the service's own page")
        if request.url.path not in ("/healthz", "/readyz"):
            wait = self._rates.wait(request.client.host if request.client else "")
            if wait:
                return Refused(429, "too many requests", "Wait a moment", headers={"Retry-After": str(int(wait) + 1)})
        if request.headers.get("content-encoding", "identity") != "identity":
            return Refused(415, "compressed requests are not read", "Send it as it is")
        length = request.headers.get("content-length", "0")
        if not (length.isascii() and length.isdigit()):
            return Refused(400, "the length of the request cannot be understood")
        if len(length) > 15 or int(length) > self._settings.largest_mib * MIB:
            return self._too_large()
        return None

    def _too_large(self) -> Refused:
        largest = self._settings.largest_mib
        return Refused(
            413,
            f"the request is larger than {largest:,} MiB",
            "Send fewer exports at a time",
            headers={"Connection": "close"},
        )

    def _limited(self, request: Request, receive: Receive) -> Receive:
        """Reads a request up to the largest size and within its time."""
        until = time.monotonic() + self._settings.upload_seconds
        largest = self._settings.largest_mib * MIB
        read = 0
        complete = False

        async def limited() -> Message:
            nonlocal read, complete
            if complete:
                return await receive()
            try:
                message = await asyncio.wait_for(receive(), max(0.0, until - time.monotonic()))
            except TimeoutError:
                raise Refused(
                    408, "the request took too long to arrive", "Send it again", headers={"Connection": "close"}
                ) from None
            size = len(message.get("body", b""))
            read += size
            complete = not message.get("more_body", False)
            self._measurements.uploaded.inc(size)
            if read > largest:
                raise self._too_large()
            return message

        return limited

    def _count(self, scope: Scope, method: str, status: int, seconds: float) -> None:
        # The pattern of the route, never the path: that is the client's own text.
        route = getattr(scope.get("route"), "path", "") or "(none)"
        known = method if method in ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS") else "other"
        self._measurements.requests.labels(known, route, str(status)).inc()
        self._measurements.seconds.labels(route).observe(seconds)
        _log.info("%s %s %d %.0f ms", known, route, status, seconds * 1000)
