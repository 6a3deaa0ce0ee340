from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.properties.life_kit import Life, without_pages


@pytest.fixture
def without_report_pages() -> Iterator[None]:
    """Runs write no page and no pictures."""
    with without_pages():
        yield


@pytest.fixture
def life() -> Iterator[Life]:
    """A site with nothing in it yet."""
    life = Life()
    try:
        yield life
    finally:
        life.close()
