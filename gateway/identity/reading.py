"""What the forms of association files share: faults, times, and which of several identifiers the mapping means."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

from gateway.errors import InputError
from gateway.mapping.model import Mapping

LISTED = 20
"""Faulty entries that an error names; it counts them all."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
_TIME = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}(:[0-9]{2}([.,][0-9]{1,6})?)?")
_OFFSET = re.compile(r"Z|[+-][0-9]{2}:[0-9]{2}")
_UNIVERSAL = ("urn:oid:", "urn:uuid:")
NOT_AFTER = "is not after {0}; a single set needs at least its minute, such as 09:30 to 09:31"


class Unusable(Exception):  # noqa: N818
    """What is wrong with one entry of the file, in words that hold nothing of its contents."""


class Issuer(NamedTuple):
    """An identifier system: its URI, the HL7 v2 assigning authority and the identifier type; "" where not given."""

    system: str
    authority: str = ""
    type: str = ""

    def assigns(self, namespace: str, universal: str, kind: str) -> bool:
        """Whether an HL7 v2 assigning authority (HD) and identifier type are this one."""
        if kind and self.type and kind != self.type:
            return False
        name, *rest = re.split(r"[&^]", self.authority)
        own = rest[0] if rest else ""
        for prefix in _UNIVERSAL:
            if not own and self.system.startswith(prefix):
                own = self.system.removeprefix(prefix)
        if universal and own:
            return universal == own
        if universal and universal == self.system:
            return True
        return bool(namespace) and namespace == name


class Offer(NamedTuple):
    """One identifier in the file.

    Attributes:
        issuer: whether and which of the mapping's issuers it is of; None for another one.
        stated: whether the file says whose identifier it is.
    """

    value: str
    issuer: Issuer | None
    stated: bool


class Issuers:
    """The identifier systems that a mapping names for patients and for devices.

    Args:
        mapping: the mapping; None to take identifiers of any system.
    """

    def __init__(self, mapping: Mapping | None) -> None:
        self.patients: tuple[Issuer, ...] = ()
        self.devices: tuple[Issuer, ...] = ()
        self.by_id = False
        if mapping is None:
            return
        patient, device = mapping.patient, mapping.device
        own = Issuer(patient.system, patient.authority, patient.type)
        others = patient.systems.values.values() if patient.systems is not None else ()
        self.patients = tuple(
            dict.fromkeys([own, *(Issuer(each.system, each.authority, each.type) for each in others)])
        )
        if device.system or device.authority:
            self.devices = (Issuer(device.system, device.authority),)
        self.by_id = patient.subject == "reference"

    @classmethod
    def together(cls, mappings: Iterable[Mapping]) -> Issuers:
        """The patients' identifier systems that any of several mappings names, the first mapping's own first."""
        issuers = cls(None)
        each_one = [each for mapping in mappings for each in cls(mapping).patients]
        issuers.patients = tuple(dict.fromkeys(each_one))
        return issuers

    def system(self, system: str) -> str:
        """A patient's system as `Association` states it: "" for the mapping's own."""
        return "" if not self.patients or system == self.patients[0].system else system


def by_system(value: str, system: str, known: Sequence[Issuer]) -> Offer:
    """An identifier with the URI of its system."""
    issuer = next((each for each in known if system and each.system == system), None)
    return Offer(value, issuer, bool(system))


def by_authority(value: str, namespace: str, universal: str, kind: str, known: Sequence[Issuer]) -> Offer:
    """An identifier with the parts of its HL7 v2 assigning authority, and its type where it has one."""
    issuer = next((each for each in known if each.assigns(namespace, universal, kind)), None)
    stated = bool(namespace or universal) or bool(kind and known and all(each.type not in ("", kind) for each in known))
    return Offer(value, issuer, stated)


def chosen(offers: Iterable[Offer], known: Sequence[Issuer], what: str) -> tuple[str, str]:
    """The one identifier that the mapping means, and its system ("" when that is not stated).

    Raises:
        Unusable: none of them or several of them can be meant.
    """
    there = [offer for offer in offers if offer.value]
    if not there:
        raise Unusable(f"the {what} has no identifier")
    fitting = there if not known else [offer for offer in there if offer.issuer is not None]
    if known and not fitting:
        fitting = [offer for offer in there if not offer.stated]
        if not fitting:
            raise Unusable(f"no identifier of the {what} is of a system or authority that the mapping names")
        if len(known) > 1:
            raise Unusable(f"the {what}'s identifier does not say its system, and the mapping names {len(known)}")
    values = dict.fromkeys((offer.value, offer.issuer.system if offer.issuer else "") for offer in fitting)
    if len(values) > 1:
        raise Unusable(f"{len(values)} identifiers of the {what} can be meant; name the system in the mapping")
    return next(iter(values))


def epoch(text: str, name: str) -> int:
    """Microseconds since 1970-01-01T00:00:00Z of an ISO 8601 time with an offset.

    Raises:
        Unusable: it is no such time; `name` says which.
    """
    found = _TIME.match(text)
    if found is None:
        raise Unusable(f"{name} is not a time such as 2026-03-14T09:30:00-05:00")
    offset = text[found.end() :]
    if not offset:
        raise Unusable(f"{name} has no offset from UTC, such as -05:00 or Z")
    if not _OFFSET.fullmatch(offset):
        raise Unusable(f"{name} is not a time such as 2026-03-14T09:30:00-05:00")
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise Unusable(f"{name} is a time that does not exist") from None
    return microseconds(moment)


def microseconds(moment: datetime) -> int:
    """Microseconds since 1970-01-01T00:00:00Z of a time with a zone."""
    return (moment - _EPOCH) // _MICROSECOND


def refuse(faults: list[str], where: str, kind: str, of: str = "associations", half: str = "converted") -> None:
    """Refuse a file with faults.

    Args:
        faults: one text for each, place first.
        where: the file.
        kind: what the entries are called, in the plural.
        of: what the file lists.
        half: what is not done on half of it.

    Raises:
        InputError: there are faults.
    """
    if not faults:
        return
    count = f"{len(faults)} {kind}" if len(faults) > 1 else f"1 {'entry' if kind == 'entries' else kind[:-1]}"
    rest = f"; and {len(faults) - LISTED} more" if len(faults) > LISTED else ""
    raise InputError(
        f"{count} of the {of} cannot be used: {'; '.join(faults[:LISTED])}{rest}",
        where=where,
        todo=f"Mend the file; nothing is {half} on half of the {of}",
    )
