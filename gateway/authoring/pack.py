"""A regression pack: exports whose records and reports were agreed on, run again at every change.

A pack is a folder of cases. A case is a folder with exports, a mapping, `case.toml` and `expected/`:

    pack/night-ward/case.toml
    pack/night-ward/mapping.toml
    pack/night-ward/night-ward.csv
    pack/night-ward/expected/...

Records and findings are compared byte for byte, the report by its content, without times and versions.
"""

from __future__ import annotations

import json
import re
import shutil
import tempfile
import time
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from gateway import conversion
from gateway.authoring.results import REPORT, files_in, lasting, pointer_to_difference, read
from gateway.errors import GatewayError, MappingError, OutputError, UsageError
from gateway.mapping import loader

SETTINGS = ("case.toml", "demo.toml")
KEYS = frozenset({"title", "mapping", "exports", "associations", "bundle", "records", "received", "sent"})
_ASIDE = frozenset({*SETTINGS, "mapping.toml", "associations.csv"})
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What XML 1.0 does not allow, section 2.2 (Char)."""


@dataclass(slots=True)
class CaseResult:
    """What a case gave.

    Attributes:
        name: name of its folder.
        seconds: how long it took.
        differences: one text for each file that differs, with the place of the first difference; no content.
        trouble: why it could not be run, or "".
        accepted: the expected files were written anew.
    """

    name: str
    seconds: float = 0.0
    differences: list[str] = field(default_factory=list)
    trouble: str = ""
    accepted: bool = False


def exit_status(results: list[CaseResult]) -> int:
    """0 when all is as expected (or was accepted), 1 when something differs, 2 when a case could not be run."""
    if any(each.trouble for each in results):
        return 2
    return int(any(each.differences and not each.accepted for each in results))


def run(folder: str | Path, *, accept: bool = False) -> Iterator[CaseResult]:
    """Run the cases of a pack, one after the other, in the order of their names.

    Args:
        folder: the pack.
        accept: write what differs as expected from now on.

    Raises:
        UsageError: the folder holds no case.
    """
    home = Path(folder)
    if not home.is_dir():
        raise UsageError("there is no such folder", where=str(folder), todo="Name the folder of the pack")
    names = (*SETTINGS, "mapping.toml")
    cases = [
        path for path in sorted(home.iterdir()) if path.is_dir() and any((path / name).is_file() for name in names)
    ]
    if not cases:
        raise UsageError(
            "the folder holds no case", where=str(folder),
            todo="Give each case a folder with case.toml, a mapping and exports",
        )  # fmt: skip
    return (_run(case, accept=accept) for case in cases)


def junit(name: str, results: list[CaseResult]) -> bytes:
    """The results as JUnit XML, in UTF-8.

    The elements are those that CI servers read: testsuites, testsuite, testcase, failure, error (common practice; the
    form has no standard).
    """
    failures = [each for each in results if each.differences and not each.accepted and not each.trouble]
    counts = {
        "tests": str(len(results)),
        "failures": str(len(failures)),
        "errors": str(sum(bool(each.trouble) for each in results)),
        "time": f"{sum(each.seconds for each in results):.3f}",
    }
    root = ElementTree.Element("testsuites", counts)
    suite = ElementTree.SubElement(root, "testsuite", {"name": _clean(name), **counts})
    for each in results:
        attributes = {"classname": _clean(name), "name": _clean(each.name), "time": f"{each.seconds:.3f}"}
        case = ElementTree.SubElement(suite, "testcase", attributes)
        if each.trouble:
            ElementTree.SubElement(case, "error", {"message": _clean(each.trouble)})
        elif each.differences and not each.accepted:
            inner = ElementTree.SubElement(case, "failure", {"message": _clean(each.differences[0])})
            inner.text = _clean("\n".join(each.differences))
    ElementTree.indent(root)
    text: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return text + b"\n"


def _clean(text: str) -> str:
    return _NOT_XML.sub("\ufffd", text)


def _run(case: Path, *, accept: bool) -> CaseResult:
    began = time.monotonic()
    result = CaseResult(case.name)
    try:
        with tempfile.TemporaryDirectory(prefix="case-") as scratch:
            out = Path(scratch) / "out"
            _convert(case, out)
            now = {name: lasting(name, read(path)) for name, path in files_in(out).items()}
            agreed = {name: lasting(name, read(path)) for name, path in files_in(case / "expected").items()}
            result.differences = _differences(agreed, now)
            if accept and result.differences:
                _accept(case / "expected", now)
                result.accepted = True
    except GatewayError as error:
        result.trouble = " ".join(str(error).split())
    result.seconds = time.monotonic() - began
    return result


def _convert(case: Path, out: Path) -> None:
    settings = next((case / name for name in SETTINGS if (case / name).is_file()), None)
    chosen: dict[str, Any] = {}
    where = str(settings or case)
    if settings is not None:
        try:
            chosen = tomllib.loads(read(settings).decode("utf-8-sig"))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
            raise MappingError("this is not TOML", where=where, todo="See https://toml.io") from error
    unknown = sorted(chosen.keys() - KEYS)
    if unknown:
        raise MappingError(f"unknown key {unknown[0]}", where=where, todo=f"Known are {', '.join(sorted(KEYS))}")
    exports = chosen.pop("exports", None)
    if exports is not None and (not isinstance(exports, list) or not all(isinstance(each, str) for each in exports)):
        raise MappingError("the key exports is a list of texts", where=where, todo='Write exports = ["*.csv"]')
    for key, value in chosen.items():
        if not isinstance(value, str) and not (key in ("received", "sent") and isinstance(value, datetime)):
            raise MappingError(f"the key {key} is a text", where=where, todo="Put it in quotes")
    mapping, associations = chosen.get("mapping"), chosen.get("associations")
    aside = {case / name for name in _ASIDE} | {case / each for each in (mapping, associations) if each}
    listed = [path for glob in exports or ["*"] for path in _matching(case, glob, where)]
    found = {path for path in listed if path.is_file() and not path.name.startswith(".")} - aside
    if not found:
        raise UsageError("the case holds no export", where=where, todo="Put one beside it, or name it in exports")
    known = case / associations if associations else case / "associations.csv"
    conversion.convert(
        sorted(found),
        _mapping(case, mapping),
        out,
        as_=chosen.get("records", "both"),
        bundle=chosen.get("bundle", "transaction"),
        associations=known if associations or known.is_file() else None,
        received=_instant(chosen.get("received"), f"{where}, key received"),
        sent=_instant(chosen.get("sent"), f"{where}, key sent"),
    )


def _matching(case: Path, glob: str, where: str) -> list[Path]:
    try:
        return list(case.glob(glob))
    except (ValueError, NotImplementedError, OSError) as error:
        raise UsageError("a pattern of exports cannot be used", where=where, todo="Name files in the folder") from error


def _mapping(case: Path, named: str | None) -> Path:
    if named is None:
        return case / "mapping.toml"
    shipped = loader.ready()
    return shipped[named] if named in shipped and not (case / named).exists() else case / named


def _instant(value: object, where: str) -> datetime | None:
    if value is None:
        return None
    try:
        found = datetime.fromisoformat(str(value))
    except ValueError:
        found = None
    if found is None or found.tzinfo is None:
        raise UsageError(
            "this is no ISO 8601 time with an offset", where=where, todo="Write it as 2026-03-14T21:30:00-05:00"
        )
    return found


def _accept(expected: Path, now: dict[str, bytes]) -> None:
    """Write the expected files anew; other files in the folder stay as they are."""
    try:
        for name, path in files_in(expected).items():
            if name not in now:
                path.unlink()
        for name, data in now.items():
            path = expected / name
            path.parent.mkdir(parents=True, exist_ok=True)
            fresh = path.with_name(f".{path.name}.new")
            fresh.write_bytes(data)
            shutil.move(fresh, path)
    except OSError as error:
        reason = (error.strerror or type(error).__name__).rstrip(".")
        raise OutputError(f"the expected files cannot be written: {reason}", where=str(expected),
                          todo="Check its permissions, and run again") from error  # fmt: skip


def _differences(agreed: dict[str, bytes], now: dict[str, bytes]) -> list[str]:
    """One text for each file that differs: its name, and where the first difference is."""
    if not agreed:
        return ["expected: nothing was agreed on yet; look at what the case gives, then write it with --accept"]
    found = []
    # Records first: what differs in the report follows from them.
    for name in sorted(agreed.keys() | now.keys(), key=lambda name: (name == REPORT, name)):
        if name not in now:
            found.append(f"{name}: it is expected, and is not written any more")
        elif name not in agreed:
            found.append(f"{name}: it is written, and not expected")
        elif agreed[name] != now[name]:
            found.append(f"{name}: {_place(name, agreed[name], now[name])}")
    return found


def _place(name: str, agreed: bytes, now: bytes) -> str:
    """Where two contents differ first, without what stands there."""
    end = b"\r" if name.endswith(".hl7") else b"\n"
    old, new = agreed.split(end), now.split(end)
    at = next((at for at, (one, other) in enumerate(zip(old, new, strict=False)) if one != other),
              min(len(old), len(new)))  # fmt: skip
    place = f"line {at + 1}"
    one, other = (lines[at] if at < len(lines) else b"" for lines in (old, new))
    if name.endswith(".hl7"):
        place = f"segment {at + 1}"
        kind = (other or one).lstrip(b"\n")[:3].decode("ascii", "replace")
        fields = zip(one.split(b"|"), other.split(b"|"), strict=False)
        number = next((number for number, (a, b) in enumerate(fields) if a != b), None)
        # MSH-1 is the separator itself, so the fields of MSH count from one further.
        number = number + 1 if number and kind in ("MSH", "BHS", "FHS") else number
        return f"{place} ({kind if kind.isalnum() else '?'}{f'-{number}' if number else ''})"
    if name.endswith((".json", ".ndjson")):
        whole = name.endswith(".json")
        try:
            pointer = pointer_to_difference(json.loads(agreed if whole else one), json.loads(now if whole else other))
        except (ValueError, RecursionError):
            return place
        return f"{place}, at {pointer or '/'}" if pointer is not None else f"{place}, in how it is written"
    return place
