"""The OpenAPI document: what it promises is what the service does (schemathesis), with examples."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings

from gateway.service.app import create_app
from gateway.service.settings import Settings

schemathesis = pytest.importorskip("schemathesis", reason="schemathesis is not installed")


@pytest.fixture(scope="module")
def document(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """The service's own description, with a ledger, and little patience."""
    from starlette.testclient import TestClient

    folder: Path = tmp_path_factory.mktemp("s")
    app = create_app(
        Settings(
            hosts=("testserver",),
            ledger=str(folder / "l.db"),
            wait_seconds=0.05,
            job_seconds=5,
            rate=1_000_000,
            waiting=1000,
        )
    )
    with TestClient(app, base_url="http://localhost"):
        found = schemathesis.openapi.from_asgi("/openapi.json", app)
        yield found


@pytest.mark.slow
def test_the_service_does_what_it_says(document: Any) -> None:
    # Which bytes are a mapping cannot be said in a schema: what fits the schema may still be refused with 422.
    excluded = [schemathesis.checks.CHECKS.get_one("positive_data_acceptance")]
    tried = 0
    for found in document.get_all_operations():

        @given(case=found.ok().as_strategy())
        @settings(max_examples=10, deadline=None, phases=[Phase.generate], suppress_health_check=list(HealthCheck))
        def fits(case: Any) -> None:
            case.call_and_validate(excluded_checks=excluded)

        fits()
        tried += 1
    assert tried == len([one for path in document.raw_schema["paths"].values() for one in path])


def test_tokens_are_described_only_where_they_are_needed() -> None:
    assert "securitySchemes" not in create_app(Settings()).openapi()["components"]


def test_every_operation_has_words_and_an_example_of_its_answer() -> None:
    document = create_app(Settings()).openapi()
    for path, operations in document["paths"].items():
        for operation in operations.values():
            assert operation["summary"], path
            assert operation["description"], path
    assert document["components"]["schemas"]["Conversion"]["examples"]
    assert document["components"]["schemas"]["Decision"]["examples"]
