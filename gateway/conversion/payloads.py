"""What is sent for an item of the outbox: a function of the item and of the record files in the ledger, nothing else.

Most items are sent as they were recorded. An item that was divided is cut down to its sets; one whose sets have
changed in the meantime says them as they are now, made from all their versions.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from typing import TYPE_CHECKING

from gateway.conversion.options import time_of_change
from gateway.delivery.bundles import Bundle, rendered
from gateway.errors import LedgerError
from gateway.version import VERSION

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
        self._mappings: dict[int, str] = {}

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
            return self._whole_bundle(list(lives.values()), sent_before=item.form == "whole")
        messages = [self._whole_message(life, sent_before=item.form == "whole") for life in lives.values()]
        return messages[0].encode() if item.kind == "oru" else _batch(item.data, messages)

    def _whole_bundle(self, lives: Sequence[SetLife], *, sent_before: bool) -> bytes:
        from gateway.records.retraction import devices_in, observations_in, record_of, whole_bundle

        wanted = {life.identity for life in lives}
        observations: list[bytes] = []
        devices: dict[bytes, None] = {}
        for run, name in sorted({file for life in lives for version in life.versions for file in self._named(version)}):
            if name.startswith("fhir/"):
                data = self._file(run, name)
                observations += [each for each in observations_in(data) if record_of(each)[0] in wanted]
                devices |= dict.fromkeys(devices_in(data))
        newest = max(life.versions[-1] for life in lives)
        fhir = tomllib.loads(self._mapping_of(newest.run)).get("output", {}).get("fhir", {})
        return whole_bundle(
            observations, devices=list(devices), recorded=time_of_change(newest.at)[0], gateway_version=VERSION,
            provenance=fhir.get("provenance", True), sent_before=sent_before,
        )  # fmt: skip

    def _whole_message(self, life: SetLife, *, sent_before: bool) -> str:
        from gateway.records.retraction import messages_in, set_of, whole_message

        said: list[str] = []
        for version in life.versions:
            for run, name in self._named(version):
                if name.startswith("oru/"):
                    said += [text for text in messages_in(self._file(run, name)) if set_of(text) == life.identity]
        current = life.versions[-1]
        if current.retraction and said:
            return said[-1]
        if not said:
            raise LedgerError(
                "The ledger holds no message of a set that is to be sent", todo="Put back a copy of the ledger"
            )
        at = time_of_change(current.at)[1]
        return whole_message(said, sent_before=sent_before, at_dtm=at, revision=current.revision)

    def _mapping_of(self, run: int) -> str:
        """The text of the mapping that a run was made with; a mapping of long ago need not pass the checks of today."""
        if run not in self._mappings:
            self._mappings = {each.id: each.mapping_sha256 for each in self._ledger.runs()}
        return self._ledger.mapping_text(self._mappings[run])

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
