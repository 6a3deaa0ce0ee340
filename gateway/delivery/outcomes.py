"""What a FHIR server says of a bundle: OperationOutcome and the entries of an answer, made safe to show.

Source: FHIR R4 4.0.1, http://hl7.org/fhir/R4/operationoutcome.html and http://hl7.org/fhir/R4/http.html#trules.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

from gateway.delivery.answers import ISSUES, Choice, answered
from gateway.delivery.base import Verdict
from gateway.model import Severity

_PATH = re.compile(r"[A-Za-z][A-Za-z0-9]*(\[\d{1,6}\])?(\.[A-Za-z][A-Za-z0-9]*(\[\d{1,6}\])?)*")
_ENTRY = re.compile(r"Bundle\.entry\[(\d{1,6})\]")
# The older `location` is an XPath, which counts from 1.
_XPATH_ENTRY = re.compile(r"/?(?:f:)?Bundle(?:\[1\])?/(?:f:)?entry\[(\d{1,6})\]")
_LOCATION = re.compile(r"([A-Z][A-Za-z]{1,40}/[A-Za-z0-9\-.]{1,64})(/_history/[A-Za-z0-9\-.]{1,64})?$")
_PERSON = re.compile(r"\b(?:Patient|Person|Practitioner|RelatedPerson)\s*/", re.IGNORECASE)
_MOST_ISSUES = 10_000
_LONGEST_TEXT = 200
_MOST_SHOWN = 3


class Issue(NamedTuple):
    """One issue of an OperationOutcome, without anything that may name a person.

    Attributes:
        severity: FHIR's code; an error for one that FHIR does not know.
        code: FHIR's issue type, or "" for one that FHIR does not know.
        path: where in the bundle, as a plain path; "" if not said.
        entry: position of the entry in the bundle as it was sent; None if not said.
        text: what the server says of it; "" when that may hold an identifier.
    """

    severity: Severity
    code: str
    path: str
    entry: int | None
    text: str

    @property
    def grave(self) -> bool:
        """Whether it is a reason for refusing."""
        return self.severity.grave

    def __str__(self) -> str:
        at = f" ({self.path})" if self.path else ""
        said = f": {self.text}" if self.text else ""
        return f"{ISSUES.get(self.code, 'the server gives a reason that is not known here')}{at}{said}"


def issues(content: Any, private: Callable[[str], bool]) -> list[Issue]:
    """The issues of an OperationOutcome; none when it is something else.

    Args:
        content: JSON as it was read.
        private: whether a text must not be shown.
    """
    if not isinstance(content, dict) or content.get("resourceType") != "OperationOutcome":
        return []
    listed = content.get("issue")
    found = listed[:_MOST_ISSUES] if isinstance(listed, list) else []
    return [_issue(issue, private) for issue in found if isinstance(issue, dict)]


def _issue(issue: dict[str, Any], private: Callable[[str], bool]) -> Issue:
    severity, code = issue.get("severity"), issue.get("code")
    paths = _texts(issue.get("expression")) + _texts(issue.get("location"))
    entry = None
    for path in paths:
        if match := _ENTRY.match(path):
            entry = int(match[1])
            break
        if (match := _XPATH_ENTRY.match(path)) and int(match[1]) > 0:
            entry = int(match[1]) - 1
            break
    shown = next((path for path in paths if _PATH.fullmatch(path) and not private(path)), "")
    if not shown and entry is not None:
        shown = f"Bundle.entry[{entry}]"
    details = issue.get("details")
    texts = _texts(issue.get("diagnostics")) + (_texts(details.get("text")) if isinstance(details, dict) else [])
    said = next((text for text in texts if not private(text) and not _PERSON.search(text)), "")
    return Issue(
        Severity(severity) if severity in tuple(Severity) else Severity.ERROR,
        code if isinstance(code, str) and code in ISSUES else "",
        shown,
        entry,
        _line(said),
    )


def _texts(value: Any) -> list[str]:
    return [text for text in (value if isinstance(value, list) else [value]) if isinstance(text, str)]


def _line(text: str) -> str:
    """One short line of printable characters."""
    text = "".join(char if char.isprintable() else " " for char in text[: 10 * _LONGEST_TEXT])
    text = " ".join(text.split())
    return text if len(text) <= _LONGEST_TEXT else text[: _LONGEST_TEXT - 1] + "…"


def placed(issue: Issue, indices: Sequence[int]) -> Issue:
    """An issue of a part of a bundle, as one of the whole.

    Args:
        issue: the issue; its `entry` counts the entries of the part.
        indices: positions of the entries of the part in the whole bundle.
    """
    if issue.entry is None or issue.entry >= len(indices):
        return issue._replace(entry=None)
    index = indices[issue.entry]
    return issue._replace(entry=index, path=_ENTRY.sub(f"Bundle.entry[{index}]", issue.path))


def grave(found: list[Issue]) -> list[str]:
    """The issue types of the reasons for refusing, in their order."""
    return [issue.code for issue in found if issue.grave]


def told(found: list[Issue], otherwise: str) -> str:
    """The first grave issues in one line, or another text when there is none."""
    reasons = [str(issue) for issue in found if issue.grave]
    more = f" (and {len(reasons) - _MOST_SHOWN} more)" if len(reasons) > _MOST_SHOWN else ""
    return "; ".join(reasons[:_MOST_SHOWN]) + more if reasons else otherwise


class EntryAnswer(NamedTuple):
    """What the server says of one entry.

    Attributes:
        verdict: what became of it.
        code: its status, with the issue type that decided.
        message: what the server said.
        location: where it is kept, with its version; "" if not said.
        answered: it is an answer to this entry, and not one that any would have got.
    """

    verdict: Verdict
    code: str
    message: str
    location: str = ""
    answered: bool = True


def entry_answer(entry: Any, private: Callable[[str], bool], site: Mapping[str, Choice]) -> EntryAnswer:
    """Read one entry of a transaction-response or batch-response.

    Only 200 and 201 mean that the server holds the record. An entry that cannot be read is parked.
    """
    response = entry.get("response") if isinstance(entry, dict) else None
    status = response.get("status") if isinstance(response, dict) else None
    code = status[:3] if isinstance(status, str) and re.match(r"\d{3}(?!\d)", status) else ""
    if not isinstance(response, dict) or not code:
        return EntryAnswer(Verdict.PARKED, "unreadable", "the answer has no status for this entry")
    if code in ("200", "201"):
        return EntryAnswer(Verdict.DELIVERED, code, _HELD[code], _location(entry, response))
    found = issues(response.get("outcome"), private)
    meaning = answered(int(code), grave(found), site, entry=True)
    return EntryAnswer(meaning.verdict, meaning.key, told(found, meaning.words), answered=not meaning.everyone)


_HELD = {"200": "already there, or brought up to date", "201": "created"}


def _location(entry: dict[str, Any], response: dict[str, Any]) -> str:
    location = response.get("location")
    if isinstance(location, str) and (match := _LOCATION.search(location)):
        return match[0]
    resource = entry.get("resource")
    if isinstance(resource, dict):
        named = f"{resource.get('resourceType')}/{resource.get('id')}"
        if (match := _LOCATION.match(named)) and resource.get("resourceType") != "OperationOutcome":
            return match[0]
    return ""
