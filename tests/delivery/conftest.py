"""Retries without pauses."""

from __future__ import annotations

from types import SimpleNamespace

import pytest


@pytest.fixture
def pauses(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """The pauses between attempts, in seconds; none of them is made."""
    made: list[float] = []
    monkeypatch.setattr("tenacity.nap.time", SimpleNamespace(sleep=made.append))
    return made
