"""A line with bytes that are not in the declared encoding."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="line-undecodable",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="line",
    title="A line with bytes that are not in the declared encoding",
    why="Damaged bytes may hide a digit, a sign or a letter of an identifier, so nothing of the line is used.",
    example="the mapping declares UTF-8 and the line holds the single byte B0, the degree sign of Latin-1",
    reference=COMMON_PRACTICE,
    todo="Check delimited.encoding in the mapping; if it is right, read the monitor out again",
)
