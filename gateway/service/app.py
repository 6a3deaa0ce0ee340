"""The service as one ASGI application."""

from __future__ import annotations

import logging
import shutil
import tempfile
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from datetime import timedelta
from pathlib import Path
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from gateway.errors import GatewayError, LedgerError
from gateway.mapping.explain import in_words
from gateway.service import bench, pages
from gateway.service.access import Access
from gateway.service.api import ROUTERS
from gateway.service.jobs import Job, Jobs
from gateway.service.limits import Guard, Measurements
from gateway.service.problems import Fault, Problem, Refused, refused, response
from gateway.service.settings import Settings
from gateway.version import VERSION

_log = logging.getLogger("gateway.service")
_SUMMARY = (
    "Spot-check vital signs from portable monitors into FHIR R4 and HL7 v2. Not a medical device; not for alarms, "
    "continuous surveillance or treatment decisions. A qualified person signs off each mapping before use."
)


def create_app(settings: Settings | None = None) -> FastAPI:
    """The service.

    Args:
        settings: what it is told; None for the defaults, which serve this machine only.
    """
    told = settings or Settings()

    @asynccontextmanager
    async def life(app: FastAPI) -> AsyncIterator[None]:
        yield
        app.state.jobs.close()
        shutil.rmtree(app.state.folder, ignore_errors=True)

    app = FastAPI(
        title="Spot-check gateway",
        version=VERSION,
        summary="Exports and mappings in, records and reports out.",
        description=_SUMMARY,
        docs_url=None,
        redoc_url=None,
        lifespan=life,
        strict_content_type=True,
    )
    measurements = Measurements()

    def count(job: Job) -> None:
        measurements.conversions.labels(job.state).inc()
        for outcome, number in job.outcomes.items():
            measurements.readings.labels(outcome).inc(number)

    if told.ledger is not None:
        _begin_ledger(told.ledger)
    folder = _private(told)
    keep = timedelta(hours=told.keep_hours)
    app.state.settings = told
    app.state.access = Access(told)
    app.state.measurements = measurements
    app.state.folder = folder
    (folder / "jobs").mkdir(mode=0o700)
    (folder / "benches").mkdir(mode=0o700)
    app.state.benches = bench.Benches(folder / "benches", keep)
    app.state.jobs = Jobs(
        folder / "jobs",
        workers=told.workers,
        waiting=told.waiting,
        seconds=told.job_seconds,
        keep=keep,
        ended=count,
    )
    app.add_middleware(Guard, settings=told, measurements=measurements)
    for router in (*ROUTERS, bench.router, pages.router):
        app.include_router(router)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(GatewayError, _gateway)
    app.add_exception_handler(Exception, _fault)
    _describe(app, told)
    return app


def _begin_ledger(ledger: str) -> None:
    """Make the ledger, or bring it up to date, where that is needed: pages read it before a run has."""
    from gateway.ledger import open_ledger

    try:
        with open_ledger(ledger, readonly=True):
            pass
    except LedgerError:
        with open_ledger(ledger, wait=10):
            pass


def _private(settings: Settings) -> Path:
    """A folder of our own for uploads and results; what services before us have left behind is removed."""
    if settings.folder is None:
        return Path(tempfile.mkdtemp(prefix="gateway-service-"))
    settings.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    before = time.time() - settings.keep_hours * 3600
    for left in settings.folder.glob("run-*"):
        with suppress(OSError):
            if left.stat().st_mtime < before:
                shutil.rmtree(left, ignore_errors=True)
    return Path(tempfile.mkdtemp(prefix="run-", dir=settings.folder))


def _wants_page(request: Request) -> bool:
    here = request.url.path
    return not here.startswith("/api/") and "text/html" in request.headers.get("accept", "")


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    headers = dict(error.headers or {})
    todo = error.todo if isinstance(error, Refused) else ""
    problems = error.problems if isinstance(error, Refused) else []
    what = error.detail if isinstance(error, Refused) else ""
    if _wants_page(request):
        if error.status_code == 401:
            return pages.to_sign_in(request)
        return pages.problem_page(request, error.status_code, what, todo, problems, headers)
    return response(error.status_code, what, todo, problems, headers)


async def _invalid(request: Request, error: Exception) -> Response:
    """Names the fields that are wrong; what was sent is not repeated."""
    assert isinstance(error, RequestValidationError)
    told = [
        Fault(where=".".join(str(part) for part in each["loc"][:2]), what=in_words(each)) for each in error.errors()
    ]
    status = 422
    if any(each["type"] == "json_invalid" for each in error.errors()):
        status = 400
    what, todo = "a field is missing or is not as described", "See /openapi.json for the fields"
    if _wants_page(request):
        return pages.problem_page(request, status, what, "Go back and fill in the form", told, {})
    return response(status, what, todo, told)


async def _gateway(request: Request, error: Exception) -> Response:
    assert isinstance(error, GatewayError)
    return await _http(request, refused(error))


async def _fault(request: Request, error: Exception) -> Response:
    # The error's own text may hold what must not be told or logged.
    _log.error("a fault in the gateway itself (%s)", type(error).__name__)
    return response(500, "a fault in the gateway itself", "Please report it, without patient data")


def _describe(app: FastAPI, settings: Settings) -> None:
    """The OpenAPI document: our problems instead of the framework's, and no tokens where none are needed."""
    plain = app.openapi

    def described() -> dict[str, Any]:
        if app.openapi_schema is not None:
            return app.openapi_schema
        document = plain()
        parts = document["components"]
        made = Problem.model_json_schema(ref_template="#/components/schemas/{model}")
        parts["schemas"].update(made.pop("$defs", {}))
        parts["schemas"]["Problem"] = made
        for name in ("HTTPValidationError", "ValidationError"):
            parts["schemas"].pop(name, None)
        if not settings.tokens:
            parts.pop("securitySchemes", None)
            for path in document["paths"].values():
                for operation in path.values():
                    operation.pop("security", None)
        return document

    app.openapi = described  # type: ignore[method-assign]
