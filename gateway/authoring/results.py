"""What a result folder holds, as far as it stays the same from run to run."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from gateway.errors import InputError
from gateway.version import VERSION

REPORT = "report.json"
FINDINGS = "findings.csv"
_NAMED = "spot-check gateway "


def files_in(folder: Path) -> dict[str, Path]:
    """The records, the report and the findings of a result folder: name in the folder -> file, sorted by name."""
    found = [path for kind in ("fhir", "oru") for path in (folder / kind).glob("*") if path.is_file()]
    found += [path for path in (folder / REPORT, folder / FINDINGS) if path.is_file()]
    return {path.relative_to(folder).as_posix(): path for path in sorted(found)}


def lasting(name: str, data: bytes) -> bytes:
    """The content of a file of a result without what changes from run to run.

    Of the report, the times of the run, the version of the gateway, the edition of the time zones, and what follows
    their lengths are left out. Of records, the version in Provenance is replaced by the word VERSION.

    Args:
        name: name of the file in the folder.
        data: its bytes.
    """
    if name != REPORT:
        return data.replace(f"{_NAMED}{VERSION}".encode(), f"{_NAMED}VERSION".encode()) if name[:5] == "fhir/" else data
    try:
        report = json.loads(data)
    except (ValueError, RecursionError):
        return data
    if not isinstance(report, dict):
        return data
    report.pop("seconds", None)
    batch = report.get("batch")
    if isinstance(batch, dict):
        for key in ("started", "finished", "gateway"):
            batch.pop(key, None)
        if isinstance(batch.get("editions"), dict):
            batch["editions"].pop("IANA time zones", None)
        for file in batch.get("files") or []:
            if isinstance(file, dict):
                file.pop("bytes", None)
    return (json.dumps(report, indent=1, ensure_ascii=False) + "\n").encode()


def pointer_to_difference(old: Any, new: Any, at: str = "") -> str | None:
    """JSON pointer (RFC 6901) to the first difference of two JSON values; None when they are the same."""
    pending = [(old, new, at)]
    while pending:
        one, other, place = pending.pop()
        if isinstance(one, dict) and isinstance(other, dict):
            keys = [*one, *(key for key in other if key not in one)]
            missing = [key for key in keys if (key in one) != (key in other)]
            both = [key for key in keys if key in one and key in other]
            # In the order of the document: what is missing is told only when nothing before it differs.
            for key in reversed(both):
                pending.append((one[key], other[key], f"{place}/{_escaped(key)}"))
            if missing and all(one[key] == other[key] for key in both):
                return f"{place}/{_escaped(missing[0])}"
        elif isinstance(one, list) and isinstance(other, list):
            shared = min(len(one), len(other))
            if len(one) != len(other) and one[:shared] == other[:shared]:
                return f"{place}/{shared}"
            pending += [(one[at], other[at], f"{place}/{at}") for at in reversed(range(shared))]
        elif type(one) is not type(other) or one != other:
            return place
    return None


def read(path: Path) -> bytes:
    """The bytes of a file.

    Raises:
        InputError: it cannot be read.
    """
    try:
        return path.read_bytes()
    except OSError as error:
        reason = (error.strerror or type(error).__name__).rstrip(".")
        raise InputError(f"The file cannot be read: {reason}", where=str(path), todo="Check its permissions") from error


def _escaped(key: str) -> str:
    return key.replace("~", "~0").replace("/", "~1")
