from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.properties.life_kit import Life


@pytest.fixture
def life() -> Iterator[Life]:
    """A site with nothing in it yet."""
    life = Life()
    try:
        yield life
    finally:
        life.close()
