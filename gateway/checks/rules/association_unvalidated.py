"""The only association at the time of the entry has not been validated."""

from gateway.checks.base import Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="association-unvalidated",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="The association at the time of the entry was asserted and never validated",
    why="A device or a system has asserted who was on the monitor, and no person has confirmed it.",
    example="the association message says OBX-11 R, and no later one says F for it",
    reference="IHE Devices PCIM supplement, 7.1.1.1 and A.1.2.5 (OBX-11), https://profiles.ihe.net/DEV/PCIM/",
    todo="Validate the association where it is kept, and convert the export again with the new list",
    about="patient",
)
