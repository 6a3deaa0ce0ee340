"""Reads a file of associations: CSV, FHIR R4 (JSON, NDJSON) or HL7 v2, by its name, else by its first characters."""

from __future__ import annotations

import hashlib
from pathlib import Path

from gateway.errors import InputError
from gateway.identity import csv_file, fhir_file, v2_file
from gateway.identity.associations import Associations
from gateway.identity.reading import Issuers
from gateway.mapping.model import Mapping

_READERS = {
    "csv": csv_file.read,
    "json": fhir_file.read_bundle,
    "ndjson": fhir_file.read_lines,
    "hl7": v2_file.read,
}
_FORMS = {".csv": "csv", ".tsv": "csv", ".txt": "csv", ".json": "json", ".ndjson": "ndjson", ".hl7": "hl7"}
_NAMES = {"csv": "CSV (.csv)", "json": "FHIR in JSON (.json)", "hl7": "HL7 v2 (.hl7)"}


def load_associations(path: Path | str, mapping: Mapping | None = None) -> Associations:
    """Read a file of associations.

    Args:
        path: the file: `.csv` (also `.tsv`, `.txt`), `.json` or `.ndjson` (FHIR R4), `.hl7` (HL7 v2); of another name,
            by what its text begins with.
        mapping: the mapping whose identifier systems the file must agree with; None to take any.

    Returns:
        The associations, ready to be asked.

    Raises:
        InputError: the file cannot be read, or entries of it are wrong; names their numbers and elements, never
            their contents.
    """
    text, sha256 = read_text(path, "associations")
    where = str(path)
    found = _READERS[form_of(path, text, where, "associations")](text, where, Issuers(mapping))
    return Associations(found, path=where, sha256=sha256)


def read_text(path: Path | str, of: str) -> tuple[str, str]:
    """The text of a file that lists something (`of`), and the hash of its bytes in lower-case hex digits.

    Raises:
        InputError: it cannot be read, or is not in UTF-8.
    """
    where = str(path)
    try:
        data = Path(path).read_bytes()
    except FileNotFoundError:
        raise InputError(f"there is no such file of {of}", where=where, todo="Check the path") from None
    except IsADirectoryError:
        raise InputError("this is a folder", where=where, todo=f"Name the file of {of} in it") from None
    except PermissionError:
        raise InputError("reading it is not allowed", where=where, todo="Give this account read access") from None
    except (OSError, ValueError):
        raise InputError(f"the file of {of} cannot be read", where=where, todo="Check the path") from None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError(
            f"the file of {of} is not in UTF-8", where=f"{where}, line {line}", todo="Save it as UTF-8"
        ) from None
    return text, hashlib.sha256(data).hexdigest()


def form_of(path: Path | str, text: str, where: str, of: str) -> str:
    """The form a file's name declares; the text must look like it."""
    named = _FORMS.get(Path(path).suffix.casefold(), "")
    start = text.lstrip("\ufeff\x0b \t\r\n")[:4]
    seen = "hl7" if start[:3] in ("MSH", "FHS", "BHS") else "json" if start[:1] in ("{", "[") else "csv"
    if not named:
        return seen
    kind = "json" if named == "ndjson" else named
    # What looks like nothing in particular is left to its reader, which says more.
    if kind != seen and seen != "csv":
        raise InputError(
            f"by its name the file of {of} is {_NAMES[kind]}, and by its text {_NAMES[seen]}",
            where=where,
            todo="Give it the name of what it is; FHIR resources on lines of their own are .ndjson",
        )
    return named
