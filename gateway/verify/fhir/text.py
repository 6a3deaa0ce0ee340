"""The plain reading, from bytes to JSON: one object, numbers with their digits, and nothing empty in it."""

from __future__ import annotations

import json
import re
from decimal import Decimal
from typing import Any

from gateway.verify.fhir.problems import Say

_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff]")


class UnreadableError(ValueError):
    """Text that is not one JSON object as FHIR wants it."""


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) != len(pairs):
        raise UnreadableError("an element stands twice in one object")
    return members


def _constant(read_text: str) -> Any:
    raise UnreadableError("NaN and Infinity are not JSON")


_decoder = json.JSONDecoder(
    object_pairs_hook=_object, parse_float=Decimal, parse_int=Decimal, parse_constant=_constant, strict=True
)


def parse(data: bytes) -> dict[str, Any]:
    """Parse one JSON object; numbers become Decimal with the digits as written.

    Raises:
        UnreadableError: saying what is wrong, without quoting the text.
    """
    try:
        text = data.decode("utf-8")
        value, end = _decoder.raw_decode(text.lstrip(" \t\r\n"))
    except UnicodeDecodeError as error:
        raise UnreadableError("not UTF-8") from error
    except json.JSONDecodeError as error:
        raise UnreadableError(f"not JSON: {error.msg} at character {error.pos}") from error
    except RecursionError as error:
        raise UnreadableError("nested too deeply") from error
    if text.lstrip(" \t\r\n")[end:].strip(" \t\r\n"):
        raise UnreadableError("something stands behind the JSON object")
    if not isinstance(value, dict):
        raise UnreadableError("not a JSON object")
    return value


def no_blanks(value: Any, say: Say, where: str) -> None:
    """FHIR's JSON has no null, no empty text, list or object, no control characters (ele-1, R4 JSON rules).

    Half a surrogate pair is no Unicode text and cannot be sent as UTF-8.
    """
    if value is None or value == "" or value == [] or value == {}:
        say(f"{where}: empty or null elements are not allowed")
    elif isinstance(value, str):
        if _CONTROL.search(value):
            say(f"{where}: control characters and halves of a surrogate pair are not allowed")
    elif isinstance(value, dict):
        for key, item in value.items():
            no_blanks(item, say, f"{where}.{key}" if key.isidentifier() and len(key) < 40 else where)
    elif isinstance(value, list):
        for item in value:
            no_blanks(item, say, where)
