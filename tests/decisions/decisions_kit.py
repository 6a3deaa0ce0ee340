"""What the tests of decisions share: a ward with a ledger, and what can be decided about it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gateway.conversion.batch import Batch
from gateway.decisions import Action, Decision, Effect, Merge, Move, Retract, Settle, decide
from gateway.ledger import Hold, HoldFilter, KnownSet, SetFilter, open_ledger
from tests.conversion.conversion_kit import WIDE, WIDE_HEADER, run

CHECKED = WIDE.replace('pattern = "any"', "pattern = '[A-Z]\\d+'", 1)
"""The kit's mapping, with a form that patients' identifiers have."""

SYSTEMS = WIDE.replace(
    "[device]",
    """authority = "HOME"

[patient.systems]
column = "Issuer"

[patient.systems.values."HOME"]
system = "https://kit.example.org/patients"
authority = "HOME"

[patient.systems.values."AWAY"]
system = "https://away.example.org/patients"
authority = "AWAY"

[device]""",
    1,
)
"""The kit's mapping, with patients of two systems."""

WHO, WHY = "N. Ole", "checked at the bed"
TARGETS = (("ehr", "fhir"), ("lab", "oru"))


@dataclass
class Ward:
    """A folder with a ledger, and what is done with it."""

    folder: Path
    place: str
    mapping: str = CHECKED
    turn: int = 0

    @property
    def mapping_file(self) -> Path:
        path = self.folder / "ward.toml"
        path.write_text(self.mapping)
        return path

    def out(self) -> Path:
        self.turn += 1
        return self.folder / f"out-{self.turn}"

    def convert(self, *rows: str, header: str = WIDE_HEADER, mapping: str = "", **options: Any) -> Batch:
        """Convert an export of these rows; without rows, only what is held is looked at."""
        out = self.out()
        exports = []
        if rows:
            exports = [self.folder / f"{out.name}.csv"]
            exports[0].write_text("\n".join([header, *rows, ""]))
        given = {"as_": "both", "targets": TARGETS, **options}
        return run(self.folder, exports, mapping or self.mapping, out.name, ledger=self.place, **given)

    def decide(self, decision: Decision, *, now: bool = False, dry_run: bool = False) -> Effect:
        out = None if dry_run else self.out()
        return decide(self.place, decision, mapping=self.mapping_file if now else None, out=out, dry_run=dry_run)

    def settle(self, action: Action, *holds: int, patient: str = "", system: str = "", **options: Any) -> Effect:
        return self.decide(
            Settle(action=action, which=HoldFilter(ids=holds), patient=patient, system=system, who=WHO, why=WHY),
            **options,
        )

    def move(self, which: SetFilter, patient: str = "", system: str = "", **options: Any) -> Effect:
        associations = options.pop("associations", None)
        return self.decide(
            Move(which=which, patient=patient, system=system, associations=associations, who=WHO, why=WHY), **options
        )

    def retract(self, which: SetFilter, **options: Any) -> Effect:
        return self.decide(Retract(which=which, reason="wrong-patient", who=WHO, why=WHY), **options)

    def merge(self, text: str, name: str = "merged.csv", **options: Any) -> Effect:
        path = self.folder / name
        path.write_text(text)
        return self.decide(Merge(merges=path, who=WHO, why=WHY), **options)

    def sets(self, state: str | None = "recorded") -> list[KnownSet]:
        with open_ledger(self.place, readonly=True) as ledger:
            return list(ledger.sets(SetFilter(state=state)))

    def patients(self) -> list[tuple[str, str]]:
        """Who has what now: patient, and the readings as the ledger says them."""
        return sorted((each.patient, each.readings) for each in self.sets())

    def holds(self) -> list[Hold]:
        with open_ledger(self.place, readonly=True) as ledger:
            return ledger.holds()

    def audit(self) -> list[tuple[str, str, str, str]]:
        with open_ledger(self.place, readonly=True) as ledger:
            assert ledger.verify_audit() is None
            return [(each.who, each.action, each.subject.partition(" ")[0], each.why) for each in ledger.audit()]

    def queue(self, target: str) -> list[tuple[int, str]]:
        """The run and file of everything put into the outbox for a target, in order."""
        with open_ledger(self.place, readonly=True) as ledger:
            return [(item.run, item.name) for item in ledger.outbox() if item.target == target]

    def owners(self) -> dict[tuple[int, int], set[str]]:
        """By (export, line): the patients for whom its measurement is current."""
        found: dict[tuple[int, int], set[str]] = {}
        for each in self.sets():
            found.setdefault((each.export_id, each.line), set()).add(each.patient)
        return found


def told(effect: Effect) -> dict[str, Any]:
    """The figures of an effect: what a dry run and the run must say alike."""
    names = ("holds", "readings", "sets", "observations", "messages", "patients", "devices", "first", "last", "moved",
             "kept", "waiting", "merged")  # fmt: skip
    return {name: getattr(effect, name) for name in names}


def counted(values: Sequence[str]) -> dict[str, int]:
    return dict(Counter(values))
