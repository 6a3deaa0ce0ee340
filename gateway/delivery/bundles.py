"""Transaction bundles on their way: cut into entries, divided into sets that belong together, put together again.

The text of an entry is never parsed and written anew, so its numbers arrive as they were rendered. What is changed
is the Provenance of a bundle that is divided, and the references of a bundle that is sent as a batch.

When a bundle is divided, each part gets the Provenance of those targets it holds. Provenance has no identifier in R4;
it is known by a tag, and `ifNoneExist` searches for that tag. Were the tag kept, the server would take the second part
for the first one and drop it. So a divided Provenance has a tag of its own, made from the old tag and the targets it
keeps. The same division therefore always gives the same tags, and sending it again adds nothing. Should a server take
a bundle whole today that it made us divide yesterday, a second Provenance says once more of the same records what was
true before; records themselves are never doubled.
"""

from __future__ import annotations

import hashlib
import html
import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal
from urllib.parse import unquote_plus

Unit = tuple[int, ...]
"""Positions of the entries of one set: what must be sent together."""

_LOCAL = "urn:uuid:"
# The last four hex digits of a fullUrl number the record within its set (gateway.records.fhir).
_NUMBER_DIGITS = 4
_DEVICE_TIME = ".device_time"
"""End of the identifiers of Observations of a device's own time (gateway.records.fhir)."""
_PEOPLE = ("Patient", "Person", "Practitioner", "PractitionerRole", "RelatedPerson")


class BundleError(ValueError):
    """The bytes are no transaction bundle. The text says why, without quoting them."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a bundle.

    Attributes:
        index: its position, from 0.
        text: its JSON as it was rendered.
        kind: resource type.
        full_url: what other entries call it.
        refers: positions of the entries it refers to.
    """

    index: int
    text: bytes
    kind: str
    full_url: str
    refers: frozenset[int]


Parcel = list[tuple[int, bytes]]
"""Entries to be sent together: position in the whole bundle, and text."""


class Bundle:
    """A transaction bundle.

    Args:
        data: the bundle as UTF-8 JSON.

    Attributes:
        entries: all entries, in order.
        units: the sets, in order; their members share a set or refer to each other.
        shared: positions of entries that several units may need, such as a Device.
        private: the texts in it that must not be shown.

    Raises:
        BundleError: it is not a transaction bundle, or refers to an entry that it does not hold.
    """

    def __init__(self, data: bytes) -> None:
        texts = _cut(data)
        contents = [_content(text) for text in texts]
        places: dict[str, int] = {}
        for index, content in enumerate(contents):
            full_url = content.get("fullUrl", "")
            if full_url and places.setdefault(full_url, index) != index:
                raise BundleError("two entries of the bundle have the same fullUrl")
        self.private = Private(content["resource"] for content in contents)
        self.entries: list[Entry] = []
        self._targets: dict[int, frozenset[int]] = {}
        self._device_times: set[int] = set()
        for index, (text, content) in enumerate(zip(texts, contents, strict=True)):
            refers = set()
            for reference in _references(content["resource"]):
                if reference in places:
                    refers.add(places[reference])
                elif reference.startswith(_LOCAL):
                    raise BundleError("the bundle refers to an entry that it does not hold")
            kind = content["resource"]["resourceType"]
            if kind == "Provenance":
                named = _references(content["resource"].get("target"))
                self._targets[index] = frozenset(places[each] for each in named if each in places)
            if any(str(value).endswith(_DEVICE_TIME) for value in _identifiers(content["resource"])):
                self._device_times.add(index)
            self.entries.append(Entry(index, text, kind, content.get("fullUrl", ""), frozenset(refers - {index})))
        self._group()

    def _group(self) -> None:
        referred = frozenset().union(*(entry.refers for entry in self.entries))
        common = [
            entry
            for entry in self.entries
            if entry.index in referred
            and (entry.kind not in ("Observation", "Provenance") or entry.index in self._device_times)
        ]
        self.shared = frozenset(entry.index for entry in common if not entry.refers)
        # What a device says of its own clock is about no patient, and refers to the device.
        self.shared |= {entry.index for entry in common if entry.refers <= self.shared}
        # Besides its targets, a Provenance may name as its sources what belongs to no set, such as a device's own time.
        self._divisible = {
            index for index, own in self._targets.items() if own and self.entries[index].refers <= own | self.shared
        }
        leader = list(range(len(self.entries)))

        def lead(index: int) -> int:
            while leader[index] != index:
                leader[index] = leader[leader[index]]
                index = leader[index]
            return index

        roots: dict[str, int] = {}
        members = [
            entry for entry in self.entries if entry.index not in self.shared and entry.index not in self._divisible
        ]
        for entry in members:
            if entry.full_url.startswith(_LOCAL):
                root = entry.full_url[:-_NUMBER_DIGITS]
                leader[lead(entry.index)] = lead(roots.setdefault(root, entry.index))
            for other in entry.refers - self.shared:
                if other not in self._divisible:
                    leader[lead(entry.index)] = lead(other)
        units: dict[int, list[int]] = {}
        for entry in members:
            units.setdefault(lead(entry.index), []).append(entry.index)
        self.units: tuple[Unit, ...] = tuple(sorted(map(tuple, units.values())))

    def parcel(self, units: Iterable[Unit]) -> Parcel:
        """The entries of these units, what they refer to, and their share of the Provenance, in order."""
        held = {index for unit in units for index in unit}
        for _ in range(2):
            held |= {other for index in held for other in self.entries[index].refers & self.shared}
        parcel: Parcel = []
        for entry in self.entries:
            if entry.index in held:
                parcel.append((entry.index, entry.text))
            elif entry.index in self._divisible and self._targets[entry.index] & held:
                parcel.append((entry.index, self.narrowed(entry, held)))
        return parcel

    def narrowed(self, entry: Entry, held: Collection[int]) -> bytes:
        """A Provenance with those targets and sources that are not in the bundle, or among the entries `held`.

        The text is the entry's own when nothing is lost.
        """
        if entry.refers <= set(held):
            return entry.text
        places = {self.entries[index].full_url: index for index in entry.refers}
        content = _content(entry.text)
        resource = content["resource"]
        there = {-1, *held}

        def is_there(reference: Any) -> bool:
            return places.get(str(reference.get("reference", "")), -1) in there

        resource["target"] = [target for target in resource.get("target", []) if is_there(target)]
        if "entity" in resource:
            resource["entity"] = [each for each in resource["entity"] if is_there(each.get("what", {}))]
        kept = [str(target.get("reference", "")) for target in resource["target"]]
        search = str(content["request"].get("ifNoneExist", ""))
        for tag in resource.get("meta", {}).get("tag", []):
            code = str(tag.get("code", ""))
            if code and code in search:
                new = hashlib.blake2b("|".join([code, *kept]).encode(), digest_size=16).hexdigest()
                content["request"]["ifNoneExist"] = search.replace(code, new)
                tag["code"] = new
                break
        return json.dumps(content, separators=(",", ":")).encode()

    def resolved(self, index: int, text: bytes, located: Mapping[int, str]) -> bytes:
        """An entry's text with its references to other entries replaced by where the server keeps these."""
        for other in self.entries[index].refers & located.keys():
            text = text.replace(json.dumps(self.entries[other].full_url).encode(), json.dumps(located[other]).encode())
        return text


def _identifiers(resource: dict[str, Any]) -> Iterator[Any]:
    for identifier in _listed(resource.get("identifier")):
        if isinstance(identifier, dict):
            yield identifier.get("value", "")


def rendered(parcel: Parcel, kind: Literal["transaction", "batch"]) -> bytes:
    """A parcel as a Bundle."""
    entries = b",".join(text for _, text in parcel)
    return b'{"resourceType":"Bundle","type":"%b","entry":[%b]}' % (kind.encode(), entries)


def halves(units: Sequence[Unit]) -> tuple[Sequence[Unit], Sequence[Unit]]:
    """The units in two halves."""
    middle = len(units) // 2
    return units[:middle], units[middle:]


class Private:
    """Texts of a bundle that a receiver may send back, and that must not go into receipts.

    These are the values of all identifiers, what references to records elsewhere end with, notes, names beside
    references, and everything said in a resource about a person.

    Args:
        resources: the resources of the bundle.
    """

    def __init__(self, resources: Iterable[Any]) -> None:
        self._plain = {plain for text in _private(resources) if (plain := _alphanumeric(text))}

    def within(self, text: str) -> bool:
        """Whether the text holds one of them, however it is spaced, punctuated, cased or escaped."""
        forms = {_alphanumeric(text), _alphanumeric(unquote_plus(text)), _alphanumeric(html.unescape(text))}
        return any(plain in form for form in forms for plain in self._plain)


def _alphanumeric(text: str) -> str:
    return "".join(filter(str.isalnum, text)).casefold()


def _private(resources: Iterable[Any]) -> Iterator[str]:
    for resource in resources:
        if resource["resourceType"] in _PEOPLE:
            yield from (text for text in _strings(resource) if len(text) > 1 and text != resource["resourceType"])
        for item in _objects(resource):
            for identifier in _listed(item.get("identifier")):
                if isinstance(identifier, dict):
                    yield str(identifier.get("value", ""))
            for note in _listed(item.get("note")):
                if isinstance(note, dict):
                    yield str(note.get("text", ""))
            reference = item.get("reference")
            if isinstance(reference, str) and not reference.startswith(_LOCAL):
                tail = reference.rpartition("/")[2] if "?" not in reference else reference.rpartition("=")[2]
                yield unquote_plus(tail).rpartition("|")[2]
            if ("reference" in item or "identifier" in item) and isinstance(item.get("display"), str):
                yield item["display"]


def _listed(value: Any) -> list[Any]:
    if isinstance(value, list):
        return value
    return [] if value is None else [value]


def _objects(value: Any) -> Iterator[dict[str, Any]]:
    if isinstance(value, dict):
        yield value
        value = list(value.values())
    if isinstance(value, list):
        for each in value:
            yield from _objects(each)


def _strings(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        yield from _strings(list(value.values()))
    elif isinstance(value, list):
        for each in value:
            yield from _strings(each)


def _references(resource: Any) -> Iterator[str]:
    for item in _objects(resource):
        if isinstance(item.get("reference"), str):
            yield item["reference"]


def _cut(data: bytes) -> list[bytes]:
    """The texts of the entries."""
    import msgspec

    try:
        bundle = msgspec.json.decode(data, type=dict[str, msgspec.Raw])
        kind, purpose = (msgspec.json.decode(bundle.get(key, b"null")) for key in ("resourceType", "type"))
        if kind != "Bundle" or purpose != "transaction":
            raise BundleError("this is not a transaction bundle")
        entries = msgspec.json.decode(bundle.get("entry", b"[]"), type=list[msgspec.Raw])
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise BundleError("this is not JSON of a transaction bundle") from error
    if not entries:
        raise BundleError("the bundle is empty")
    return [bytes(entry) for entry in entries]


def _content(text: bytes) -> dict[str, Any]:
    """What an entry says; numbers are for reading only."""
    try:
        content = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise BundleError("an entry of the bundle is not JSON") from error
    if not (
        isinstance(content, dict)
        and isinstance(content.get("resource"), dict)
        and isinstance(content["resource"].get("resourceType"), str)
        and isinstance(content.get("fullUrl", ""), str)
        and isinstance(content.get("request"), dict)
    ):
        raise BundleError("an entry of the bundle has no resource or no request")
    return content
