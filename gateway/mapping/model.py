"""The mapping file as a typed model: how one kind of export is read.

The file is TOML. Unknown keys are errors. Nothing here has a clinical default: a unit, a zone, a token or a label
that the file does not name is held, never guessed. `gateway.mapping.loader` reads a file and names the line of
every mistake; `gateway check --schema` prints the JSON Schema made from these classes. Each table stands in a module of
its own, with what is said of mistakes in it (`gateway.mapping.tables`, `gateway.mapping.forms`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal

from pydantic import Field

from gateway.mapping import forms
from gateway.mapping.table import FormTable, Table, Text, Words
from gateway.mapping.tables.category import Category, PatientCategory
from gateway.mapping.tables.line import Line
from gateway.mapping.tables.numbers import Numbers
from gateway.mapping.tables.output import FhirOutput, OruOutput, Output
from gateway.mapping.tables.parties import Device, Identified
from gateway.mapping.tables.patient import Patient, PatientSystem, PatientSystems
from gateway.mapping.tables.plausibility import Band, Plausibility
from gateway.mapping.tables.qualifiers import Qualifier
from gateway.mapping.tables.time import Age, Clock, Memory, Time
from gateway.mapping.tables.vitals import Absent, AbsentReason, Method, Quality, Site, VitalSource

if TYPE_CHECKING:
    from gateway.mapping.forms.delimited import Delimited
    from gateway.mapping.forms.framed import Framed
    from gateway.mapping.forms.listing import Listing

__all__ = [
    "Absent", "AbsentReason", "Age", "Band", "Category", "Clock", "Device", "FhirOutput", "Identified", "Line",
    "Mapping", "Memory", "Method", "Numbers", "OruOutput", "Output", "Patient", "PatientCategory", "PatientSystem",
    "PatientSystems", "Plausibility", "Qualifier", "Quality", "Site", "Time", "VitalSource",
]  # fmt: skip


class Mapping(Table):
    """One mapping file."""

    stand_ins: ClassVar[dict[tuple[str, ...], Any]] = {
        ("title",): "-",
        ("version",): "-",
        ("form",): "delimited",
        ("namespace",): "urn:uuid:00000000-0000-4000-8000-000000000000",
        ("vitals",): {"heart_rate": {"column": "-", "unit": "/min"}},
    }
    hints: ClassVar[dict[tuple[str, ...], str]] = {
        ("title",): 'title = "Ward monitors, north wing"',
        ("version",): 'version = "1"',
        ("form",): "form = " + ", ".join(f'"{form}"' for form in forms.tables()),
        ("namespace",): 'namespace = "https://hospital.example/spot-check"',
        ("vitals",): "one table such as [vitals.heart_rate] for each vital in the export",
    }

    title: Words
    version: Words
    if TYPE_CHECKING:
        form: str
    else:
        form: Literal[tuple(forms.tables())] = Field(description="form of export")
    namespace: Text = Field(description="URI under which this site's record identifiers are unique")
    if TYPE_CHECKING:
        # Those that other modules ask for by name; an adapter asks for `table`.
        delimited: Delimited | None = None
        framed: Framed | None = None
        listing: Listing | None = None
    else:
        # One table for each form of export that there is.
        for _form, _model in forms.tables().items():
            __annotations__[_form] = _model | None
            vars()[_form] = Field(default=None, description=f"for the form {_form}")
        del _form, _model
    line: Line = Field(default=Line(), description="serial line, for gateway capture")
    numbers: Numbers = Numbers()
    time: Time
    patient: Patient
    device: Device = Device()
    operator: Identified = Identified()
    location: Identified = Identified()
    encounter: Identified = Identified()
    memory: Memory = Field(default=Memory())
    corrections: Literal["hold", "accept"] = Field(
        default="hold",
        description="with a ledger: a set that was recorded before and comes again with other values is held, or "
        "corrects what was recorded",
    )
    sequence: Text | Annotated[list[Text], Field(min_length=1, max_length=4)] | None = Field(
        default=None, description="column with the monitor's own record number, part of the identity; or several"
    )
    category: PatientCategory = PatientCategory()
    mode: Qualifier = Qualifier()
    cuff: Qualifier = Qualifier()
    position: Qualifier = Qualifier()
    notes: list[Text] = Field(default=[], description="free-text columns carried as notes")
    vitals: dict[str, VitalSource] = Field(min_length=1)
    absent: dict[str, AbsentReason | Absent] = Field(
        default={}, description='tokens that mean absent, for every vital; "" is a blank cell'
    )
    rules: dict[str, Literal["hold", "flag", "note", "off"]] = Field(
        {}, description="effect of a rule, where it may be set"
    )
    plausibility: Plausibility = Plausibility()
    output: Output = Output()

    @property
    def table(self) -> FormTable | None:
        """The table of its own form; None when it is missing."""
        found: FormTable | None = getattr(self, self.form)
        return found

    @property
    def long(self) -> bool:
        """Whether one row is one reading, and consecutive rows make a set."""
        return self.delimited is not None and self.delimited.layout == "long"

    @property
    def sequences(self) -> tuple[str, ...]:
        """The columns with the monitor's own record number, in their order."""
        return (self.sequence,) if isinstance(self.sequence, str) else tuple(self.sequence or ())

    @property
    def encoding(self) -> str:
        """Name of the codec of the export's text."""
        return self.table.encoding if self.table is not None else "utf-8"
