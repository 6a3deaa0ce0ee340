"""The quick reading: what was once found good by the plain one is known again by its bytes."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final, NamedTuple

from gateway.verify.fhir.bundles import (
    UUID8,
    check_bundle,
    check_full_url,
    check_request,
    read_bundle_head,
    read_request,
    unresolved,
)
from gateway.verify.fhir.datatypes import HEX
from gateway.verify.fhir.judged import MASK, REMEMBERED, Judged, Piece
from gateway.verify.fhir.problems import Problem
from gateway.verify.fhir.resources import Resource, read_any
from gateway.verify.fhir.text import UnreadableError, no_blanks, parse

_HEX4 = re.compile(rb"[0-9a-f]{4}")
_SUBJECT, _TIME = b',"subject":', b',"effectiveDateTime":"'
_COMPONENT, _IN_COMPONENT = b',"component":[', b'},{"code":'
_PERFORMER, _NOTE, _DEVICE = b',"performer":', b',"note":', b',"device":'
_BEHIND_LIST: Final = b'}],"'
_PLAIN_VALUE: Final = re.compile(rb"[!#-\[\]-~]{1,200}")
_ANY_VALUE: Final = b'"value":"any"'
_LONG: Final = 250
_LONG_TAIL: Final = 600
_DEVICE_TIME_VALUE: Final = b'.device_time"'
_IDENTIFIER, _VALUE = b',"identifier":[{"system":"', b'"value":"'
_ENTRIES, _NEXT, _REQUEST = b'"entry":[{"fullUrl":', b'},{"fullUrl":', b',"request":{'
_PANEL: Final = (b".vital_signs", b"-vital-signs")
_CHANGING: Final = (b'"method":"PUT"', b'"status":"corrected"', b'"status":"entered-in-error"')
_OBSERVATION, _RESOURCE = b'{"resourceType":"Observation",', b',"resource":{'
_OBSERVATION_ID: Final = b'{"resourceType":"Observation","id":"'
_AT: Final = len(_OBSERVATION_ID)
_ID_ENDS: Final = _AT + 32


class _Shape(NamedTuple):
    """The head of a record as last seen for its kind: the text around the identities in it, its worth, its length."""

    around: list[bytes]
    piece: Piece
    length: int


class _Further(NamedTuple):
    """Records of one kind: how they begin around the identity, and by worth of whose they are, how they end."""

    head: list[bytes]
    tails: dict[int, set[bytes]]


class FhirVerifier:
    """Verifies rendered FHIR; one object for a batch, because it remembers what it has found good.

    Args:
        us_core: the records are meant to follow the US Core profiles as well.
    """

    def __init__(self, us_core: bool) -> None:
        self.us_core = us_core
        self._forget()

    def _forget(self) -> None:
        self._judged = Judged(self.us_core)
        self._pieces, self._parts, self._fits = self._judged.pieces, self._judged.parts, self._judged.fits
        self._devices: dict[bytes, str] = {}
        self._entries: dict[tuple[str, bytes], Resource] = {}
        self._shapes: dict[bytes, _Shape] = {}
        self._tails: dict[tuple[bytes, int, bytes], dict[bytes, tuple[tuple[tuple[str, str], ...], ...]]] = {}
        self._further: dict[bytes, _Further] = {}
        self._tails_kept = 0
        self._identity = b""
        self._joined: dict[tuple[Piece, ...], Piece] = {}
        self._middle: tuple[bytes, Piece] = (b"\n", Piece(-1, ()))

    def lines(self, data: bytes) -> list[Problem]:
        """Verify NDJSON of Observation, Device and Provenance resources, one on each line.

        Args:
            data: whole lines, UTF-8. A record is only compared with the others given in the same call.

        Returns:
            Every problem found, in the order of the lines (index from 0); empty when all is well.
        """
        lines = data.split(b"\n")
        if lines[-1] == b"":
            lines.pop()
        return self.resources(lines)

    def resources(self, lines: Sequence[bytes]) -> list[Problem]:
        """Verify resources, each the bytes of one NDJSON line without its end: see `lines`."""
        if self._judged.full:
            self._forget()
        found: list[Problem] = []
        seen: dict[bytes | str, int] = {}
        label: bytes | str | None
        for index, line in enumerate(lines):
            label = None
            if line.startswith(_OBSERVATION_ID):
                identity, end = line[_AT:_ID_ENDS], line.find(b'"', _ID_ENDS)
                label, kind = line[_AT:end], line[_ID_ENDS:end]
                if identity != self._identity:
                    if not (self._is_of(identity) and self._by_pieces(line, identity, kind, b"", False, [])):
                        label = None
                elif not self._is_further(line, identity, kind):
                    if self._by_pieces(line, identity, kind, b"", False, []):
                        self._remember_tail(line, identity, kind)
                    else:
                        label = None
            else:
                label = self._devices.get(line)
            if label is None:
                label = self._whole_line(line, index, found)
            if label and seen.setdefault(label, index) != index:
                found.append(Problem(index, "the same record stands here twice"))
        return found

    def _is_further(self, line: bytes, identity: bytes, kind: bytes) -> bool:
        """Whether a record is one seen before but for the identity and for whose it is, both known from its set."""
        known = self._further.get(kind)
        if known is None:
            return False
        text, whose = self._middle
        start = identity.join(known.head) + text
        return line.startswith(start) and line[len(start) :] in known.tails.get(whose.facts, ())

    def _remember_tail(self, line: bytes, identity: bytes, kind: bytes) -> None:
        """Remember what a good record ends with, by how it begins."""
        shape = self._shapes.get(kind)
        if shape is None or kind in _PANEL:
            return
        head = [*shape.around[:-1], shape.around[-1].removesuffix(_SUBJECT)]
        text, whose = self._middle
        start = identity.join(head) + text
        tail = line[len(start) :]
        if not line.startswith(start) or len(tail) > _LONG_TAIL or identity in tail:
            return
        if self._tails_kept >= REMEMBERED:
            self._further.clear()
            self._tails_kept = 0
        known = self._further.get(kind)
        if known is None or known.head != head:
            known = self._further[kind] = _Further(head, {})
        known.tails.setdefault(whose.facts, set()).add(tail)
        self._tails_kept += 1

    def bundle(self, data: bytes) -> list[Problem]:
        """Verify one Bundle of type transaction or collection.

        Args:
            data: the Bundle as JSON, UTF-8.

        Returns:
            Every problem found (index of the entry from 0, -1 for the bundle); empty when all is well.
        """
        if self._judged.full:
            self._forget()
        if MASK not in data and self._quick_bundle(data.rstrip(b"\r\n")):
            return []
        found: list[Problem] = []
        try:
            bundle = parse(data)
        except UnreadableError as error:
            return [Problem(-1, str(error))]
        check_bundle(bundle, found, self.us_core)
        return sorted(found, key=lambda problem: problem.index)

    def _whole_line(self, line: bytes, index: int, found: list[Problem]) -> bytes | str:
        """Judge one line whole; returns what must not stand twice: an Observation's id, else type and id."""
        before = len(found)

        def say(what: str) -> None:
            found.append(Problem(index, what))

        try:
            resource = read_any(line, say, us_core=self.us_core, bundled=False)
        except UnreadableError as error:
            say(str(error))
            return b""
        if resource.type == "Observation":
            return resource.id.encode()
        label = f"{resource.type}/{resource.id}" if resource.id else ""
        if resource.type == "Device" and label and len(found) == before:
            if len(self._devices) >= REMEMBERED:
                self._devices.clear()
            self._devices[line] = label
        return label

    def _quick(
        self, line: bytes, name: bytes, request: bytes, bundled: bool, references: list[tuple[tuple[str, str], ...]]
    ) -> bool:
        """Look an Observation up piece by piece; whether it is known to be good.

        Args:
            line: the bytes of the Observation.
            name: its id or the value of its identifier: the identity of the set and what kind of record it is. Only a
                hint where to look, so nothing is taken on trust from it.
            request: the bytes behind it in a bundle entry, from the comma on; empty when there are none.
            bundled: the record is an entry of a bundle.
            references: the urn:uuid references found are added here.
        """
        identity, kind = name[:32], name[32:]
        if identity != self._identity:
            return self._is_of(identity) and self._by_pieces(line, identity, kind, request, bundled, references)
        if kind in _PANEL:
            return self._by_pieces(line, identity, kind, request, bundled, references)
        # A further record of the set at hand: the same but for the identity and for whose it is was mostly seen before.
        text, whose = self._middle
        head, between, tail = line.replace(identity, MASK).partition(text)
        tails = self._tails.get((head, whose.facts, request.replace(identity, MASK)))
        if tails is not None and between and tail in tails:
            references.extend(tails[tail])
            if whose.references:
                references.append(whose.references)
            return True
        before = len(references)
        good = self._by_pieces(line, identity, kind, request, bundled, references)
        if good and between and len(tail) <= _LONG_TAIL and self._middle[0] is text:
            if self._tails_kept >= REMEMBERED:
                self._tails.clear()
                self._tails_kept = 0
            if tails is None:
                tails = self._tails.setdefault((head, whose.facts, request.replace(identity, MASK)), {})
            tails[tail] = tuple(found for found in references[before:] if found is not whose.references)
            self._tails_kept += 1
        return good

    def _is_of(self, identity: bytes) -> bool:
        """Take up a set by its identity; whether it is one."""
        if identity != self._identity:
            if not HEX.fullmatch(identity):
                return False
            self._identity = identity
        return True

    def _by_pieces(
        self,
        line: bytes,
        identity: bytes,
        kind: bytes,
        request: bytes,
        bundled: bool,
        references: list[tuple[tuple[str, str], ...]],
    ) -> bool:
        """Look an Observation up piece by piece: as `_quick`, with the name cut into identity and kind."""
        if MASK in line:
            return False
        if kind in _PANEL:
            line = line.replace(identity, MASK)
        shape = self._shapes.get(kind)
        if shape is not None and line.startswith(identity.join(shape.around)):
            subject, piece = shape.length, shape.piece
        else:
            subject = line.find(_SUBJECT, 30)
            if subject < 0:
                return False
            head = line[:subject].replace(identity, MASK)
            found = self._pieces[head] if head in self._pieces else self._judged.piece(head)
            if found is None:
                return False
            piece = found
            self._shapes[kind] = _Shape((head + _SUBJECT).split(MASK), piece, subject)
        # Records of one set stand together and say the same of patient, time, operator and device.
        if line.startswith(self._middle[0], subject):
            text, whose = self._middle
            at = subject + len(text)
        else:
            judged, at = self._whose(line, subject)
            if judged is None:
                return False
            whose = judged
        facts = [bundled, piece.facts, whose.facts]
        cuts: list[bytes] = []
        if line.endswith(b"}]}") and (end := line.find(_COMPONENT, at)) >= 0:
            if not self._components(line[end + len(_COMPONENT) : -3], facts):
                return False
        else:
            end = len(line) - 1
            if line[end:] != b"}":
                return False
        device = line.rfind(_DEVICE, at, end)
        if device >= 0:
            cuts.append(line[device:end])
            end = device
        # A note is cut off as well, so that free text does not make every value a new piece.
        if end - at > _LONG and (note := line.find(_NOTE, at, end)) >= 0:
            cuts.append(line[note:end])
            end = note
        if end > at:
            cuts.append(line[at:end])
        if request:
            cuts.append(request.replace(identity, MASK))
        if whose.references:
            references.append(whose.references)
        if piece.references:
            references.append(piece.references)
        pieces = self._pieces
        for cut in cuts:
            known = pieces[cut] if cut in pieces else self._judged.piece(cut)
            if known is None:
                return False
            facts.append(known.facts)
            if known.references:
                references.append(known.references)
        key = tuple(facts)
        fits = self._fits.get(key)
        if fits is None:
            fits = self._fits[key] = self._judged.fit(key)
        return fits

    def _whose(self, line: bytes, subject: int) -> tuple[Piece | None, int]:
        """Judge subject, encounter, time and performer; returns what they are worth and where they end."""
        time = line.find(_TIME, subject)
        at = line.find(b'"', time + len(_TIME)) + 1
        if time < 0 or at == 0:
            return None, 0
        text = line[time + len(_TIME) : at - 1]
        cuts = [line[subject:time]]
        if not self._judged.time(text):
            return None, 0
        if line.startswith(_PERFORMER, at):
            place = line.find(_BEHIND_LIST, at) + 2
            if place > 1:
                cuts.append(line[at:place])
                at = place
        found: list[Piece] = []
        for cut in cuts:
            # Patients are many: what only differs in a plain identifier value is judged once.
            start, between, value = cut.rpartition(_VALUE)
            value, quote, rest = value.partition(b'"')
            if between and quote and _PLAIN_VALUE.fullmatch(value):
                cut = start + _ANY_VALUE + rest
            piece = self._pieces[cut] if cut in self._pieces else self._judged.piece(cut)
            if piece is None:
                return None, 0
            found.append(piece)
        key = tuple(found)
        whose = self._joined.get(key)
        if whose is None:
            if len(self._joined) >= REMEMBERED:
                self._joined.clear()
            facts = [fact for piece in found for fact in self._judged.by_number[piece.facts]]
            references = [reference for piece in found for reference in piece.references]
            number = self._judged.number((("effectiveDateTime", None), *facts))
            whose = self._joined[key] = Piece(number, tuple(references))
        self._middle = line[subject:at], whose
        return whose, at

    def _components(self, inside: bytes, facts: list[int]) -> bool:
        """Look components up one by one; whether all are good."""
        start = b'{"code":'
        if not inside.startswith(start):
            return False
        parts = self._parts
        for part in inside[len(start) :].split(_IN_COMPONENT):
            number = parts[part] if part in parts else self._judged.part(part)
            if number is None:
                return False
            facts.append(number)
        return True

    def _quick_bundle(self, data: bytes) -> bool:
        """Whether a bundle is known to be good; what it does not know goes to the plain reading."""
        at = data.find(_ENTRIES)
        if at < 1 or data[at - 1 : at] != b"," or data[-3:] != b"}]}":
            return False
        # What a Provenance says of changes is compared with each of them: the plain reading does that.
        if any(mark in data for mark in _CHANGING):
            return False
        said: list[str] = []
        try:
            kind = read_bundle_head(parse(data[: at - 1] + b"}"), said.append)
            places: dict[str, str] = {}
            observations: set[bytes] = set()
            prefix = b"\n"
            names: set[tuple[str, ...] | bytes] = set()
            references: list[tuple[tuple[str, str], ...]] = []
            entries = data[at + len(_ENTRIES) : -3].split(_NEXT)
            named = len(entries)
            for entry in entries:
                end = entry.find(b'"', 1)
                start = end + len(_RESOURCE)
                cut = entry.rfind(_REQUEST) if kind == "transaction" else len(entry)
                if said or cut < 0 or entry[:1] != b'"' or entry[end + 1 : start + 1] != _RESOURCE:
                    return False
                url, body, request = entry[1:end], entry[start:cut], entry[cut:]
                if body.startswith(_OBSERVATION) and _DEVICE_TIME_VALUE not in body:
                    bar = request.rfind(b"|")
                    if bar >= 0:
                        name = request[bar + 1 : -2]
                    else:
                        start = body.find(_VALUE, body.find(_IDENTIFIER)) + len(_VALUE)
                        name = body[start : body.find(b'"', start)]
                    # The addresses of one set differ in their last four digits only.
                    if url[:-4] != prefix or not _HEX4.fullmatch(url[-4:]):
                        if not UUID8.fullmatch(url):
                            return False
                        prefix = url[:-4]
                    if not self._quick(body, name, request, True, references):
                        return False
                    names.add(name)
                    observations.add(url)
                    continue
                known = self._entries.get((kind, entry))
                if known is not None and url.decode() not in places:
                    places[url.decode()] = known.type
                    references.append(known.references)
                    names.add((known.type, *known.identifier))
                    continue
                resource = read_any(body, said.append, us_core=self.us_core, bundled=True)
                if resource.activity in ("UPDATE", "NULLIFY") or (
                    resource.targets and kind == "transaction" and not (resource.activity and resource.explained)
                ):
                    return False
                check_full_url(url.decode("ascii", "replace"), resource, places, said.append)
                references.append(resource.references)
                if request:
                    wanted = parse(b"{" + request[1:] + b"}")
                    no_blanks(wanted, said.append, "request")
                    check_request(read_request(wanted.pop("request"), said.append), resource, said.append)
                    if wanted:
                        return False
                if resource.identifier[1]:
                    names.add((resource.type, *resource.identifier))
                else:
                    named -= 1
                if resource.type in ("Device", "Observation") and resource.identifier[1] and not said:
                    if len(self._entries) >= REMEMBERED:
                        self._entries.clear()
                    self._entries[kind, entry] = resource
        except UnreadableError:
            return False
        places.update({url.decode(): "Observation" for url in observations})
        if said or len(places) != len(entries) or len(names) != named:
            return False
        return not any(unresolved(*item, places) for item in set().union(*references))
