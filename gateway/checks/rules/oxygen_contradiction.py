"""Room air and oxygen stated at once."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from gateway.checks.base import COMMON_PRACTICE, Rule, measured, number
from gateway.model import Effect, Reading, Severity

_IN_AIR = Fraction(22)
"""Per cent: air has 20.9, shown as 21; a monitor that rounds up may show 22."""


def _check(readings: Mapping[str, Reading]) -> str | None:
    device = readings.get("oxygen_device")
    if device is None:
        return None
    flow, share = readings.get("oxygen_flow"), readings.get("oxygen_concentration")
    if device.code == "air":
        if flow is not None and number(flow, "L/min") > 0:
            return f"room air is stated beside an oxygen flow of {measured(flow)}"
        if share is not None and number(share, "%") > _IN_AIR:
            return f"room air is stated beside {measured(share)} oxygen"
    elif flow is not None and number(flow, "L/min") == 0:
        return f"oxygen is stated beside a flow of {measured(flow)}, which says room air"
    return None


RULE = Rule(
    slug="oxygen-contradiction",
    severity=Severity.WARNING,
    effect=Effect.FLAG,
    subject="set",
    title="Room air and oxygen are stated at once",
    why=(
        "A saturation means something else on oxygen than on air. Where the two statements contradict each other one "
        "of them is misread, or left from an earlier moment; all are marked, and none is changed."
    ),
    example="oxygen_device air, oxygen_flow 4 L/min",
    reference=(
        "a flow of 0 says room air: US Core 9.0.0 CONF-0453, https://github.com/HL7/US-Core; air has 21 % oxygen, and "
        f"the comparison: {COMMON_PRACTICE}"
    ),
    todo="Ask the ward what the patient breathed; check the column that states it in the mapping",
    adjustable=True,
    vitals=("oxygen_device", "oxygen_flow", "oxygen_concentration"),
    check=_check,
)
