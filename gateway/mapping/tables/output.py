"""The table [output]: what the records look like."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from gateway.mapping.problems import Problems, quoted
from gateway.mapping.table import Table, Text

if TYPE_CHECKING:
    from gateway.mapping.model import Mapping


class FhirOutput(Table):
    """Choices for FHIR R4 output."""

    profile: Literal["base", "us-core"] = "base"
    panel: bool = Field(default=False, description="add a vital-signs panel 85353-1 with hasMember for each set")
    provenance: bool = True
    bundle_limit: int = Field(default=500, ge=1, le=10000, description="entries in one bundle")


class OruOutput(Table):
    """Choices for HL7 v2 output."""

    version: Literal["2.5.1", "2.6"] = "2.5.1"
    sending_application: Text = "SPOTCHECK"
    sending_facility: str = ""
    receiving_application: str = ""
    receiving_facility: str = ""
    processing: Literal["P", "T", "D"] = "P"
    first_code: Literal["loinc", "mdc"] = Field(default="loinc", description="which triplet leads in OBX-3")
    orc: bool = False
    profile_identifier: str = Field(default="", description="MSH-21, an EI such as name^namespace^oid^ISO")
    patient_class: Literal["E", "I", "O", "P", "R", "B", "C", "N", "U"] = "U"


class Output(Table):
    """What the records look like."""

    status: Literal["final", "preliminary"] = "preliminary"
    failed: Literal["omit", "record"] = Field(
        default="omit", description="tried and failed measurements: leave out or record"
    )
    mark_questionable: bool = Field(default=True, description="flagged readings carry an interpretation (OBX-8 in v2)")
    keep_original: bool = Field(default=False, description="a note with the exported text and unit of converted values")
    fhir: FhirOutput = FhirOutput()
    oru: OruOutput = OruOutput()


def check(mapping: Mapping, problems: Problems) -> None:
    """Note what is wrong with the table."""
    oru = mapping.output.oru
    for name in ("sending_application", "sending_facility", "receiving_application", "receiving_facility"):
        text: str = getattr(oru, name)
        if len(text.splitlines()) > 1 or "|" in text:
            problems.add(
                ("output", "oru", name),
                f"{quoted(text)} cannot stand in a field of MSH",
                "Write one line without |; parts of the field are separated by ^",
            )
    if oru.profile_identifier and (len(oru.profile_identifier.split("^")) > 4 or "|" in oru.profile_identifier):
        problems.add(
            ("output", "oru", "profile_identifier"),
            "an entity identifier has at most four parts",
            "Write name^namespace^oid^ISO",
        )
