"""What the tests of the service share."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from fastapi.testclient import TestClient

from gateway.service.app import create_app
from gateway.service.settings import Settings
from tests.conversion.conversion_kit import WIDE, WIDE_HEADER

ROWS = (
    "2026-03-14 09:30,P-0007,M1,121,79,64,97,36.8,71.4",
    "2026-03-14 09:45,,M1,118,76,71,98,36.6,",
    "2026-03-14 10:05,P-0009,M2,135,88,580,95,37.2,80.1",
)
EXPORT = "\n".join([WIDE_HEADER, *ROWS, ""])
HERE = "http://localhost"


@contextmanager
def client_of(**told: Any) -> Iterator[TestClient]:
    """A client of a service with these settings."""
    app = create_app(Settings(**{"wait_seconds": 60, **told}))
    with TestClient(app, base_url=HERE, raise_server_exceptions=False) as client:
        yield client


def files(export: str | bytes = EXPORT, mapping: str = WIDE, **more: Any) -> list[tuple[str, Any]]:
    """The parts of a conversion's request."""
    data = export.encode() if isinstance(export, str) else export
    made = [("exports", ("a.csv", io.BytesIO(data), "text/csv")), ("mapping", ("m.toml", mapping, "application/toml"))]
    return made + list(more.items())
