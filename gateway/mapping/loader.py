"""Reads a mapping file: from TOML to a checked `Mapping`, or every mistake in it, each with its line."""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Collection
from collections.abc import Mapping as MappingOf
from dataclasses import dataclass, field
from decimal import Decimal
from importlib import resources
from pathlib import Path as FilePath
from typing import Any, NoReturn

from pydantic import ValidationError

from gateway import vocabulary
from gateway.errors import MappingError
from gateway.mapping import static
from gateway.mapping.explain import mended, model_problems
from gateway.mapping.model import Mapping
from gateway.mapping.places import Path, Places, places
from gateway.mapping.problems import Problems, key_text, listed

LARGEST = 1_048_576
"""Bytes; a larger file is no mapping, and probably an export."""

SCHEMA_ID = "urn:x-spotcheck-gateway:mapping"

_AT = re.compile(r" \(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)$")
_CONTROL = re.compile(r"[^\t\n\r\x20-\x7e\x80-\U0010ffff]")

_SYNTAX: tuple[tuple[str, str, str], ...] = (
    (
        "Unescaped '\\'",
        "a backslash in double quotes starts an escape",
        "Put regular expressions and Windows paths in single quotes: '\\d+'",
    ),
    (
        "Invalid hex value",
        "a backslash in double quotes starts an escape",
        "Put regular expressions and Windows paths in single quotes: '\\d+'",
    ),
    ("Illegal character '\\n'", "a text is not closed on its line", "Add the closing quote"),
    ("Unterminated string", "a text is not closed", "Add the closing quote"),
    ('Expected "\'"', "a text is not closed", "Add the closing single quote"),
    ("Cannot overwrite a value", "the key stands there twice", "Keep one of the two"),
    ("Duplicate inline table key", "the key stands there twice", "Keep one of the two"),
    ("twice", "the table stands there twice", "Put all its keys below one header"),
    ("Cannot redefine namespace", "the table stands there twice", "Put all its keys below one header"),
    ("Cannot mutate immutable", "a table in { } is complete and cannot be added to", "Put the key between the braces"),
    ("Expected '='", "there is no = behind the key", "Write key = value; a name with blanks needs quotes"),
    ("Invalid initial character for a key", "a key is expected", "Put names with unusual characters in double quotes"),
    ("Expected ']'", "the header is not closed", "Write [name], with names of unusual characters in double quotes"),
    (
        "Unclosed array",
        "a list is not closed, or a comma is missing",
        "Write [a, b, c], with a comma between the items and ] at the end",
    ),
    (
        "Unclosed inline table",
        "a { } table is not closed, or a comma is missing",
        "Write { a = 1, b = 2 } on one line, with a comma between",
    ),
    ("Invalid value", "the value cannot be read", "Put texts in quotes; numbers use a decimal point; true, false"),
    ("Expected newline", "something stands behind the value", "Put one key = value on a line, texts in quotes"),
    ("Invalid date", "there is no such date", "Put it in quotes if it is a text"),
    ("Invalid statement", "this is no key = value and no [table]", "Put # before a comment"),
)


@dataclass(frozen=True)
class LoadedMapping:
    """A mapping that passed every check, and the file it came from.

    Attributes:
        mapping: the mapping.
        path: the file's name as given, or "" for a text.
        sha256: hash of the file's bytes, in lower-case hex digits.
        places: where each key stands.
    """

    mapping: Mapping
    path: str
    sha256: str
    places: Places = field(repr=False, default_factory=Places)

    def line_of(self, path: Path) -> int:
        """Line (from 1) of a key, such as ("vitals", "spo2", "unit"); of the table around it when it is not there."""
        return self.places.line_of(path)

    def where(self, path: Path) -> str:
        """A key as errors name it: "site.toml, line 12, key time.zone"."""
        return f"{_name(self.path)}, line {self.line_of(path)}, key {key_text(path)}"


def load(
    source: FilePath | str,
    *,
    known_rules: Collection[str] | None = None,
    adjustable_rules: static.Effects | None = None,
    earlier: bool = False,
) -> LoadedMapping:
    """Read and check a mapping.

    Args:
        source: path of the file; a `str` with a line end in it is the text itself.
        known_rules: slugs of the rules there are; None to leave the slugs in `[rules]` unchecked.
        adjustable_rules: slugs of the rules whose effect a mapping may set, and to what; None for all of them.
        earlier: it was used by an earlier version of the program, and a ledger keeps it as it was.

    Returns:
        The mapping with its hash and the lines of its keys.

    Raises:
        MappingError: the file cannot be read, or holds mistakes; `problems` has one error for each, by line.
    """
    if isinstance(source, str) and "\n" in source:
        path, data = "", source.encode()
    else:
        path, data = str(source), read(FilePath(source))
    name = _name(path)
    text = decode(data, name)
    raw = parse(text, name)
    problems = Problems(name, places(text), earlier=earlier)
    mapping: Mapping | None
    try:
        mapping = Mapping.model_validate(raw)
    except ValidationError as error:
        model_problems(error, raw, problems)
        mapping = mended(raw, problems)
    if mapping is not None:
        static.check(mapping, problems, known_rules, adjustable_rules)
    if problems or mapping is None:
        raise problems.error()
    return LoadedMapping(mapping, path, hashlib.sha256(data).hexdigest(), problems.places)


def schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of the mapping file, made from the model and the vocabulary.

    The schema lets an editor complete keys; the agreements between keys are checked by `load` alone.
    """
    made = Mapping.model_json_schema()
    made["properties"]["vitals"]["propertyNames"] = {"enum": list(vocabulary.vitals())}
    made["$defs"]["Plausibility"]["properties"]["profile"]["examples"] = list(vocabulary.profiles())
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": SCHEMA_ID,
        **made,
        "title": "Mapping of one kind of monitor export",
    }


def ready() -> MappingOf[str, FilePath]:
    """The mappings that come with the gateway: name (without .toml) -> file, sorted by name."""
    package = FilePath(str(resources.files("gateway")))
    # In a checkout the files lie beside the package; a wheel carries them inside it.
    folders = [package / "_shipped" / "mappings"]
    if (package.parent / "pyproject.toml").is_file():
        folders.insert(0, package.parent / "mappings")
    found: dict[str, FilePath] = {}
    for folder in folders:
        for file in sorted(folder.glob("*.toml")):
            found.setdefault(file.stem, file)
    return dict(sorted(found.items()))


def _name(path: str) -> str:
    return FilePath(path).name if path else "mapping"


def read(path: FilePath) -> bytes:
    """The bytes of a mapping file.

    Raises:
        MappingError: there is no such file, it cannot be read, or it is larger than a mapping can be.
    """
    where = str(path)
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST + 1)
    except FileNotFoundError:
        shipped = listed(ready().values())
        raise MappingError(
            "there is no such file",
            where=where,
            todo=f"Check the path; mappings to start from: {shipped}" if shipped else "Check the path",
        ) from None
    except IsADirectoryError:
        raise MappingError("this is a folder", where=where, todo="Name the mapping file in it") from None
    except PermissionError:
        raise MappingError("reading it is not allowed", where=where, todo="Give this account read access") from None
    except (OSError, ValueError) as error:
        what = error.strerror if isinstance(error, OSError) and error.strerror else "the path cannot be used"
        raise MappingError(f"the file cannot be read: {what}", where=where, todo="Check the path") from None
    if len(data) > LARGEST:
        raise MappingError(
            "the file is larger than a mapping can be (1 MiB)",
            where=where,
            todo="Name the mapping file; exports are given as arguments",
        )
    return data


def decode(data: bytes, name: str) -> str:
    """The text of a TOML file.

    Raises:
        MappingError: it is not in UTF-8, or holds control characters; names the line.
    """
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise MappingError(
            "the file is not in UTF-8", where=f"{name}, line {line}", todo="Save it as UTF-8 in the editor"
        ) from None
    odd = _CONTROL.search(text)
    if odd is not None:
        raise MappingError(
            f"there is a control character (U+{ord(odd.group()):04X}), so this is no text file",
            where=f"{name}, line {text.count(chr(10), 0, odd.start()) + 1}",
            todo="Name a mapping file in TOML; exports are given as arguments",
        )
    return text


def parse(text: str, name: str) -> dict[str, Any]:
    """The values of a TOML text; numbers with a decimal point as Decimal.

    Raises:
        MappingError: it is no TOML; names the line.
    """
    try:
        raw = tomllib.loads(text, parse_float=Decimal)
        if _depth(raw) <= _DEEPEST:
            return raw
        raise RecursionError
    except tomllib.TOMLDecodeError as error:
        _syntax(str(error), text, name)
    except RecursionError:
        raise MappingError(
            "lists or tables stand too deep inside each other", where=name, todo="Flatten them"
        ) from None


_DEEPEST = 20
"""Tables inside each other; a mapping needs four."""


def _depth(raw: object) -> int:
    """How many tables and lists stand inside each other, up to one more than `_DEEPEST`."""
    depth, level = 0, [raw]
    while level and depth <= _DEEPEST:
        depth += 1
        level = [
            inner
            for each in level
            for inner in (each.values() if isinstance(each, dict) else each if isinstance(each, list) else ())
            if isinstance(inner, (dict, list))
        ]
    return depth


def _syntax(message: str, text: str, name: str) -> NoReturn:
    found = _AT.search(message)
    lines = text.replace("\r\n", "\n").split("\n")
    line = int(found["line"]) if found and found["line"] else len(text.rstrip().split("\n"))
    what, todo = next(
        ((what, todo) for part, what, todo in _SYNTAX if part in message),
        (f"TOML cannot be read here ({_AT.sub('', message)})", "See https://toml.io for how it is written"),
    )
    earlier = _earlier(lines, line) if "stands there twice" in what else 0
    if earlier:
        what = f"{what}, first in line {earlier}"
    problem = MappingError(what, where=f"{name}, line {line}", todo=todo)
    raise MappingError(
        "the mapping cannot be used: TOML cannot read on from here", where=name, todo=todo, problems=[problem]
    ) from None


def _earlier(lines: list[str], line: int) -> int:
    """The line where the key or table of `line` stood for the first time; 0 when that cannot be told."""
    try:
        before = places("\n".join(lines[: line - 1]))
        headers = [text for text in lines[:line] if re.match(r"\s*\[", text)]
        here = places("\n".join([*headers[-1:], lines[line - 1]]))
    except (IndexError, tomllib.TOMLDecodeError):
        return 0
    deepest = max(here.lines, key=len, default=())
    return before.lines.get(deepest, 0)
