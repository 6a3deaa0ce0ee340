"""A line or record about the monitor itself."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="monitor-event",
    severity=Severity.INFORMATION,
    effect=Effect.NOTE,
    subject="line",
    title="A line or record about the monitor itself",
    why="Battery, paper and alarms of the device are no readings of a patient; they are told here and nowhere else.",
    example='the listing has the line "BATTERY LOW", which the mapping declares as an event',
    reference=COMMON_PRACTICE,
    todo="Nothing for the records; see to the monitor if the event calls for it",
)
