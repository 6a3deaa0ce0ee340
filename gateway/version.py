"""The gateway's version, as installed."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version

try:
    VERSION = version("spotcheck-gateway")
except PackageNotFoundError:  # run from a checkout that was never installed
    VERSION = "0.1.0"
