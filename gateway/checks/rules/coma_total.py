"""A total of the coma scale that is not the sum of its parts."""

from __future__ import annotations

from collections.abc import Mapping

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Reading, Severity
from gateway.vocabulary import vitals

_PARTS = ("coma_eye", "coma_verbal", "coma_motor")


def _check(readings: Mapping[str, Reading]) -> str | None:
    if len(readings) <= len(_PARTS):
        return None
    total = readings["coma_score"]
    scores = [vitals()[part].answers[readings[part].code].score or 0 for part in _PARTS]
    if total.exact == sum(scores):
        return None
    return f"the total is {total.value}, its parts are {' + '.join(map(str, scores))} = {sum(scores)}"


RULE = Rule(
    slug="coma-total",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="set",
    title="The coma score is not the sum of its parts",
    why=(
        "One of the four is misread, mistyped or of another moment, and nobody can tell which. Decisions hang on a "
        "single point of this score, so none of the four is recorded until somebody looked."
    ),
    example="coma_score 14 {score}, coma_eye eye_4, coma_verbal verbal_5, coma_motor motor_6",
    reference=(
        f"the total is eye + verbal + motor: Teasdale and Jennett 1974, from memory; to compare them: {COMMON_PRACTICE}"
    ),
    todo="Ask the ward for the scores; if the mapping reads a part from the wrong column, correct it",
    adjustable=True,
    vitals=("coma_score", *_PARTS),
    check=_check,
)
