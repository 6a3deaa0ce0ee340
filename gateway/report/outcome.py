"""The findings of a batch as a FHIR R4 OperationOutcome: one issue per rule.

Severities are taken over as they are (http://hl7.org/fhir/issue-severity); types are codes of
http://hl7.org/fhir/issue-type, R4 4.0.1.
"""

from __future__ import annotations

from typing import Any

from gateway.model import Severity
from gateway.report.model import Place, Report, RuleFindings, counted

_TYPES: tuple[tuple[str, str], ...] = (
    ("record-failed-verification", "processing"),
    ("repeat-in-batch", "duplicate"),
    ("export-same-content", "duplicate"),
    ("same-identity", "conflict"),
    ("label-repeated", "duplicate"),
    ("frame-repeated", "duplicate"),
    ("frame-unended", "incomplete"),
    ("frame-", "structure"),
    ("record-", "structure"),
    ("field-", "structure"),
    ("anchor-missing", "required"),
    ("age-", "value"),
    ("undeclared-", "code-invalid"),
    ("line-too-long", "too-long"),
    ("note-too-long", "too-long"),
    ("line-", "structure"),
    ("row-", "structure"),
    ("header-", "structure"),
    ("export-", "incomplete"),
    ("nul-", "structure"),
    ("patient-missing", "required"),
    ("patient-", "invalid"),
    ("association-", "not-found"),
    ("time-missing", "required"),
    ("time-", "value"),
    ("number-", "value"),
    ("sentinel-", "value"),
    ("outside-", "value"),
    ("probable-", "value"),
    ("pattern-", "value"),
    ("comparator-", "value"),
)
"""Beginning of a rule's slug -> issue type; the first that fits."""

PLACES = 3


def operation_outcome(report: Report) -> dict[str, Any]:
    """The report's verdict and findings as a FHIR R4 OperationOutcome resource."""
    issues = [_issue(report, found) for found in report.rules]
    if report.verdict.state == "failed":
        issues.insert(0, _whole("fatal", "processing", report.verdict.sentence))
    if not issues:
        state = "information" if report.verdict.state == "clean" else "warning"
        issues.append(_whole(state, "informational", report.verdict.sentence))
    return {"resourceType": "OperationOutcome", "issue": issues}


def _whole(severity: str, kind: str, text: str) -> dict[str, Any]:
    return {"severity": severity, "code": kind, "details": {"text": text}}


def _issue(report: Report, found: RuleFindings) -> dict[str, Any]:
    issue = _whole(
        found.severity.value,
        _type(found),
        f"{found.title.rstrip('.')} [{found.rule}]: {counted(found.count, 'finding')}",
    )
    shown = found.places[:PLACES]
    parts = [f"{where(report, place)}: {place.message.rstrip('.')}." for place in shown]
    if found.count > len(shown):
        parts.append(f"The first {len(shown)} of {found.count:,} are named here; findings.csv has all.")
    if found.todo:
        parts.append(f"What to do: {found.todo.rstrip('.')}.")
    if parts:
        issue["diagnostics"] = " ".join(parts)
    return issue


def where(report: Report, place: Place) -> str:
    """A place in words: export by number, line or byte (or both, of a record), column."""
    parts = [f"export {place.export}"] if place.export else ["batch"]
    whole = report.reckoning.lines.unit == "line"
    if place.line:
        parts.append(f"{'line' if whole else 'record'} {place.line:,}")
    if place.offset >= 0 and not (whole and place.line):
        parts.append(f"byte {place.offset:,}")
    if place.column:
        parts.append(f"column {place.column}")
    return ", ".join(parts)


def _type(found: RuleFindings) -> str:
    if found.severity is Severity.INFORMATION:
        return "informational"
    return next((kind for start, kind in _TYPES if found.rule.startswith(start)), "business-rule")
