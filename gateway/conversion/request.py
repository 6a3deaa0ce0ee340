"""What a conversion is asked for, refused where it cannot be done."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, cast

from gateway.conversion.options import Options, RecordsAs, Verify, Watch, time_of_change
from gateway.errors import UsageError
from gateway.mapping import Mapping
from gateway.records.fhir import Container

if TYPE_CHECKING:
    from gateway.ledger import OutboxKind, Recovered

_WORDS = {
    "as_": ("--as", ("fhir", "oru", "both")),
    "bundle": ("--bundle", ("transaction", "collection", "ndjson")),
    "verify": ("--verify", ("sample", "full")),
}


EXPORT_SECONDS = 1800.0
"""How long one export may take, where nothing else is said: long enough for some ten million sets."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """The arguments of `gateway.convert`, which says what each of them means."""

    exports: Sequence[str | Path]
    mapping: str | Path
    out: str | Path
    as_: str
    bundle: str
    associations: str | Path | None
    workers: int
    verify: str
    received: datetime | None
    sent: datetime | None
    identifiers: bool
    replace: bool
    ledger: str | Path | None
    wait: float
    targets: Sequence[tuple[str, str]]
    progress: Callable[[int, int], None] | None
    recovered: Callable[[Sequence[Recovered]], None] | None
    watch: Watch | None
    only: Collection[tuple[int, int]] | None
    export_seconds: float

    def check(self) -> None:
        """Refuse what no mapping could make good.

        Raises:
            UsageError: so it is.
        """
        for key, (name, allowed) in _WORDS.items():
            value = getattr(self, key)
            if value not in allowed:
                raise UsageError(f"{name} does not know {value!r}", todo=f"Choose one of {', '.join(allowed)}")
        if self.workers < 1:
            raise UsageError("--workers must be at least 1", todo="Leave it out to use one process")
        if self.watch is not None and self.workers > 1:
            raise UsageError("Sets can be watched in one process only", where="workers", todo="Leave workers out")
        for name, time in (("--received", self.received), ("--sent", self.sent)):
            if time is not None and time.tzinfo is None:
                raise UsageError(f"{name} has no zone", todo="Add an offset, such as 2026-03-14T09:30:00-05:00")

    def check_with(self, mapping: Mapping) -> None:
        """Refuse what does not go with the mapping.

        Raises:
            UsageError: so it is.
        """
        age, clock = mapping.time.age, mapping.time.clock
        given = age.anchor == "given" if age is not None else clock is not None and clock.reference == "given"
        # A held set brings with it when its list was sent.
        if given != (self.sent is not None) and not (self.only is not None and self.sent is None):
            what = "needs --sent, the time at which the list was sent" if self.sent is None else "does not use --sent"
            todo = (
                "See reference in [time.clock] of the mapping" if clock else "See anchor in [time.age] of the mapping"
            )
            raise UsageError(f"The mapping {what}", where=str(self.mapping), todo=todo)
        if mapping.patient.column is None and self.associations is None and self.only is None:
            crosswalk = mapping.patient.crosswalk is not None
            raise UsageError(
                "The mapping knows patients by a crosswalk, and none was given"
                if crosswalk
                else "The mapping reads no patient from the export, and no associations were given",
                where=str(self.mapping),
                todo=f"Name the {'crosswalk' if crosswalk else 'list of associations'} with --associations",
            )

    def queued(self) -> list[tuple[str, OutboxKind]]:
        """The targets for which records are put into the ledger's outbox.

        Raises:
            UsageError: this conversion does not make what they take, or there is no ledger, or it cannot be used so.
        """
        if self.ledger is not None and self.replace:
            raise UsageError(
                "With --ledger a result is never replaced: its records may have been sent",
                where="--replace",
                todo="Name a new folder with --out",
            )
        if self.targets and self.ledger is None:
            raise UsageError("Records are sent by way of a ledger, and none was given", todo="Name one with --ledger")
        names = [name for name, _ in self.targets]
        for name, kind in self.targets:
            where = f"target {name}"
            if kind not in ("fhir", "oru", "batch"):
                raise UsageError(f"There is no kind of target {kind!r}", where=where, todo="Choose fhir, oru or batch")
            if not name.strip() or names.count(name) > 1:
                raise UsageError("Each target needs a name of its own", where=where, todo="Give it another name")
            made = "fhir" if kind == "fhir" else "oru"
            if self.as_ not in (made, "both"):
                raise UsageError(
                    f"It takes {'FHIR' if made == 'fhir' else 'HL7 v2'}, and no such records are made",
                    where=where,
                    todo=f"Convert with --as {made} or --as both, or leave the target out",
                )
            if kind == "fhir" and self.bundle != "transaction":
                raise UsageError(
                    f"It takes transaction bundles, and the records are made as {self.bundle}",
                    where=where,
                    todo="Convert with --bundle transaction, or leave the target out",
                )
        return [(name, cast("OutboxKind", kind)) for name, kind in self.targets]

    def options(self, started: datetime) -> Options:
        """What every process of the conversion needs to know of it.

        Args:
            started: when it began.
        """
        received, remember = self.received, self.ledger is not None
        changed = time_of_change(started) if remember else ("", "")
        return Options(
            records_as=cast(RecordsAs, self.as_),
            bundle=cast(Container, self.bundle),
            verify=cast(Verify, self.verify),
            received=int((received or started).timestamp()),
            received_fhir=received.isoformat(timespec="seconds") if received else "",
            received_dtm=received.strftime("%Y%m%d%H%M%S%z") if received else "",
            changed_fhir=changed[0],
            changed_dtm=changed[1],
            sent=self.sent,
            remember=remember,
            seconds=self.export_seconds,
        )
