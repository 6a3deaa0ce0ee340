"""What a rule is, and what the rule files share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Literal

from gateway import vocabulary
from gateway.model import Effect, Reading, Severity

Subject = Literal["line", "entry", "reading", "set", "batch", "record"]
"""What a rule can be about."""

About = Literal["", "patient"]
"""What a hold can be about, besides the reading itself."""

PROPOSAL = "proposal, no source: for clinical sign-off"
COMMON_PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule: what is noticed, why it matters, what it does to the readings.

    Attributes:
        slug: permanent name: that of its table, or of its file with "_" for "-".
        severity: FHIR IssueSeverity of its findings.
        effect: what it does to the readings concerned, unless the mapping says otherwise.
        subject: what it is about.
        title: what was noticed, in one line.
        why: why it matters.
        example: a case in which it speaks. Where `check` is given, the case itself, in the form
            "adult: heart_rate 511 /min" or "systolic 80 mm[Hg], diastolic 120 mm[Hg]"; a coded vital with its answer.
        reference: where the rule comes from, or that it has no source.
        todo: what the user can do.
        adjustable: the mapping's `[rules]` table may change the effect.
        vitals: the vitals it looks at; () for all.
        check: the check itself, which gives a message or None: of one reading and the limits in force (or None) in the
            reading's own unit, or of the recorded readings of one set, by vital. None where another stage notices, and
            the rule is a row of `rules.toml`.
        rank: checks of a reading run by rank, lowest first: the rule that explains most goes before the others.
        limits_of: a rule over a set: the vital whose limits in force its check is given as well, in their own unit.
        unusual: what it notices can be true of a very ill patient. It is told as unusual, first among what is held
            where the mapping holds it, and never marks a record as doubtful.
        about: "patient" where it holds a set because of whose it is, so that naming the patient can settle it.
    """

    slug: str
    severity: Severity
    effect: Effect
    subject: Subject
    title: str
    why: str
    example: str
    reference: str
    todo: str
    adjustable: bool = False
    vitals: tuple[str, ...] = ()
    check: Callable[..., str | None] | None = None
    rank: int = 50
    about: About = ""
    limits_of: str = ""
    unusual: bool = False


def number(reading: Reading, unit: str) -> Fraction:
    """The exact number of a reading in a unit.

    Args:
        reading: a reading with a number.
        unit: UCUM code.

    Returns:
        The number before rounding, in `unit`.
    """
    assert reading.exact is not None
    if reading.unit == unit:
        return reading.exact
    return vocabulary.convert(reading.exact, reading.unit, unit, vital=reading.vital)


def step(reading: Reading, unit: str) -> Fraction:
    """One step of the last decimal shown, in a unit: the coarser of the exported and the recorded one."""
    steps = []
    if reading.value is not None:
        steps.append(_width(Fraction(10) ** _exponent(reading.value.as_tuple().exponent), reading.unit, unit))
    if reading.source_value is not None:
        last = Fraction(10) ** _exponent(reading.source_value.as_tuple().exponent)
        steps.append(_width(last, reading.source_unit, unit))
    return max(steps, default=Fraction(0))


def _exponent(exponent: object) -> int:
    assert isinstance(exponent, int)
    return exponent


def _width(step: Fraction, from_unit: str, to_unit: str) -> Fraction:
    return step if from_unit == to_unit else vocabulary.convert(step, from_unit, to_unit)


def below(reading: Reading, limit: Fraction) -> bool:
    """Whether a reading lies below a limit in its own unit; "<70" lies below 70."""
    exact = reading.exact
    return exact is not None and (exact < limit or (exact == limit and reading.comparator == "<"))


def above(reading: Reading, limit: Fraction) -> bool:
    """Whether a reading lies above a limit in its own unit; ">300" lies above 300."""
    exact = reading.exact
    return exact is not None and (exact > limit or (exact == limit and reading.comparator == ">"))


def outside(reading: Reading, band: tuple[Fraction, Fraction] | None) -> bool:
    """Whether a reading lies outside a band (both ends inclusive) in its own unit; never outside no band."""
    return band is not None and (below(reading, band[0]) or above(reading, band[1]))


def unit_name(unit: str) -> str:
    """A unit as people write it: "mmHg" for "mm[Hg]"."""
    known = vocabulary.units().get(unit)
    return known.display if known else unit


def rounded(value: Fraction | Decimal | int, places: int = 2) -> str:
    """A number for a message: at most `places` decimals, without zeros at the end."""
    text = f"{Decimal(round(Fraction(value) * 10**places)).scaleb(-places):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def measured(reading: Reading) -> str:
    """The value and unit of a reading as recorded: ">300 mmHg"."""
    value = reading.value if reading.value is not None else reading.exact
    assert value is not None
    text = f"{value:f}" if isinstance(value, Decimal) else rounded(value)
    return f"{reading.comparator}{text} {unit_name(reading.unit)}".rstrip()
