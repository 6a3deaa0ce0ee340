"""Weight and height that hardly anybody has together."""

from __future__ import annotations

from collections.abc import Mapping

from gateway.checks.base import COMMON_PRACTICE, PROPOSAL, Rule, rounded
from gateway.checks.rules.bmi_implausible import implied
from gateway.model import Effect, Reading, Severity
from gateway.vocabulary import Limits


def _check(readings: Mapping[str, Reading], limits: Limits | None) -> str | None:
    if limits is None or limits.flag is None:
        return None
    found = implied(readings)
    if found is None:
        return None
    index, said = found
    low, high = limits.flag
    if low <= index <= high or (limits.hold is not None and not limits.hold[0] <= index <= limits.hold[1]):
        return None
    return f"{said}; {rounded(low)} to {rounded(high)} is usual"


RULE = Rule(
    slug="bmi-doubtful",
    severity=Severity.WARNING,
    effect=Effect.FLAG,
    subject="set",
    title="Hardly anybody has this weight at this height",
    why=(
        "A slip of one digit in either, pounds for kilograms, or inches for centimetres look like this, and a very "
        "heavy or very thin patient does as well. Both are recorded and marked."
    ),
    example="adult: weight 154 kg, height 132 cm",
    reference=(
        f"body mass index, kg over the square of m: {COMMON_PRACTICE}; the limits are those of bmi in the plausibility "
        f"profile: {PROPOSAL}"
    ),
    todo="Check the entry with the ward; where it is frequent, the units of both in the mapping",
    adjustable=True,
    vitals=("weight", "height"),
    check=_check,
    limits_of="bmi",
)
