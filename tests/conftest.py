"""What every test shares."""

from __future__ import annotations

import os
import shutil

import pytest
from hypothesis import HealthCheck, settings

# No example database in the working tree, and no deadline: two tests share each core of a small machine.
settings.register_profile(
    "default", database=None, deadline=None, derandomize=bool(os.environ.get("CI")), print_blob=True
)
settings.register_profile(
    "thorough", parent=settings.get_profile("default"), max_examples=2000, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "default"))


def find_browser() -> str | None:
    """Path of a Chromium on this machine, or None."""
    names = ("chromium", "chromium-browser", "google-chrome")
    return next((path for path in map(shutil.which, names) if path is not None), None)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    if find_browser() is None:
        missing = pytest.mark.skip(reason="there is no Chromium on this machine")
        for item in items:
            if item.get_closest_marker("browser") is not None:
                item.add_marker(missing)
