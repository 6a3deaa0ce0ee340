"""Checks of what says whose identifier it is: systems, types, prefixes of barcodes, check digits."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from gateway.mapping import schemes
from gateway.mapping.places import Path
from gateway.mapping.problems import Problems, listed, nearest, quoted
from gateway.mapping.texts import trimmed

if TYPE_CHECKING:
    from gateway.mapping.tables.parties import Identified
    from gateway.mapping.tables.patient import Patient

_URI = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:[^\s<>\"{}|\\^`]+")
_OID = re.compile(r"urn:oid:[0-2](\.(0|[1-9][0-9]*))+")
_UUID = re.compile(r"urn:uuid:[0-9a-f]{8}-([0-9a-f]{4}-){3}[0-9a-f]{12}")


def check_uri(value: str, path: Path, problems: Problems) -> None:
    """Note when a system is there and is not an absolute URI."""
    if not value:
        return
    if value.startswith("urn:oid:") and not _OID.fullmatch(value):
        problems.add(
            path, f"{quoted(value)} is not an OID", "Write urn:oid: and numbers with dots, such as urn:oid:2.16.840"
        )
    elif value.startswith("urn:uuid:") and not _UUID.fullmatch(value):
        problems.add(path, f"{quoted(value)} is not a UUID", "Write urn:uuid: and a UUID in lower case")
    elif not _URI.fullmatch(value) or re.fullmatch(r"https?:/{0,2}", value, re.IGNORECASE):
        host = re.fullmatch(r"[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)+(/\S*)?", value)
        oid = re.fullmatch(r"[0-2](\.[0-9]+)+", value)
        todo = (
            f"Write urn:oid:{value}"
            if oid
            else f"Write https://{value}"
            if host
            else ("Write one such as https://hospital.example/mrn or urn:oid:2.16.840.1")
        )
        problems.add(path, f"{quoted(value)} is not an absolute URI", todo)


def check_type(code: str, path: Path, problems: Problems) -> None:
    """Note when it is no code of an identifier type."""
    if not re.fullmatch(r"[A-Z0-9]{1,5}", code):
        problems.add(
            path,
            f"{quoted(code)} is not a code of HL7 table 0203",
            "Write MR for a record number, PI for an internal number, or another of its codes",
        )


def check_cell(source: Patient | Identified, base: Path, problems: Problems, *, fixed: str | None = None) -> None:
    """Note what is wrong with the prefixes and the check digit of an identifier, and with its fixed value."""
    strip: Path = (*base, "strip")
    if source.strip and source.column is None and problems.known((*base, "column")):
        problems.add(
            strip,
            "no column holds this identifier, so there is nothing to take off",
            'Add column = "...", or take strip out: what associations and fixed values say is taken as it is',
        )
    for at, prefix in enumerate(source.strip):
        trimmed(prefix, (*strip, at), problems)
        if prefix in source.strip[:at]:
            problems.add((*strip, at), f"{quoted(prefix)} stands there twice", "Keep one")
    if source.check and schemes.scheme(source.check) is None:
        close = nearest(source.check, schemes.names())
        problems.add(
            (*base, "check"),
            f"there is no check digit scheme named {quoted(source.check)}",
            f"Write {close}, if that is what was meant"
            if close
            else f"Known: {listed(schemes.general(), 12)}, and the national schemes of python-stdnum, such as gb.nhs",
        )
        return
    if source.check and fixed is not None and not schemes.passes(source.check, fixed.strip()):
        problems.add((*base, "check"), "the fixed value fails its check digit", "Correct the one that is wrong")
