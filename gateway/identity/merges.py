"""Merged identifiers: two identifiers turned out to be one patient's, and one of them survives.

Read from CSV in UTF-8 with the header `old,surviving`, and with `old_system` and `surviving_system` (URIs) where the
mapping names several identifier systems; or from HL7 v2 messages ADT^A40 (structure ADT_A39), where MRG-1 is the
identifier that disappears and PID-3 the one that survives, both of the same type.

Source of the fields: IHE ITI TF-2, ITI-31, 3.31.7.31 (patient identity merge), GitHub IHE/publications
ITI/TF/Volume2/ITI-31.html; structure ADT_A39 with its repeated PID, MRG: https://www.hl7.eu/HL7v2x/v251/std251/ch03.html.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple, TypeAlias

from gateway.errors import InputError
from gateway.identity.forms import form_of
from gateway.identity.forms.csv import rows
from gateway.identity.forms.v2 import Message, in_utf8, messages_of, patient_of
from gateway.identity.reading import Issuers, Unusable, by_system, chosen, refuse
from gateway.identity.sources import read_text

COLUMNS = ("old", "surviving")
SYSTEMS = ("old_system", "surviving_system")
_OF = "merged identifiers"

Who: TypeAlias = tuple[str, str]
"""System and identifier of a patient."""


class Merge(NamedTuple):
    """One identifier that is used no more, the one in its place, and where the list says so."""

    old: Who
    surviving: Who
    place: str


def load_merges(path: Path | str, issuers: Issuers) -> tuple[list[Merge], str]:
    """Read a list of merged identifiers.

    Args:
        path: the file: CSV, or HL7 v2 (`.hl7`).
        issuers: the identifier systems that the list may name; one that it does not name is the first's.

    Returns:
        The merges in the order of the list, and the hash of the file in lower-case hex digits.

    Raises:
        InputError: the file cannot be read, or entries of it are wrong; names their places, never their contents.
    """
    where = str(path)
    text, sha256 = read_text(path, _OF)
    form = form_of(path, text, where, _OF)
    if form not in ("csv", "v2"):
        raise InputError(f"a file of {_OF} is CSV or HL7 v2", where=where, todo="Give it in one of these forms")
    faults: list[str] = []
    found = list(_lines(text, where, issuers, faults) if form == "csv" else _messages(text, where, issuers, faults))
    refuse(faults, where, "lines" if form == "csv" else "messages", _OF, "merged")
    return found, sha256


def _lines(text: str, where: str, issuers: Issuers, faults: list[str]) -> Iterator[Merge]:
    for line, cells in rows(text, where, COLUMNS, SYSTEMS, _OF, faults):
        try:
            old, surviving = (
                _who(cells[name], cells.get(system, ""), issuers, name)
                for name, system in zip(COLUMNS, SYSTEMS, strict=True)
            )
            yield _merge(old, surviving, f"line {line}")
        except Unusable as fault:
            faults.append(f"line {line}: {fault}")


def _who(value: str, system: str, issuers: Issuers, name: str) -> Who:
    if not value:
        raise Unusable(f"{name} is empty")
    known = issuers.patients
    patient, stated = chosen([by_system(value, system, known)], known, f"{name} patient")
    return stated or known[0].system, patient


def _messages(text: str, where: str, issuers: Issuers, faults: list[str]) -> Iterator[Merge]:
    for number, (line, segments) in enumerate(messages_of(text, where), 1):
        place = f"message {number} (line {line})"
        try:
            yield from _merges(Message(segments), issuers, place)
        except Unusable as fault:
            faults.append(f"{place}: {fault}")


def _merges(message: Message, issuers: Issuers, place: str) -> list[Merge]:
    """The merges of one message: each MRG belongs to the PID before it."""
    header = message.one("MSH")
    in_utf8(message, header)
    if message.text(header, 9) != "ADT" or message.text(header, 9, 2) != "A40":
        raise Unusable("MSH-9 is not ADT^A40, and nothing else is read as a merge of patients")
    groups: list[tuple[list[str], list[str]]] = []
    pid: list[str] | None = None
    for segment in message.of("PID", "MRG"):
        if segment[0] == "PID":
            pid = segment
        elif pid is None:
            raise Unusable("an MRG stands before its PID")
        else:
            groups.append((pid, segment))
            pid = None
    if pid is not None or not groups:
        raise Unusable("a PID has no MRG" if pid is not None else "there is no MRG; it names the old identifier")
    found = []
    for survivor, gone in groups:
        named = [patient_of(message, gone, 1, issuers), patient_of(message, survivor, 3, issuers)]
        old, surviving = ((system or issuers.patients[0].system, patient) for patient, system in named)
        found.append(_merge(old, surviving, place))
    return found


def _merge(old: Who, surviving: Who, place: str) -> Merge:
    if old == surviving:
        raise Unusable("the old identifier is the surviving one")
    return Merge(old, surviving, place)


def settled(merges: Sequence[Merge], known: Mapping[Who, Who], where: str) -> dict[Who, Who]:
    """Who survives in the end, for every old identifier of a list and of what is known already.

    Args:
        merges: the list.
        known: merges that were made before.
        where: the list's name, for errors.

    Raises:
        InputError: merges go in a circle, or give one identifier to two patients; names their places.
    """
    said: dict[Who, dict[Who, str]] = {old: {surviving: "what was merged before"} for old, surviving in known.items()}
    for merge in merges:
        said.setdefault(merge.old, {}).setdefault(merge.surviving, merge.place)
    ends: dict[Who, Who] = {}
    faults: dict[str, None] = {}
    for start in said:
        # Down the chain by hand: a list may be longer than the stack is deep.
        path: list[Who] = [start]
        on_path = {start}
        while path:
            at = path[-1]
            if at in ends or at not in said:
                ends.setdefault(at, at)
                on_path.discard(path.pop())
                continue
            open_ = [each for each in said[at] if each not in ends]
            if not open_:
                finals = {ends[each] for each in said[at]}
                if len(finals) > 1:
                    faults[f"{_places(said[at])}: one identifier is merged into {len(finals)} patients"] = None
                ends[at] = ends[next(iter(said[at]))]
                on_path.discard(path.pop())
            elif open_[0] in on_path:
                faults[f"{said[at][open_[0]]}: the merges go in a circle"] = None
                ends[open_[0]] = open_[0]
            else:
                path.append(open_[0])
                on_path.add(open_[0])
    refuse(list(faults), where, "entries", _OF, "merged")
    return {old: ends[old] for old in said}


def _places(said: Mapping[Who, str]) -> str:
    return " and ".join(dict.fromkeys(said.values()))
