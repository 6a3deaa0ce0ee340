"""A picture of the limits of a vital by patient category, in plain characters."""

from __future__ import annotations

from fractions import Fraction

from gateway import vocabulary
from gateway.checks.base import rounded, unit_name
from gateway.vocabulary import Limits
from gateway.vocabulary.tables import CATEGORIES

_WIDTH = 60
LEGEND = "= usual   - unusual, told   . held"


def picture(vital: str, profile: str = "proposal") -> list[str]:
    """The limits of a vital, a line for each category below a line with the scale.

    Args:
        vital: key of the vital.
        profile: plausibility profile.

    Returns:
        Lines of at most 80 characters; none for a vital without limits.
    """
    known = {category: vocabulary.limits(profile, category, vital) for category in CATEGORIES}
    rows = {category: limits for category, limits in known.items() if limits is not None and limits.hold is not None}
    if not rows:
        return []
    ends = [limits.hold for limits in rows.values() if limits.hold is not None]
    low, high = min(end[0] for end in ends), max(end[1] for end in ends)
    # Something is held on both sides of what can be.
    margin = (high - low) / 20
    low, high = max(low - margin, Fraction(0)) if low >= 0 else low - margin, high + margin
    unit = unit_name(next(iter(rows.values())).unit)
    left, right = rounded(low, 1), f"{rounded(high, 1)} {unit}"
    lines = [f"{'':10}{left}{right:>{_WIDTH - len(left)}}"]
    return [*lines, *[f"{category:10}{_line(limits, low, high)}".rstrip() for category, limits in rows.items()]]


def _line(limits: Limits, low: Fraction, high: Fraction) -> str:
    """One category: each character stands for the middle of its part of the scale."""
    marks = []
    for at in range(_WIDTH):
        value = low + (high - low) * Fraction(2 * at + 1, 2 * _WIDTH)
        if limits.hold is not None and not limits.hold[0] <= value <= limits.hold[1]:
            marks.append(".")
        elif limits.flag is not None and not limits.flag[0] <= value <= limits.flag[1]:
            marks.append("-")
        else:
            marks.append("=")
    return "".join(marks)
