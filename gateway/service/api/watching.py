"""Endpoints for machines that watch the service."""

from __future__ import annotations

import shutil
from typing import Literal

from fastapi import APIRouter, Request, Response
from fastapi.responses import PlainTextResponse
from pydantic import BaseModel

from gateway.errors import GatewayError
from gateway.service.access import Reader
from gateway.service.api.results import TEXT, content_of
from gateway.service.api.shared import jobs_of, settings_of
from gateway.service.limits import Measurements
from gateway.service.problems import Refused, documented, refused
from gateway.version import VERSION

watch = APIRouter(tags=["watching"])


class Health(BaseModel):
    """That the service runs, or can work."""

    status: Literal["ok"]
    gateway: str = VERSION


@watch.get("/healthz", summary="Whether the service runs", responses={})
async def health() -> Health:
    """Answers as long as the service runs."""
    return Health(status="ok")


@watch.get("/readyz", summary="Whether the service can work", responses=documented(503))
def ready_to_work(request: Request) -> Health:
    """Whether there is room for results, the queue is not full and the ledger answers."""
    settings = settings_of(request)
    free = shutil.disk_usage(request.app.state.folder).free
    if free < 2 * settings.largest_mib * (1 << 20):
        raise Refused(503, "the disk is nearly full", "Free space")
    if jobs_of(request).counts()["queued"] >= settings.waiting:
        raise Refused(503, "too many conversions are waiting", "Try again later")
    if settings.ledger is not None:
        from gateway.ledger import open_ledger

        try:
            with open_ledger(settings.ledger, readonly=True):
                pass
        except GatewayError as error:
            raise refused(error) from None
    return Health(status="ok")


@watch.get(
    "/metrics",
    summary="Measurements for Prometheus",
    responses={200: {"description": "Measurements", "content": content_of(TEXT)}, **documented()},
    response_class=PlainTextResponse,
)
def metrics(request: Request, who: Reader) -> Response:
    """Requests, conversions, readings and holds as numbers, in the Prometheus text format."""
    from prometheus_client import generate_latest

    kept: Measurements = request.app.state.measurements
    settings = settings_of(request)
    for state, count in jobs_of(request).counts().items():
        kept.jobs.labels(state).set(count)
    if settings.ledger is not None:
        from gateway.ledger import open_ledger

        try:
            with open_ledger(settings.ledger, readonly=True) as opened:
                kept.holds.set(opened.hold_counts().holds)
        except GatewayError:
            kept.holds.set(float("nan"))
    return PlainTextResponse(generate_latest(kept.registry))
