"""The same tests for both databases, without the page, which has tests of its own."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest


@pytest.fixture(params=["sqlite", "postgresql"])
def both(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where a new ledger can be made, in each of the databases."""
    if request.param == "sqlite":
        return str(tmp_path / "ward.ledger")
    new_schema: Callable[[], str] = request.getfixturevalue("new_schema")
    return new_schema()


@pytest.fixture
def place(tmp_path: Path) -> str:
    """Where a new ledger can be made."""
    return str(tmp_path / "ward.ledger")
