"""The plain reading of FHIR's data types. Each function says what is wrong and returns what other rules need."""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal
from typing import Any

from gateway.verify.fhir.problems import Codings, Say
from gateway.verify.published import UCUM, code_fault, quotable

COMPARATORS = {"<": "<", "<=": "<", ">": ">", ">=": ">"}
_DATE_TIME = re.compile(
    r"\d{4}(-(0[1-9]|1[0-2])(-(0[1-9]|[12]\d|3[01])"
    r"(T([01]\d|2[0-3]):[0-5]\d:([0-5]\d|60)(\.\d+)?(Z|[+-]((0\d|1[0-3]):[0-5]\d|14:00)))?)?)?",
    re.ASCII,
)
_URI = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:\S+")
_CODE = re.compile(r"\S+( \S+)*")
UUID = re.compile(r"urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}", re.ASCII)
_LITERAL = re.compile(r"(?:https?://\S+/)?([A-Z][A-Za-z]+)/[A-Za-z0-9.-]{1,64}", re.ASCII)
QUERY = re.compile(r"(?:[A-Za-z0-9\-._~!$'()*,;:@/?|]|%[0-9A-Fa-f]{2})+", re.ASCII)
HEX = re.compile(rb"[0-9a-f]{32}")
_TOKEN_PART = re.compile(r"(?:[^\\,$|]|\\[\\,$|])*", re.DOTALL)


def read_object(value: Any, say: Say, where: str, allowed: str) -> dict[str, Any]:
    """An object with allowed elements only; {} for what is none."""
    if not isinstance(value, dict):
        say(f"{where} is not an object")
        return {}
    for key in value.keys() - set(allowed.split()):
        say(f"{where} has an element that does not belong there: {quotable(key)}")
    return value


def read_list(value: Any, say: Say, where: str) -> list[Any]:
    """A list with at least one item; [] for what is none."""
    if not isinstance(value, list) or not value:
        say(f"{where} is not a list with at least one item")
        return []
    return value


def read_text(value: Any, say: Say, where: str) -> str:
    """A text that is not blank; "" for what is none."""
    if not isinstance(value, str) or not value.strip():
        say(f"{where} is not text")
        return ""
    return value


def read_uri(value: Any, say: Say, where: str) -> str:
    """An absolute URI; "" for what is none."""
    if not isinstance(value, str) or not _URI.fullmatch(value):
        say(f"{where} is not an absolute URI")
        return ""
    return value


def read_date_time(value: Any, say: Say, where: str) -> str:
    """Check a FHIR dateTime, with vs-1 (precise to the day at least) and the calendar."""
    if not isinstance(value, str) or not _DATE_TIME.fullmatch(value):
        say(f"{where} is not a FHIR dateTime (with hours it needs seconds and an offset)")
        return ""
    if len(value) < 8:
        say(f"vs-1: {where} must be precise to the day")
        return ""
    try:
        date(int(value[:4]), int(value[5:7]), int(value[8:10]))
    except ValueError:
        say(f"{where} is a day that does not exist")
        return ""
    return value


def read_instant(value: Any, say: Say, where: str) -> None:
    """Check a FHIR instant."""
    if len(read_date_time(value, say, where)) < 20:
        say(f"{where} is not a FHIR instant (date, time to the second and offset)")


def read_concept(value: Any, say: Say, where: str, *, coded: bool = True) -> Codings:
    """Check a CodeableConcept; returns systems and codes."""
    concept = read_object(value, say, where, "coding text id extension")
    if "text" in concept:
        read_text(concept["text"], say, f"{where}.text")
    if "coding" not in concept:
        if coded or "text" not in concept:
            say(f"{where} has no coding")
        return ()
    found: list[tuple[str, str]] = []
    for item in read_list(concept["coding"], say, f"{where}.coding"):
        coding = read_object(item, say, f"{where}.coding", "system version code display userSelected")
        system = read_uri(coding.get("system"), say, f"{where}.coding.system")
        code = coding.get("code")
        if not isinstance(code, str) or not _CODE.fullmatch(code):
            say(f"{where}.coding.code is missing or malformed")
            continue
        if "display" in coding:
            read_text(coding["display"], say, f"{where}.coding.display")
        if fault := code_fault(system, code):
            say(f"{where}: code {quotable(code)} {fault}")
        if (system, code) in found:
            say(f"{where}: code {quotable(code)} stands twice")
        found.append((system, code))
    return tuple(found)


def read_quantity(value: Any, say: Say, where: str) -> tuple[str, str]:
    """Check a Quantity; returns its UCUM code and its comparator."""
    quantity = read_object(value, say, where, "value comparator unit system code")
    if not isinstance(quantity.get("value"), Decimal):
        say(f"{where}.value is not a number")
    comparator = quantity.get("comparator", "")
    if "comparator" in quantity and (not isinstance(comparator, str) or comparator not in COMPARATORS):
        say(f"{where}.comparator is not one of < <= >= >")
        comparator = ""
    read_text(quantity.get("unit"), say, f"{where}.unit")
    if quantity.get("system") != UCUM:
        say(f"{where}.system is not UCUM ({UCUM})" + ("" if "system" in quantity else "; qty-3: a code needs a system"))
    code = quantity.get("code")
    if not isinstance(code, str) or not code:
        say(f"{where}.code is missing")
        code = ""
    return code, comparator


def read_identifier(value: Any, say: Say, where: str, *, system: bool = True) -> tuple[str, str]:
    """Check an Identifier; returns its system and its value."""
    identifier = read_object(value, say, where, "use type system value assigner")
    found = ""
    if system or "system" in identifier:
        found = read_uri(identifier.get("system"), say, f"{where}.system")
    if "type" in identifier:
        read_concept(identifier["type"], say, f"{where}.type", coded=False)
    return found, read_text(identifier.get("value"), say, f"{where}.value")


def read_reference(value: Any, say: Say, where: str, types: str, *, system: bool = False) -> str:
    """Check a Reference to one of `types`; returns its literal reference, or ""."""
    reference = read_object(value, say, where, "reference type identifier display")
    if "reference" not in reference and "identifier" not in reference:
        say(f"{where} has neither a reference nor an identifier")
    if "identifier" in reference:
        read_identifier(reference["identifier"], say, f"{where}.identifier", system=system)
    if "type" in reference and reference["type"] not in types.split():
        say(f"{where}.type is not one of: {types}")
    if "reference" not in reference:
        return ""
    literal = reference["reference"]
    if not isinstance(literal, str):
        say(f"{where}.reference is not text")
        return ""
    if literal.startswith("#"):
        say(f"ref-1: {where} points at a contained resource that is not there")
        return ""
    if literal.startswith("urn:"):
        if not UUID.fullmatch(literal):
            say(f"{where}.reference is not a urn:uuid in lower case")
            return ""
        return literal
    match = _LITERAL.fullmatch(literal)
    if match is None:
        say(f"{where}.reference is neither Type/id nor a urn:uuid")
        return ""
    if match[1] not in types.split():
        say(f"{where} refers to a {quotable(match[1])}, not to one of: {types}")
    return literal


def search_token(text: str) -> tuple[str, ...]:
    """The parts of a token search, system and code or code alone; () when it is not a search for exactly one token.

    A backslash stands before each comma, dollar sign, bar and backslash of a part (FHIR R4 search, "escaping").
    """
    parts: list[str] = []
    at = 0
    while (found := _TOKEN_PART.match(text, at)) is not None:
        parts.append(re.sub(r"\\(.)", r"\1", found[0]))
        at = found.end() + 1
        if at > len(text):
            return tuple(parts)
        if text[at - 1] != "|":
            break
    return ()
