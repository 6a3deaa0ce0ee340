"""What a conversion is asked for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from gateway.records.fhir import Container

RecordsAs = Literal["fhir", "oru", "both"]
Verify = Literal["sample", "full"]


@dataclass(frozen=True, slots=True)
class Options:
    """What a conversion is asked for, as far as a block needs to know.

    Attributes:
        records_as: FHIR, HL7 v2 or both.
        bundle: how FHIR records are held together.
        verify: `sample` sends the first record of each shape through the reference libraries, `full` every record.
        received: epoch seconds of receipt for the check of future times; None leaves the check out.
        received_fhir: the time of receipt as a FHIR instant for Provenance, "" when it was not given.
        received_dtm: the same as a v2 DTM for MSH-7.
    """

    records_as: RecordsAs = "fhir"
    bundle: Container = "transaction"
    verify: Verify = "sample"
    received: int | None = None
    received_fhir: str = ""
    received_dtm: str = ""
