"""The table of the serial line."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from gateway.mapping.table import Table


class Line(Table):
    """How the serial line is set while `gateway capture` listens; without effect on exports that are files."""

    baud: int = Field(default=9600, ge=50, le=4_000_000, description="symbols per second")
    data_bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow: Literal["none", "rts-cts", "dsr-dtr", "xon-xoff"] = Field(default="none", description="flow control")
