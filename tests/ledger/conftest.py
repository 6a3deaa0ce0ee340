"""The same tests for both databases."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from gateway.ledger import Ledger, open_ledger


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where a new ledger can be made."""
    if request.param == "sqlite":
        return str(tmp_path / "ward.ledger")
    new_schema: Callable[[], str] = request.getfixturevalue("new_schema")
    return new_schema()


@pytest.fixture
def ledger(place: str) -> Iterator[Ledger]:
    with open_ledger(place) as opened:
        yield opened
