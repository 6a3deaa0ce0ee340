"""A value that the monitor itself doubts."""

from gateway.checks.base import Rule, measured
from gateway.model import Effect, Reading, Severity
from gateway.vocabulary import Limits


def _check(reading: Reading, limits: Limits | None) -> str | None:
    if reading.quality != "questionable":
        return None
    return f"{measured(reading)} is of a poor signal, says the monitor"


RULE = Rule(
    slug="signal-quality-poor",
    severity=Severity.WARNING,
    effect=Effect.FLAG,
    subject="reading",
    title="A value that the monitor itself doubts",
    why=(
        "Motion and weak perfusion give believable wrong numbers. The value is recorded with the mark for questionable "
        "results, so that whoever reads it sees the doubt as well."
    ),
    example="adult: spo2 93 % of questionable quality",
    reference=(
        "HL7 Point-of-Care Device guide, github HL7/uv-pocd@9be0922: measurement status questionable keeps the value, "
        "QUES in OBX-8; https://build.fhir.org/ig/HL7/uv-pocd/"
    ),
    todo="Measure again; when it is frequent, check sensor and site",
    adjustable=True,
    check=_check,
    rank=25,
)
