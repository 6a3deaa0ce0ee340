"""What pydantic says of a mapping, told to the person who wrote it, in sentences and each at its own key.

`model_problems` tells the mistakes, and `mended` gives the static checks a mapping to go on with, so that one run tells
every mistake and not only the first.
"""

from __future__ import annotations

import copy
import datetime as dt
import re
from decimal import Decimal
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from gateway.mapping.hints import STAND_INS, hint, missing
from gateway.mapping.keys import TOP, field_at, homes, keys_at, type_word, types_at
from gateway.mapping.model import Mapping
from gateway.mapping.places import Path
from gateway.mapping.problems import Problem, Problems, folded, key_text, listed, meant, nearest, quoted

_WRONG_TYPE = frozenset({"string_type", "list_type", "dict_type", "model_type", "literal_error"})
_FITTING_TYPE: dict[type, frozenset[str]] = {
    str: frozenset({"string_type", "literal_error"}),
    list: frozenset({"list_type"}),
    dict: frozenset({"dict_type", "model_type"}),
}


def model_problems(error: ValidationError, raw: dict[str, Any], problems: Problems) -> None:
    """Tell every mistake the model found, each at its own key."""
    for path, details in by_key(error, raw):
        problem = _explain(path, details, raw)
        problems.add(problem.path, problem.what, problem.todo)
    for path, details in by_key(error, raw):
        problems.spoil(path)
        if details["type"] == "extra_forbidden":
            misspelt = nearest(str(path[-1]), keys_at(path[:-1]))
            if misspelt:
                problems.spoil((*path[:-1], misspelt))


def mended(raw: dict[str, Any], problems: Problems) -> Mapping | None:
    """The mapping without its wrong keys; required ones get a stand-in and count as not known.

    Returns:
        None when the file is too broken to go on (the mistakes found so far are then all there are).
    """
    raw = copy.deepcopy(raw)
    for _ in range(20):
        try:
            return Mapping.model_validate(raw)
        except ValidationError as error:
            # From the last to the first, so that an item taken out of a list does not move the others.
            for path, details in sorted(by_key(error, raw), key=lambda found: [str(p) for p in found[0]], reverse=True):
                _mend(raw, path, details["type"] == "missing", problems)
    return None


def _mend(raw: dict[str, Any], path: Path, missing: bool, problems: Problems) -> None:
    while path:
        if path in STAND_INS:
            _put(raw, path, copy.deepcopy(STAND_INS[path]))
            problems.spoil(path)
            return
        if not missing:
            _remove(raw, path)
            return
        # What lacks a required key is taken out as a whole.
        path, missing = path[:-1], False


def _put(raw: dict[str, Any], path: Path, value: object) -> None:
    holder = _get(raw, path[:-1])
    if isinstance(holder, dict):
        holder[path[-1]] = value


def _remove(raw: dict[str, Any], path: Path) -> None:
    holder = _get(raw, path[:-1])
    name = path[-1]
    if isinstance(holder, dict):
        holder.pop(name, None)
    elif isinstance(holder, list) and isinstance(name, int) and name < len(holder):
        del holder[name]


def _get(raw: object, path: Path) -> object:
    for part in path:
        if not _inside(raw, part):
            return None
        raw = raw[part]  # type: ignore[index]
    return raw


def _inside(raw: object, part: str | int) -> bool:
    if isinstance(raw, list):
        return isinstance(part, int) and part < len(raw)
    return isinstance(raw, dict) and part in raw


def by_key(error: ValidationError, raw: dict[str, Any]) -> list[tuple[Path, ErrorDetails]]:
    """The errors by the keys of the file: pydantic's marks of union branches are taken out, one branch is kept."""
    found: list[tuple[Path, ErrorDetails]] = []
    branched: dict[Path, list[tuple[Path, ErrorDetails]]] = {}
    for details in error.errors(include_url=False):
        path, fork = _real(details, raw)
        if fork is None:
            found.append((path, details))
        else:
            branched.setdefault(fork, []).append((path, details))
    for fork, choices in branched.items():
        fitting = _FITTING_TYPE.get(type(_get(raw, fork)), frozenset())
        kept = [
            (path, details)
            for path, details in choices
            if path != fork or details["type"] not in _WRONG_TYPE or details["type"] in fitting
        ]
        found += kept or [(fork, {**choices[0][1], "type": "wrong_branch"})]
    return list({(path, details["type"]): (path, details) for path, details in found}.values())


def _real(details: ErrorDetails, raw: object) -> tuple[Path, Path | None]:
    """The path of an error in the file, and where its union forks, if it does."""
    path: Path = ()
    fork: Path | None = None
    loc = details["loc"]
    for position, part in enumerate(loc):
        if _inside(raw, part):
            path = (*path, part)
            raw = raw[part]  # type: ignore[index]
        elif details["type"] == "missing" and position == len(loc) - 1:
            path = (*path, part)
        elif part != "[key]":
            fork = path
    return path, fork


def _explain(path: Path, details: ErrorDetails, raw: dict[str, Any]) -> Problem:
    kind = details["type"]
    context = details.get("ctx", {})
    value = _get(raw, path)
    name = path[-1] if path else ""
    if kind == "missing":
        if isinstance(name, int):
            return Problem(path[:-1], "there must be two numbers", f"Write {path[-2]} = {_pair(path)}")
        return Problem(path, *missing(path))
    if kind == "extra_forbidden":
        return Problem(path, "there is no such key", _unknown_todo(path, value))
    if kind == "literal_error":
        choices = [choice for choice in re.findall(r"'([^']*)'", context["expected"]) if choice]
        return Problem(path, f"{quoted(name if _is_key(details) else value)} is not known here",
                       meant(str(name if _is_key(details) else value), choices))  # fmt: skip
    if kind == "string_pattern_mismatch" and path[0] == "framed":
        what = f"{quoted(value)} is not a row of bytes in hexadecimal"
        return Problem(path, what, 'Write two digits for each byte, such as "02" or "0D0A"')
    if kind == "string_pattern_mismatch":
        what = "the text is blank or holds control characters"
        return Problem(path, what, "Write words on one line, without tabs or line ends")
    if kind == "string_too_short":
        if _is_key(details):
            return Problem(path, "the name is empty", "Give it a name or leave the line out")
        return Problem(
            path, "the text is empty", "Write what the export uses, or leave the key out if it may be left out"
        )
    if kind == "string_too_long":
        limit = int(details["ctx"]["max_length"])
        many = "one character" if limit == 1 else f"{limit} characters"
        todo = 'Write a tab as "\\t" in double quotes' if value == "\\t" else f"Write {many} between quotes"
        return Problem(path, f"{quoted(value)} is more than {many}", todo)
    if kind in ("too_short", "too_long"):
        return _length(path, details, value)
    if kind in ("greater_than_equal", "less_than_equal"):
        return Problem(path, f"{value} is out of range", f"Write a whole number {_range(path)}")
    if kind == "finite_number":
        return Problem(path, f"{value} is no limit", "Write a number, or leave the limit out")
    return Problem(path, f"{_expected(kind, path)}, and this is {_kind(value)}", _retyped(kind, path, value))


_NOT_OF_KIND: dict[str, str] = {
    "int": "it is not a whole number", "float": "it is not a number", "decimal": "it is not a number",
    "finite": "it is not a number", "number": "it is not a number", "bool": "it is neither true nor false",
    "string": "it is not a text", "list": "it is not a list", "tuple": "it is not a list", "set": "it is not a list",
    "dict": "it is not a table", "model": "it is not a table", "path": "it is not a path", "url": "it is not a URL",
    "date": "it is not a date", "time": "it is not a time", "datetime": "it is not a date with a time",
    "timezone": "it is not a time with its offset from UTC",
}  # fmt: skip


def in_words(details: ErrorDetails) -> str:
    """What is wrong with one value, in the gateway's own words and without what was written.

    The library's words ("Input should be a valid integer, unable to parse string as an integer") are for programmers.
    """
    kind, context = details["type"], details.get("ctx", {})
    match kind:
        case "value_error" | "assertion_error":
            return str(context.get("error") or "it cannot be used").rstrip(".")
        case "missing":
            return "it is missing"
        case "extra_forbidden":
            return "there is no such key"
        case "literal_error" | "enum":
            return f"it is not one of {context.get('expected', 'the words known here')}"
        case "greater_than_equal":
            return f"it must be at least {context['ge']}"
        case "greater_than":
            return f"it must be more than {context['gt']}"
        case "less_than_equal":
            return f"it must be at most {context['le']}"
        case "less_than":
            return f"it must be less than {context['lt']}"
        case "string_too_short" | "too_short":
            return "there is nothing in it" if context.get("min_length") == 1 else "it is too short"
        case "string_too_long" | "too_long":
            return f"it is longer than {context['max_length']}" if "max_length" in context else "it is too long"
        case "string_pattern_mismatch":
            return "the text has another form than it must have"
    return _NOT_OF_KIND.get(kind.partition("_")[0], "it is not what is expected here")


def _is_key(details: ErrorDetails) -> bool:
    return bool(details["loc"]) and details["loc"][-1] == "[key]"


def _unknown_todo(path: Path, value: object) -> str:
    name = str(path[-1])
    known = keys_at(path[:-1])
    if name in known:
        return "Take it out"
    close = nearest(name, known)
    if close and folded(close) == folded(name):
        return f"Write {close}"
    others = [home for home in homes(name) if home != path[:-1]]
    if others and (name in TOP or not close):
        if () in others:
            return (
                f"Move {name} to the top of the file, before the first [table]: below a header it belongs to that table"
            )
        return f"{name} belongs in {listed(_table(home) for home in others)}: move it below that header"
    if close:
        return f"Write {close}, if that is what was meant; known here: {listed(known, 24)}"
    return f"Take it out or move it; known here: {listed(known, 24)}"


def _table(path: Path) -> str:
    return f"[{key_text(path)}]" if path else "the top of the file"


def _length(path: Path, details: ErrorDetails, value: object) -> Problem:
    context = details.get("ctx", {})
    if isinstance(value, list) and path and (path[-1] in ("hold", "flag") or "widths" in path):
        return Problem(path, "there must be two numbers", f"Write {path[-1]} = {_pair(path)}")
    if details["type"] == "too_short":
        return Problem(path, "there is nothing in it", f"Add {hint(path)}")
    return Problem(path, f"there are {len(value) if isinstance(value, list) else 'too many'} items",
                   f"Keep at most {context.get('max_length', 1)}")  # fmt: skip


def _expected(kind: str, path: Path) -> str:
    words = {
        "string_type": "a text is expected",
        "bool_type": "true or false is expected",
        "int_type": "a whole number is expected",
        "int_from_float": "a whole number is expected",
        "is_instance_of": "a number is expected",
        "decimal_type": "a number is expected",
        "list_type": "a list is expected",
        "tuple_type": "a list of two numbers is expected",
        "dict_type": "a table is expected",
        "model_type": "a table is expected",
    }
    if kind == "wrong_branch":
        return f"{' or '.join(sorted({type_word(option) for option in types_at(path)}))} is expected"
    return words.get(kind, "something else is expected")


def _retyped(kind: str, path: Path, value: object) -> str:
    name = path[-1] if path else ""
    label = "each item" if isinstance(name, int) else str(name)
    if kind == "string_type" and not isinstance(value, list | dict):
        return f'Put it in quotes: {label} = "{_toml(value)}"'
    if kind == "string_type":
        return "Write one text in quotes"
    if kind == "bool_type":
        return f"Write {label} = true or {label} = false, without quotes"
    if kind in ("int_type", "int_from_float"):
        return f"Write {label} = a whole number {_range(path)}, without quotes".replace("  ", " ")
    if kind in ("is_instance_of", "decimal_type"):
        return "Write the number without quotes, with a decimal point"
    if kind == "tuple_type":
        return f"Write {label} = {_pair(path)}"
    if kind in ("list_type", "wrong_branch") and isinstance(value, str):
        return f"Write {label} = [{quoted(value)}]"
    if kind == "wrong_branch" and len(path) > 1 and path[-2] == "absent":
        return f'Write {quoted(label)} = "error", or another FHIR data-absent-reason code'
    return f"Write {hint(path)}"


def _pair(path: Path) -> str:
    return "[first, last], counted from 1" if "widths" in path else "[low, high]"


def _range(path: Path) -> str:
    field = field_at(path)
    low = high = None
    for rule in field.metadata if field else ():
        low = getattr(rule, "ge", low)
        high = getattr(rule, "le", high)
    return f"from {low} to {high}" if low is not None and high is not None else ""


def _kind(value: object) -> str:
    if isinstance(value, bool):
        return "true or false"
    if isinstance(value, int | Decimal | float):
        return "a number"
    if isinstance(value, dt.date | dt.time):
        return "a date or time"
    if isinstance(value, str):
        return "a text"
    return "a table" if isinstance(value, dict) else "a list"


def _toml(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)
