"""The public face: exactly these names, and cheap to import."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import gateway

REPOSITORY = Path(__file__).resolve().parents[1]


def test_names_are_sorted_and_locked() -> None:
    assert gateway.__all__ == ["Batch", "GatewayError", "Mapping", "Report", "convert"]


@pytest.mark.parametrize("name", gateway.__all__)
def test_every_name_can_be_imported_and_is_documented(name: str) -> None:
    assert getattr(gateway, name).__name__ == name
    assert getattr(gateway, name).__doc__
    assert name in dir(gateway)


def test_other_names_are_not_there() -> None:
    with pytest.raises(AttributeError, match="has no attribute 'konvert'"):
        gateway.konvert  # noqa: B018


def test_import_is_cheap() -> None:
    code = (
        "import sys; import gateway; "
        "sys.exit(' '.join(name for name in sys.modules if name.startswith(('gateway.', 'pydantic'))) or None)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=REPOSITORY, capture_output=True, text=True, timeout=60, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
