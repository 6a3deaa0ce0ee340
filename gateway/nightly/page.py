"""The run report as one HTML file, in the style of the batch report: no scripts, nothing fetched."""

from __future__ import annotations

from datetime import datetime
from functools import cache
from typing import TYPE_CHECKING

from gateway.nightly.model import RunReport
from gateway.report.model import CAUTIONS, counted
from gateway.report.page import environment

if TYPE_CHECKING:
    from jinja2 import Environment


def html(report: RunReport) -> str:
    """The whole page."""
    return _environment().get_template("nightly.html.j2").render(report=report, cautions=CAUTIONS, counted=counted)


@cache
def _environment() -> Environment:
    made = environment("gateway.nightly", "gateway.report")
    made.filters["when"] = _when
    return made


def _when(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%d %H:%M:%S UTC")
