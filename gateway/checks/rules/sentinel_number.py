"""A number that monitors print when they have no value."""

from __future__ import annotations

from fractions import Fraction

from gateway.checks.base import PROPOSAL, Rule, outside, rounded
from gateway.model import Effect, Reading, Severity
from gateway.vocabulary import Limits

# Minus one, all nines, all eights, and all ones of a binary field: common practice, no source.
_NEGATIVE = (-32768, -9999, -999, -99, -9, -1)
_POSITIVE = (99, 127, 255, 511, 888, 999, 1023, 2047, 4095, 8191, 9999, 32767, 32768, 65535, 99999)
_CODES = {Fraction(code) for code in (*_NEGATIVE, *_POSITIVE)} | {Fraction(text) for text in ("99.9", "888.8", "999.9")}
_ZERO_IS_A_VALUE = frozenset({"pain", "pain_faces", "pain_line", "pain_observed", "oxygen_flow"})
# Without limits to judge by, only what can be no measurement at all.
_CERTAIN = (Fraction(0), Fraction(9999))


def _check(reading: Reading, limits: Limits | None) -> str | None:
    if reading.comparator or reading.exact is None:
        return None
    exported = reading.exact if reading.source_value is None else Fraction(reading.source_value)
    if exported == 0:
        return None if reading.vital in _ZERO_IS_A_VALUE else "0 is what monitors print for no value"
    if exported not in _CODES:
        return None
    if limits is not None and limits.hold is not None:
        impossible = outside(reading, limits.hold)
    else:
        impossible = exported < _CERTAIN[0] or exported >= _CERTAIN[1]
    return f"{rounded(exported)} is what monitors print for no value" if impossible else None


RULE = Rule(
    slug="sentinel-number",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="reading",
    title="A number that monitors print when they have no value",
    why=(
        "Many monitors print 0, -1, 255, 511, 999 or 32767 for a failed or missing measurement. Charted as it stands "
        "it looks like an arrest or a crisis. What it means is in the monitor's manual, not in the number."
    ),
    example="adult: heart_rate 511 /min",
    reference=PROPOSAL,
    todo="Look the number up in the monitor's manual and declare it under [absent] with its reason, signed off",
    check=_check,
    rank=20,
)
