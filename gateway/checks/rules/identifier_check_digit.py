"""An identifier whose check digit is wrong."""

from gateway.checks.base import Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="identifier-check-digit",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="An identifier whose check digit is wrong",
    why=(
        "A check digit shows that a digit was mistyped, lost or swapped. The identifier may be somebody else's, and "
        "nobody can tell whose it should be. A leading zero that a spreadsheet dropped shows here as well."
    ),
    example='the mapping says check = "gb.nhs", and the last digit of the number does not follow from the others',
    reference="ISO/IEC 7064, check character systems, https://www.iso.org/standard/31531.html",
    todo="Correct the identifier at its source; if the scheme is another one, correct check in the mapping",
    about="patient",
)
