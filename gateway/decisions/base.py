"""What a decision is: who decides what, and why; checked first, told in a dry run, carried out in one transaction."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from gateway.conversion.batch import Batch, convert
from gateway.conversion.options import load_mapping, need_words
from gateway.errors import UsageError
from gateway.ledger import open_ledger
from gateway.records.fhir import Container

if TYPE_CHECKING:
    from gateway.ledger import Ledger, OutboxKind, Recovered
    from gateway.mapping import LoadedMapping


@dataclass(slots=True)
class Effect:
    """What a decision does, or would do.

    Attributes:
        holds: holds settled, or given to another patient.
        readings: readings in the holds that are settled.
        sets: recorded sets taken back.
        observations: FHIR Observations marked as entered in error.
        messages: HL7 v2 messages sent again as wrong or deleted.
        patients: how many patients they were recorded for.
        devices: device -> sets taken back.
        first: time of the oldest of them, seconds since 1970-01-01T00:00:00Z; None for none.
        last: time of the newest.
        moved: sets that go to another patient; None where nothing was said about that.
        kept: sets that stay with the same patient.
        left: whether those are left alone, or taken back and held.
        merged: identifiers newly known as merged; None where it is not about merges.
        folder: where the retractions are; None for a dry run, and where nothing is taken back.
        anew: the run that recorded the sets anew, if a mapping was given.
    """

    holds: int = 0
    readings: int = 0
    sets: int = 0
    observations: int = 0
    messages: int = 0
    patients: int = 0
    devices: Counter[str] = field(default_factory=Counter)
    first: int | None = None
    last: int | None = None
    moved: int | None = None
    kept: int = 0
    left: bool = False
    merged: int | None = None
    folder: Path | None = None
    anew: Batch | None = None

    @property
    def waiting(self) -> int:
        """Sets that are taken back and go to nobody: they wait."""
        return self.sets - (self.moved or 0) - (0 if self.left else self.kept)

    def words(self) -> list[tuple[str, str]]:
        """The same as names and texts; patients are counted and not named."""
        rows = []
        if self.merged is not None:
            rows.append(("merged", _counted(self.merged, "identifier", "identifiers") + " anew"))
        rows.append(("sets", f"{self.sets:,}, of {_counted(self.patients, 'patient', 'patients')}"))
        if self.first is not None and self.last is not None:
            rows += [
                ("devices", ", ".join(f"{device or '(none)'} {count:,}" for device, count in self.devices.items())),
                ("from", _time(self.first)),
                ("to", _time(self.last)),
                ("FHIR", _some(self.observations, "Observation becomes", "Observations become", "entered-in-error")),
                ("HL7 v2", _some(self.messages, "message is", "messages are", "sent again as wrong or deleted")),
            ]
        if self.moved is not None:
            kept = _counted(self.kept, "stays where it is", "stay where they are") if self.left else (
                _counted(self.kept, "to the same as before and stays held", "to the same as before and stay held")
            )  # fmt: skip
            moved = _counted(self.moved, "set goes to another patient", "sets go to another patient")
            waiting = _counted(self.waiting, "to nobody and waits", "to nobody and wait")
            rows.append(("patients", f"{moved}, {kept}, {waiting}"))
        if self.holds:
            rows.append(("holds", _counted(self.holds, "goes", "go") + " to the surviving patient"))
        if self.folder is not None:
            rows.append(("retractions", str(self.folder)))
        if self.anew is not None and self.anew.report.batch.holds is not None:
            holds = self.anew.report.batch.holds
            rows.append(("recorded anew", f"{_counted(holds.released, 'set', 'sets')}, in {self.anew.folder}"))
            rows.append(("waiting", _counted(holds.open, "hold is", "holds are") + " open in the ledger"))
        return rows


@dataclass(slots=True)
class Anew:
    """How sets that were taken back are recorded at once.

    Attributes:
        records: "fhir", "oru" or "both", as they were recorded.
        bundle: how their FHIR records were held together.
        targets: the targets that they were sent to, name and kind.
        sets: (export, line) of each, as the ledger numbers them.
        associations: who was on which device; None where the patients are known.
    """

    records: str
    bundle: Container
    targets: Sequence[tuple[str, OutboxKind]]
    sets: Collection[tuple[int, int]]
    associations: Path | None = None


class Plan(ABC):
    """A decision that was checked, and what it comes to.

    Attributes:
        effect: what it does.
        anew: how its sets are recorded at once when a mapping was named; None when they wait for the next run.
    """

    effect: Effect
    anew: Anew | None = None

    @abstractmethod
    def carry_out(self, ledger: Ledger, out: Path | None) -> None:
        """Do it, all of it or nothing, with its entries in the audit trail.

        Args:
            ledger: the same as it was checked against, not let go of in between.
            out: folder for what is taken back, None where nothing is.
        """

    def recorded(self, ledger: Ledger) -> None:
        """Note what has to be noted when the sets were recorded anew."""
        return


@dataclass(frozen=True, kw_only=True)
class Decision(ABC):
    """Who decides, and why; both go into the audit trail.

    Attributes:
        who: who decides.
        why: the reason in words, without identifiers.
        where: where the decision was made, for errors.
    """

    name: ClassVar[str]

    who: str
    why: str
    where: str = ""

    @abstractmethod
    def check(self, ledger: Ledger, mapping: LoadedMapping | None) -> Plan:
        """Check it against the ledger, and against the mapping that it will be carried out with.

        Args:
            ledger: nothing is written to it.
            mapping: None for the mappings that the ledger keeps.

        Raises:
            UsageError: it cannot be carried out, and why.
        """


def decide(
    where: str | Path,
    decision: Decision,
    *,
    mapping: str | Path | None = None,
    out: Path | None = None,
    dry_run: bool = False,
    wait: float = 0.0,
    recovered: Callable[[Sequence[Recovered]], None] | None = None,
) -> Effect:
    """Check a decision and carry it out.

    Args:
        where: the ledger, file or URL.
        decision: the decision.
        mapping: the mapping it is carried out with; what it takes back is recorded anew with it at once. None: with the
            mappings of the ledger, by the next run.
        out: folder for `retracted` and `recorded`, new or empty; for decisions that take something back.
        dry_run: only check it and say what it would do.
        wait: seconds to wait for another run that uses the ledger.
        recovered: told of the runs that had been cut off and were completed when the ledger was opened, if any.

    Raises:
        UsageError: it cannot be carried out; nothing is changed.
        GatewayError: the ledger, mapping or folder cannot be used.
    """
    need_words(decision.who, "--who")
    need_words(decision.why, "--why")
    loaded = load_mapping(mapping) if mapping is not None else None
    with open_ledger(where, wait=wait, create=False, readonly=dry_run) as ledger:
        if recovered is not None and ledger.recovered:
            recovered(ledger.recovered)
        plan = decision.check(ledger, loaded)
        effect = plan.effect
        if dry_run:
            return effect
        if effect.sets and out is None:
            raise UsageError("No folder was named", where=decision.where, todo="Name one with --out")
        plan.carry_out(ledger, out)
    anew = plan.anew
    if mapping is not None and anew is not None and out is not None:
        effect.anew = convert(
            [], mapping, out / "recorded", as_=anew.records, bundle=anew.bundle, associations=anew.associations,
            ledger=where, wait=wait, targets=anew.targets, only=anew.sets,
        )  # fmt: skip
        with open_ledger(where, wait=wait, create=False) as ledger:
            plan.recorded(ledger)
    return effect


def _some(count: int, one: str, several: str, what: str) -> str:
    return f"{_counted(count, one, several)} {what}" if count else ""


def _counted(count: int, one: str, several: str) -> str:
    return f"{count:,} {one if count == 1 else several}"


def _time(epoch: int) -> str:
    return datetime.fromtimestamp(epoch, UTC).strftime("%Y-%m-%d %H:%M UTC")
