"""What is sent for an item of the outbox: a function of the item and of the record files in the ledger, nothing else.

Most items are sent as they were recorded. An item that was divided is cut down to its sets; one whose sets have
changed in the meantime says them as they are now, made from all their versions.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from gateway.delivery.bundles import Bundle, rendered
from gateway.errors import LedgerError

# The modules of records take time to load, and most items are sent as they are.
if TYPE_CHECKING:
    from gateway.ledger import Ledger, Waiting
    from gateway.ledger.chains import SetLife, Version

# As the renderers write them; what a device says of its own clock is of no set.
_OBSERVATION = re.compile(
    rb'"identifier":\[\{"system":"(?:[^"\\]|\\.)*","value":"([0-9a-f]{32})\.(?!device_time")[a-z][a-z0-9_]*"\}'
)
_ORDER = re.compile(rb"\rOBR\|[^|\r]*\|[^|\r]*\|([0-9a-f]{32})[\^|]")
_KEPT = 8
"""Record files that are kept in memory while whole sets are made."""


def sets_in(name: str, data: bytes) -> list[tuple[int, str]]:
    """Where the records of each set are in a record file (offset, 32 hex digits), in order."""
    pattern = _ORDER if name.startswith("oru/") else _OBSERVATION
    return [(match.start(), match[1].decode()) for match in pattern.finditer(data)]


class Payloads:
    """Makes what is sent.

    Args:
        ledger: open; its record files are read as they are needed.
    """

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._files: dict[tuple[int, str], bytes] = {}

    def of(self, item: Waiting) -> bytes:
        """The bytes to be sent for an item.

        Raises:
            LedgerError: the ledger lacks a record file, or holds one that cannot be read.
        """
        if item.form in ("whole", "first"):
            return self._whole(item)
        if not item.only and not item.without:
            return item.data
        return cut(item.kind, item.data, set(self.sets(item)))

    def sets(self, item: Waiting) -> list[str]:
        """The sets that an item carries, in order."""
        from gateway.ledger.arranging import left_of

        return left_of((identity for _, identity in sets_in(item.name, item.data)), item.only, item.without)

    def _whole(self, item: Waiting) -> bytes:
        lives = self._ledger.lives(self.sets(item), "fhir" if item.kind == "fhir" else "oru")
        if item.kind == "fhir":
            return self._whole_bundle(list(lives.values()))
        messages = [self._whole_message(life, sent_before=item.form == "whole") for life in lives.values()]
        return messages[0].encode() if item.kind == "oru" else _batch(item.data, messages)

    def _whole_bundle(self, lives: Sequence[SetLife]) -> bytes:
        bundles = []
        for run, name in sorted({file for life in lives for version in life.versions for file in self._named(version)}):
            if name.startswith("fhir/"):
                bundles.append(self._file(run, name))
        return whole_bundle(bundles, {life.identity for life in lives})

    def _whole_message(self, life: SetLife, *, sent_before: bool) -> str:
        from gateway.records.retraction import messages_in, set_of

        said: list[str] = []
        for version in life.versions:
            for run, name in self._named(version):
                if name.startswith("oru/"):
                    found = [text for text in messages_in(self._file(run, name)) if set_of(text) == life.identity]
                    # What was taken back is no longer part of the set.
                    said = found if version.retraction and found else said + found
        if not said:
            raise LedgerError(
                "The ledger holds no message of a set that is to be sent", todo="Put back a copy of the ledger"
            )
        current = life.versions[-1]
        if current.retraction:
            return said[-1]
        said = [text for text in said if not _taken_back(text)]
        return whole_message(said, sent_before=sent_before, at_dtm=_dtm(current.at), revision=current.revision)

    def _named(self, version: Version) -> list[tuple[int, str]]:
        """The record files of a version."""
        names = [name for name in (version.fhir, version.oru) if name]
        return [(version.run, name) for name in names or self._ledger.contents(version.run)]

    def _file(self, run: int, name: str) -> bytes:
        if (run, name) not in self._files:
            if len(self._files) >= _KEPT:
                self._files.clear()
            self._files[run, name] = self._ledger.content(run, name)
        return self._files[run, name]


def cut(kind: str, data: bytes, keep: set[str]) -> bytes:
    """A bundle or batch file with only these sets in it."""
    from gateway.records.retraction import messages_in, set_of

    if kind == "fhir":
        bundle = Bundle(data)
        units = [unit for unit in bundle.units if keep & sets_of_unit(bundle, unit)]
        return rendered(bundle.parcel(units), "transaction")
    return _batch(data, [text for text in messages_in(data) if set_of(text) in keep])


def sets_of_unit(bundle: Bundle, unit: Sequence[int]) -> set[str]:
    """The sets whose records are in these entries of a bundle."""
    return {identity for index in unit for _, identity in sets_in("fhir/", bundle.entries[index].text)}


def _batch(data: bytes, messages: Sequence[str]) -> bytes:
    """Messages in a batch file of the same name and time as another."""
    from gateway.records.oru import batch_like

    head = data.split(b"\r", 1)[0].decode().split("|")
    received, name = (head[at] if len(head) > at else "" for at in (6, 8))
    return batch_like(messages, name, received).encode()


def _taken_back(message: str) -> bool:
    results = [segment.split("|") for segment in message.split("\r") if segment.startswith("OBX|")]
    return bool(results) and results[-1][11] in ("W", "D")


def _dtm(at: datetime) -> str:
    return at.strftime("%Y%m%d%H%M%S%z")


# --- a set as it is now, made from all its versions ------------------------------------------------------------------


def whole_message(messages: Sequence[str], *, sent_before: bool, at_dtm: str, revision: int) -> str:
    """One message that says a set as it is now.

    Args:
        messages: those of the set in the order in which they were made.
        sent_before: the receiver may have an earlier version; what was corrected is C then, else F.
        at_dtm: when the newest version was made, for MSH-7.
        revision: version of the set that is said.
    """
    from gateway.records.oru import restated
    from gateway.records.retraction import last_sent

    joined = last_sent(messages)
    (report,) = {segment.split("|")[25] for segment in joined.split("\r") if segment[:3] == "OBR"}
    report = "F" if report == "C" and not sent_before else report
    return restated(
        joined, lambda status: "F" if status == "C" and not sent_before else status, report, at_dtm, revision=revision
    )


def whole_bundle(bundles: Sequence[bytes], sets: Collection[str]) -> bytes:
    """A transaction that brings a server to the newest state of these sets, whatever it has of them.

    Args:
        bundles: transaction bundles with all their versions, in the order in which they were made.
        sets: their identities.
    """
    import msgspec

    from gateway.records.retraction import record_of

    others: dict[str, bytes] = {}
    newest: dict[str, tuple[str, bytes]] = {}
    for data in bundles:
        bundle = Bundle(data)
        units = [unit for unit in bundle.units if sets_of_unit(bundle, unit) & set(sets)]
        for index, text in bundle.parcel(units):
            entry = bundle.entries[index]
            content = msgspec.json.decode(text, type=dict[str, msgspec.Raw])
            if entry.kind == "Observation" and sets_in("fhir/", text):
                resource = bytes(content["resource"])
                identity, key = record_of(resource)
                name = msgspec.json.decode(resource, type=dict[str, msgspec.Raw])["identifier"]
                system = msgspec.json.decode(name)[0]["system"]
                newest[f"{identity}.{key}"] = system, text
            elif entry.kind != "Provenance":
                others.setdefault(entry.full_url, text)
    entries = list(others.values())
    for value, (system, text) in newest.items():
        entries.append(_updated(text, system, value))
    return rendered(list(enumerate(entries)), "transaction")


def _updated(text: bytes, system: str, value: str) -> bytes:
    """An entry as a conditional update, its resource as it is written there."""
    import msgspec

    from gateway.records.fhir import conditional_url

    request = {"method": "PUT", "url": conditional_url("Observation", system, value)}
    content = msgspec.json.decode(text, type=dict[str, msgspec.Raw])
    return msgspec.json.encode(content | {"request": msgspec.Raw(msgspec.json.encode(request))})
