"""Whose a set is, and who else had a part in it: device, operator, location, encounter."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import date, datetime
from typing import NamedTuple

from gateway.conversion.fields import Fields, trimmed
from gateway.conversion.understanding.candidate import Notes
from gateway.conversion.understanding.when import When
from gateway.identity import Associations, Crosswalk, Identifier, Identifiers
from gateway.mapping import Mapping as MappingFile
from gateway.mapping.model import Identified, PatientSystem
from gateway.memo import Memo
from gateway.model import BLANKS, Moment, Noticed, Party
from gateway.once import Patient, patient_digest, surviving
from gateway.vocabulary.tables import AGES, NEONATE_DAYS

_REFUSED = {
    "nobody": Noticed("patient-nobody", "the text where the patient identifier belongs is nobody's identifier"),
    "form": Noticed("patient-malformed", "the patient identifier does not have the declared form"),
    "check-digit": Noticed("identifier-check-digit", "the patient identifier fails its check digit"),
}
_UNPRINTABLE = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff]")


class Who(NamedTuple):
    """A patient, how the patient was established, and a digest (`gateway.once.Key`)."""

    party: Party
    how: str
    digest: bytes


class Patients:
    """Finds the patient of a set: named by the export, by an association, or by a person.

    Args:
        mapping: the mapping.
        fields: where the columns stand.
        associations: who was on which device, or None.
        merged: patients (system, identifier) whose identifiers were merged -> who stands for them.
        when: for the stretch in which a time lies.
    """

    def __init__(
        self,
        mapping: MappingFile,
        fields: Fields,
        associations: Associations | None,
        merged: Mapping[Patient, Patient],
        when: When,
    ) -> None:
        patient = mapping.patient
        self._associations = associations
        self._merged = merged
        self._when = when
        self._at = fields.at(patient.column)
        self._column = patient.column or ""
        self._columns = patient.crosswalk.columns if patient.crosswalk is not None else ()
        self._key = [fields.at(name) for name in self._columns]
        self._not_stated = frozenset(patient.not_stated)
        self._identifiers = Identifiers.of(patient)
        self._issuer_column = patient.systems.column if patient.systems is not None else ""
        self._issuer_at = fields.at(self._issuer_column or None)
        self._issuers = dict(patient.systems.values) if patient.systems is not None else {}
        own = PatientSystem(system=patient.system, authority=patient.authority, type=patient.type)
        self._by_system = {"": own} | {each.system: each for each in self._issuers.values()} | {patient.system: own}
        self._named = {system: self._memo(system, self._identifiers.read, "column") for system in self._by_system}
        # What others say has no prefix of a barcode.
        self._stated = {
            system: self._memo(system, self._identifiers.judged, "association") for system in self._by_system
        }

    def text(self, cells: list[str]) -> str:
        """The patient's identifier as it stands in an entry, "" for none."""
        text = trimmed(cells, self._at)
        return "" if text in self._not_stated else text

    def said(self, cells: list[str], text: str) -> tuple[str, ...]:
        """What an entry, with this identifier, says of who the patient is: no message may quote it."""
        return tuple([trimmed(cells, at) for at in self._key]) if self._key else (text,)

    def of(self, cells: list[str], text: str, device: Party | None, moment: Moment, notes: Notes) -> Who | None:
        """The patient of a set.

        Args:
            cells: of its first entry.
            text: the identifier there.
            device: the device it was measured with.
            moment: when it was measured.
            notes: takes what is noticed.

        Returns:
            None, and why in the notes, when it is not clear who the patient is.
        """
        if self._key:
            named = self._by_crosswalk(cells, notes)
            return named if named is None else _told(named, notes)
        named = None
        if text:
            found = self._by_export(cells, text, notes)
            if found is None:
                return None
            named = found
        if self._associations is not None and moment.fhir:
            named = self._by_association(self._associations, named, device, moment, notes)
        elif named is None:
            notes.note(
                Noticed("patient-missing", "the entry names no patient and no association was given"), self._column
            )
        return named if named is None else _told(named, notes)

    def assigned(self, text: str, system: str, notes: Notes) -> Who | None:
        """The patient whom a person has named, of a system that the mapping knows ("" for its own)."""
        if system not in self._by_system:
            notes.note(Noticed("patient-system-undeclared", "the mapping does not know the assigned patient's system"))
            return None
        who = _or_said(self._stated[system][text], "the assigned patient", notes)
        if who is None or who.how == "merge":
            return who if who is None else _told(who, notes)
        return who._replace(how="person")

    def _by_export(self, cells: list[str], text: str, notes: Notes) -> Who | None:
        """The patient whom the export itself names."""
        system = ""
        if self._issuer_at >= 0:
            issuer = self._issuers.get(trimmed(cells, self._issuer_at))
            if issuer is None:
                message = "the mapping does not say whose identifier the patient's is"
                notes.note(Noticed("patient-system-undeclared", message), self._issuer_column)
                return None
            system = issuer.system
        found = self._named[system][text]
        if isinstance(found, Noticed):
            notes.note(found, self._column)
            return None
        return found

    def _by_crosswalk(self, cells: list[str], notes: Notes) -> Who | None:
        """The patient of whom a crosswalk says what the export says."""
        key = tuple([trimmed(cells, at) for at in self._key])
        if not isinstance(self._associations, Crosswalk) or not all(key):
            lacks = "says too little of the patient" if not all(key) else "names no patient and no crosswalk was given"
            notes.note(Noticed("patient-missing", f"the entry {lacks}"), " ".join(self._columns))
            return None
        found = self._associations.who(key)
        if found.rule:
            notes.note(Noticed(found.rule, found.message), " ".join(self._columns))
            return None
        return _or_said(self._stated[found.system][found.patient], "the crosswalk's patient", notes)

    def _by_association(
        self,
        associations: Associations,
        named: Who | None,
        device: Party | None,
        moment: Moment,
        notes: Notes,
    ) -> Who | None:
        """The patient who was on the device; `named` is the export's own, with whom the association must agree."""
        if device is None:
            notes.note(Noticed("association-none", "the entry names no device, so no association can be looked up"))
            return None
        found = associations.find(device.value, *self._when.span(moment))
        if found.rule:
            if found.rule == "association-none" and named is not None:
                return named
            notes.note(Noticed(found.rule, found.message))
            return None
        patient = _or_said(self._stated[found.system][found.patient], "the association's patient", notes)
        if patient is None:
            return None
        if named is not None and named.digest != patient.digest:
            notes.note(
                Noticed("patient-disagrees", "the export and the association name different patients"), self._column
            )
            return None
        # Where both name the patient, the export has the first word.
        return named or patient

    def _memo(self, system: str, read: Callable[[str], Identifier], how: str) -> Memo[str, Who | Noticed]:
        """Texts of identifiers of one system -> the patient, one object for each; or what is wrong."""
        return Memo(lambda text: self._learn(read(text), self._by_system[system], how))

    def _learn(self, identifier: Identifier, issuer: PatientSystem, how: str) -> Who | Noticed:
        if identifier.fault:
            return _REFUSED[identifier.fault]
        given = (issuer.system, identifier.value)
        stands = surviving(self._merged, given)
        if stands != given:
            how = "merge"
            if stands[0] not in self._by_system:
                message = "the identifier was merged into one of a system that the mapping does not name"
                return Noticed("patient-system-undeclared", message)
            issuer = self._by_system[stands[0]]
        elif identifier.scanned:
            how = "scan"
        party = Party(stands[1], issuer.system, issuer.authority, issuer.type)
        return Who(party, how, patient_digest(issuer.system, party.value))


def _told(who: Who, notes: Notes) -> Who:
    """The patient; where another identifier stands for the one that was given, that is told."""
    if who.how == "merge":
        message = "the patient's identifier has been merged; the one that stands for it now is recorded"
        notes.note(Noticed("patient-merged", message))
    return who


def _or_said(found: Who | Noticed, whose: str, notes: Notes) -> Who | None:
    """The patient; or None, and what is wrong with the identifier is told, with whose it is."""
    if isinstance(found, Noticed):
        rule, message = found
        notes.note(Noticed(rule, message.replace("the patient", whose, 1)))
        return None
    return found


class Role:
    """Finds a device, operator, location or encounter: one object for each distinct text.

    Args:
        name: what the role is called.
        source: what the mapping says of it.
        fields: where the columns stand.
    """

    def __init__(self, name: str, source: Identified, fields: Fields) -> None:
        self.name = name
        self._source = source
        self._at = fields.at(source.column)
        self._fixed = Party(source.fixed, source.system, source.authority) if source.fixed else None
        self._identifiers = Identifiers.of(source)
        self._parties: Memo[str, Party | None] = Memo(self._read)

    def of(self, cells: list[str]) -> Party | None:
        """The party an entry names; one of UNSOUND for one that cannot be recorded, None for none."""
        return self._fixed if self._at < 0 else self._parties[cells[self._at]]

    def _read(self, text: str) -> Party | None:
        written = text.strip(BLANKS)
        if not written or written in self._source.not_stated:
            return None
        value, fault, _ = self._identifiers.read(written)
        if _UNPRINTABLE.search(written) or fault == "form":
            return MALFORMED
        if fault == "nobody":
            return NO_IDENTIFIER
        return MISCHECKED if fault else Party(value, self._source.system, self._source.authority)

    def fault(self, party: Party | None) -> Noticed | None:
        """Why a party cannot be recorded; None where it can."""
        if party is MALFORMED:
            message = f"the {self.name}'s identifier is blank, or holds control characters or broken text"
            return Noticed("identifier-malformed", message)
        if party is NO_IDENTIFIER:
            return Noticed("identifier-of-nothing", f"the text where the {self.name}'s identifier belongs is none")
        if party is MISCHECKED:
            return Noticed("identifier-check-digit", f"the {self.name}'s identifier fails its check digit")
        return None


MALFORMED = Party("")
"""Stands for an identifier that is none."""

MISCHECKED = Party("")
"""Stands for an identifier whose check digit is wrong."""

NO_IDENTIFIER = Party("")
"""Stands for a text such as NA."""

UNSOUND = (MALFORMED, MISCHECKED, NO_IDENTIFIER)
"""Parties that cannot be recorded."""


def roles(mapping: MappingFile, fields: Fields) -> tuple[Role, Role, Role, Role]:
    """Device, operator, location and encounter."""
    return (
        Role("device", mapping.device, fields),
        Role("operator", mapping.operator, fields),
        Role("location", mapping.location, fields),
        Role("encounter", mapping.encounter, fields),
    )


class Category:
    """Finds the patient category of an entry: a column, a birth date, an age, or the same for the whole export."""

    def __init__(self, mapping: MappingFile, fields: Fields) -> None:
        self._source = mapping.category
        self._fixed = mapping.category.fixed or "unknown"
        born, age = mapping.category.born, mapping.category.age
        self._column = (born or age or mapping.category).column or ""
        self._at = fields.at(self._column or None)
        self._born: Memo[str, date | None] | None = Memo(self._day) if born is not None else None
        self._unit = age.unit if age is not None else ""

    def of(self, cells: list[str], moment: Moment, notes: Notes) -> str:
        """The category, or a part of it (`gateway.vocabulary.AGES`) where the age is known; "unknown" where it is not.

        Args:
            cells: of the first entry of a set.
            moment: when it was measured.
            notes: takes what is noticed.
        """
        text = trimmed(cells, self._at)
        if not text:
            return self._fixed
        if self._born is not None:
            born = self._born[text]
            known = None if born is None or not moment.fhir else by_birth(born, date.fromisoformat(moment.fhir[:10]))
            what = "the birth date is not written as the mapping says, or is nobody's who was measured then"
        elif self._unit:
            known = by_age(int(text), self._unit) if _AGE.fullmatch(text) else None
            what = "the age is no whole number, or nobody has it"
        else:
            known, what = self._source.values.get(text), "the mapping names no patient category for this text"
        if known is None and (self._born is None or moment.fhir):
            notes.note(Noticed("undeclared-category", what), self._column)
        return known or "unknown"

    def _day(self, text: str) -> date | None:
        assert self._source.born is not None
        for form in self._source.born.formats:
            with suppress(ValueError):
                return datetime.strptime(text, form).date()  # noqa: DTZ007 (a day has no zone)
        return None


_AGE = re.compile("[0-9]{1,5}")
_OLDEST = 130
"""Years; nobody has been older than 122 (common knowledge, no source)."""


def by_birth(born: date, day: date) -> str | None:
    """The part of a category in which somebody is on a day; None for nobody's age."""
    days = (day - born).days
    months = (day.year - born.year) * 12 + day.month - born.month - (day.day < born.day)
    if days < 0 or months > _OLDEST * 12:
        return None
    return "neonate" if days < NEONATE_DAYS else _by_months(months)


def by_age(number: int, unit: str) -> str | None:
    """The part of a category of an age in whole units; "unknown" where they are too coarse; None for nobody's age."""
    if unit == "days":
        if number > _OLDEST * 366:
            return None
        return "neonate" if number < NEONATE_DAYS else _by_months(number * 12 // 365)
    months = number * 12 if unit == "years" else number
    if months > _OLDEST * 12:
        return None
    # In its first year, or month, somebody may be a neonate.
    return "unknown" if number == 0 else _by_months(months)


def _by_months(months: int) -> str:
    return next((part for part, (low, high) in AGES.items() if low <= months < high), "adult")
