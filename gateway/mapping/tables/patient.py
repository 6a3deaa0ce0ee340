"""The table [patient]: who the readings belong to."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar, Literal

from pydantic import Field

from gateway.mapping.identifiers import check_cell, check_type, check_uri
from gateway.mapping.places import Path
from gateway.mapping.problems import Problems
from gateway.mapping.table import Table, Text
from gateway.mapping.texts import regex, trimmed

if TYPE_CHECKING:
    from gateway.mapping.model import Mapping


ANY = "any"
"""What stands for the form of an identifier that may be anything."""


class PatientSystem(Table):
    """One of several identifier systems of the patients in an export."""

    system: Text = Field(description="URI of the identifier system")
    authority: str = Field(default="", description="HL7 v2 assigning authority (PID-3.4)")
    type: str = Field(default="MR", description="HL7 v2 identifier type code, table 0203 (PID-3.5)")


class PatientSystems(Table):
    """A column that says whose identifier the patient's is."""

    column: Text = Field(description="the column that names the hospital or authority")
    values: dict[str, PatientSystem] = Field(
        min_length=1, description="text in the column = its system; a text that is not here is held"
    )


class PatientCrosswalk(Table):
    """What the export says of the patient instead of an identifier, for a crosswalk to say who that is."""

    columns: list[Text] = Field(
        min_length=2,
        max_length=6,
        description="columns that must all agree with the crosswalk, such as name and birth date",
    )


class Patient(Table):
    """Who the readings belong to."""

    stand_ins: ClassVar[dict[tuple[str, ...], Any]] = {
        (): {"system": "urn:uuid:00000000-0000-4000-8000-000000000000"},
        ("system",): "urn:uuid:00000000-0000-4000-8000-000000000000",
    }
    hints: ClassVar[dict[tuple[str, ...], str]] = {
        (): "[patient] with column and system",
        ("crosswalk", "columns"): 'columns = ["Name", "Born"], two of them at least',
        ("system",): 'system = "https://hospital.example/mrn", the URI of the identifier system',
    }

    column: Text | None = Field(default=None, description="leave out when associations name the patient")
    system: Text = Field(
        description="URI of the identifier system; with `systems`, that of associations that name none"
    )
    authority: str = Field(default="", description="HL7 v2 assigning authority (PID-3.4)")
    type: str = Field(default="MR", description="HL7 v2 identifier type code, table 0203 (PID-3.5)")
    subject: Literal["identifier", "reference"] = Field(
        default="identifier", description="logical identifier or Patient/id"
    )
    strip: list[Text] = Field(default=[], description="prefixes of barcodes to take off, the longest that fits, once")
    pattern: str = Field(
        default="",
        description="regular expression the whole identifier must match, else held; 'any' where it may be anything",
    )
    nobody: list[Text] = Field(
        default=[], description="further texts that are nobody's identifier, and are held; NA, TEST, 0000 and such are"
    )
    not_stated: list[Text] = Field(default=[], description='texts that mean what a blank cell means, such as "-"')
    check: str = Field(default="", description="scheme of the check digit, see below; an identifier that fails is held")
    systems: PatientSystems | None = Field(default=None, description="where the export has several identifier systems")
    crosswalk: PatientCrosswalk | None = Field(
        default=None,
        description="where the export has no identifier, but name and birth date, and a file says whose they are",
    )

    @property
    def said(self) -> tuple[str, ...]:
        """The columns that say who the patient is; none where associations do."""
        if self.crosswalk is not None:
            return tuple(self.crosswalk.columns)
        return (self.column,) if self.column is not None else ()


def check(mapping: Mapping, problems: Problems) -> None:
    """Note what is wrong with the table, and when nothing tells the patient."""
    patient = mapping.patient
    check_uri(patient.system, ("patient", "system"), problems)
    if not patient.pattern:
        if patient.column is not None and not problems.earlier and problems.known(("patient", "pattern")):
            problems.add(
                ("patient", "pattern"),
                "nothing says what the patients' identifiers look like, so whatever stands in the column becomes one",
                "Write their form, such as pattern = '[0-9]{8}', or pattern = \"any\" where they may be anything",
            )
    elif patient.pattern != ANY:
        regex(patient.pattern, ("patient", "pattern"), problems)
    check_type(patient.type, ("patient", "type"), problems)
    check_cell(patient, ("patient",), problems)
    _systems(mapping, problems)
    if patient.crosswalk is not None and patient.column is not None:
        problems.add(
            ("patient", "crosswalk"),
            "a column names the patient, so there is nothing to look up",
            "Take column out where it is no identifier, or take [patient.crosswalk] out",
        )
    nobody = (
        patient.crosswalk is None
        and patient.column is None
        and mapping.device.column is None
        and mapping.device.fixed is None
    )
    if nobody and problems.known(("patient", "column"), ("device",)):
        problems.add(
            ("patient", "column"),
            "no column names the patient, and no device is known to ask associations",
            'Add column = "..." here, or [device] with column or fixed',
        )


def _systems(mapping: Mapping, problems: Problems) -> None:
    """The table for exports with patients of several identifier systems."""
    patient = mapping.patient
    if patient.systems is None:
        return
    base: Path = ("patient", "systems")
    if patient.column is None and problems.known(("patient", "column")):
        problems.add(base, "no column names the patient, so no column can say whose identifier it is", "Take it out")
    if patient.subject == "reference":
        problems.add(
            ("patient", "subject"),
            "a reference to Patient/id holds no identifier system, so [patient.systems] would be lost",
            'Write subject = "identifier", or take [patient.systems] out',
        )
    known = {patient.system: (patient.authority, patient.type)}
    for text, each in patient.systems.values.items():
        path: Path = (*base, "values", text)
        if known.setdefault(each.system, (each.authority, each.type)) != (each.authority, each.type):
            problems.add(
                (*path, "system"),
                "the same system stands in this mapping with another authority or type",
                "Give both the same authority and type, or correct the system",
            )
        trimmed(text, path, problems)
        check_uri(each.system, (*path, "system"), problems)
        check_type(each.type, (*path, "type"), problems)
