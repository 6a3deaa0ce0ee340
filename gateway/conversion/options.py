"""The choices made for a conversion, and what every block of it needs to know."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal, TypeAlias

from gateway.checks import effects, rules
from gateway.errors import UsageError
from gateway.identity.associations import Associations
from gateway.mapping import LoadedMapping, load
from gateway.model import Effect
from gateway.normalise.clocks import Dump, Older
from gateway.once import Patient
from gateway.records.fhir import Container

if TYPE_CHECKING:
    from gateway.conversion.understanding import Candidate

RecordsAs = Literal["fhir", "oru", "both"]
Verify = Literal["sample", "full"]
Watch: TypeAlias = Callable[[int, Sequence["Candidate"]], None]


@dataclass(frozen=True, slots=True)
class Options:
    """Choices made for one run.

    Attributes:
        records_as: FHIR, HL7 v2 or both.
        bundle: how FHIR records are held together.
        verify: `sample` sends the first record of each shape through the reference libraries, `full` every record.
        received: epoch seconds of receipt for the check of future times; None leaves the check out.
        received_fhir: the time of receipt as a FHIR instant for Provenance, "" when it was not given.
        received_dtm: the same as a v2 DTM for MSH-7.
        changed_fhir: when the run began, as a FHIR instant: what it changes of earlier records changed then. "" for a
            run without a ledger, which changes nothing.
        changed_dtm: the same as a v2 DTM.
        sent: when the lists of the exports were sent, for ages and clocks; None when it was not given.
        remember: gather what the ledger is to know of each set.
        seconds: how long one export may take.
    """

    records_as: RecordsAs = "fhir"
    bundle: Container = "transaction"
    verify: Verify = "sample"
    received: int | None = None
    received_fhir: str = ""
    received_dtm: str = ""
    changed_fhir: str = ""
    changed_dtm: str = ""
    sent: datetime | None = None
    remember: bool = False
    seconds: float = math.inf


@dataclass(frozen=True, slots=True)
class Job:
    """One run as every process of it knows it.

    Attributes:
        loaded: the mapping.
        options: choices made.
        associations: who was on which device, or None.
        folder: where record files go.
        older: (export, list) -> which of its entries are from before a clock was set, for mappings with a clock.
        merged: patients (system, identifier) whose identifiers were merged -> who stands for them.
        watch: is shown the sets of an export (its number, from 1) when what becomes of them is settled.
    """

    loaded: LoadedMapping
    options: Options
    associations: Associations | None
    folder: Path
    older: Mapping[tuple[int, Dump], Older] = field(default_factory=dict)
    watch: Watch | None = None
    merged: Mapping[Patient, Patient] = field(default_factory=dict)

    @property
    def change(self) -> int:
        """Seconds within which people do not change places on a device; 0 when that is of no interest."""
        mapping = self.loaded.mapping
        off = effects(mapping)["patients-close-together"] is Effect.OFF
        return 0 if off else mapping.device.change_seconds


def time_of_change(at: datetime) -> tuple[str, str]:
    """A time with its zone as a FHIR instant and as a v2 DTM, to the millisecond: versions may follow in a second."""
    instant = at.isoformat(timespec="milliseconds")
    return instant, at.strftime(f"%Y%m%d%H%M%S.{at.microsecond // 1000:03d}%z")


def load_mapping(path: str | Path, *, earlier: bool = False) -> LoadedMapping:
    """Load a mapping and check it against the rules there are.

    Args:
        path: the file; a text with line ends in it is the mapping itself.
        earlier: it was used by an earlier version of the program, and a ledger keeps it as it was.

    Raises:
        MappingError: with every mistake at its line.
    """
    known = rules()
    adjustable = {
        slug: ("hold", "note", "off") if rule.unusual else ("hold", "flag", "note", "off")
        for slug, rule in known.items()
        if rule.adjustable
    }
    return load(path, known_rules=tuple(known), adjustable_rules=adjustable, earlier=earlier)


def need_words(text: str, where: str) -> None:
    """Refuse an empty name or reason of a decision.

    Raises:
        UsageError: there is nothing in it.
    """
    if not text.strip():
        raise UsageError("this must not be empty", where=where, todo="It goes into the audit trail")
