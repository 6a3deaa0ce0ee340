"""Taking records back: what was sent is marked as wrong, and its sets wait to be recorded rightly.

Retractions are a run of their own with a result folder of its own, and the right records are the run after it: they
are delivered in this order, and a crash between the two leaves sets that wait, which is no harm.
"""

from __future__ import annotations

import json
import tomllib
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Literal, NamedTuple, TypeAlias, cast

from gateway.conversion.options import time_of_change
from gateway.decisions.again import Again, Owner, Place, of_mappings
from gateway.decisions.base import Anew, Decision, Effect, Plan
from gateway.errors import LedgerError, OutputError, UsageError
from gateway.identity import load_associations
from gateway.ledger.rows import HoldRow, KnownSet, PastRun, RunInfo, SetFilter
from gateway.mapping.model import FhirOutput, OruOutput
from gateway.records.fhir import Container
from gateway.records.output import Stage, output_error
from gateway.records.retraction import (
    devices_in,
    last_sent,
    messages_in,
    observations_in,
    record_of,
    retracted_batch,
    retracted_bundle,
    retracted_message,
    set_of,
)
from gateway.verify.fhir import FhirVerifier
from gateway.verify.oru import OruVerifier
from gateway.version import VERSION

if TYPE_CHECKING:
    from gateway.ledger import Ledger, OutboxKind, Run
    from gateway.mapping import LoadedMapping

Reason = Literal["wrong-patient", "error"]
Targets: TypeAlias = "tuple[tuple[str, OutboxKind], ...]"

_MESSAGES = 1_000
"""Messages in one batch file."""
_CODES: dict[Reason, Literal["W", "D"]] = {"wrong-patient": "W", "error": "D"}


@dataclass(frozen=True, kw_only=True)
class Retract(Decision):
    """Recorded sets are taken back; they are held from then on, or recorded anew where that is possible.

    Attributes:
        which: the sets.
        reason: `wrong-patient` gives OBX-11 W, `error` D; FHIR records become entered-in-error in both cases.
        associations: file of who was on which device, with which they are recorded anew.
    """

    name: ClassVar[str] = "retract"

    which: SetFilter
    reason: Reason = "error"
    associations: Path | None = None

    def check(self, ledger: Ledger, mapping: LoadedMapping | None) -> Plan:
        """See `Decision.check`."""
        found = recorded_sets(ledger, self.which, self.where)
        taken = Taking(self, ledger, found, self.reason, at_once=mapping is not None)
        if self.associations is not None:
            again = Again(ledger, mapping, self.where)
            now = owners_by_associations(ledger, again, found, self.associations)
            taken.effect.moved = sum(now[each.identity] not in (None, owner_of(each)) for each in found)
            taken.effect.kept = sum(now[each.identity] == owner_of(each) for each in found)
            if taken.anew is not None:
                taken.anew.associations = self.associations
        return taken


def recorded_sets(ledger: Ledger, which: SetFilter, where: str) -> list[KnownSet]:
    """The recorded sets that a decision is about.

    Raises:
        UsageError: there are none.
    """
    found = list(ledger.sets(which))
    if not found:
        raise UsageError("No recorded set fits", where=where, todo="See gateway trace, or choose them in another way")
    return found


def owner_of(known: KnownSet) -> Owner:
    """Whom a set is recorded for."""
    return known.patient, known.patient_system


def place_of(known: KnownSet) -> Place:
    """Where a set begins."""
    return Place(known.export_id, known.block, known.line)


def owners_by_associations(
    ledger: Ledger, again: Again, found: Sequence[KnownSet], associations: Path
) -> dict[bytes, Owner | None]:
    """Whose each set is by export and associations now; None for nobody's."""
    owners: dict[bytes, Owner | None] = {}
    for made_with, sets in of_mappings(ledger, found).items():
        loaded = again.mapping(*made_with)
        known = load_associations(associations, loaded.mapping)
        now = again.understood(loaded, dict.fromkeys(map(place_of, sets)), known)
        for each in sets:
            then = now.get(place_of(each))
            owners[each.identity] = then.owner if then is not None and then.usable else None
    return owners


class Taking(Plan):
    """Sets are taken back, and wait for whom they are given to.

    Args:
        decision: whose they are, for the audit trail.
        ledger: the ledger.
        found: the sets, at least one.
        reason: why.
        owners: identity of a set -> whom it goes to; without it the set waits for nobody yet.
        at_once: whether they are to be recorded anew at once.
    """

    def __init__(
        self,
        decision: Decision,
        ledger: Ledger,
        found: Sequence[KnownSet],
        reason: Reason,
        owners: Mapping[bytes, Owner] | None = None,
        *,
        at_once: bool,
    ) -> None:
        self.decision = decision
        self.found = found
        self.owners = owners
        self.reason = reason
        self.number = 0
        self._sent = sent = _Sent(ledger, found)
        self.effect = Effect(
            sets=len(found),
            observations=sent.count,
            messages=len(sent.messages),
            patients=len({owner_of(each) for each in found}),
            devices=Counter(each.device for each in found),
            first=min(each.epoch for each in found),
            last=max(each.epoch for each in found),
        )
        if at_once:
            forms = {(records, group.container) for records, group in sent.forms}
            if len(forms) != 1:
                raise UsageError(
                    "The sets were recorded in different forms",
                    where=decision.where,
                    todo="Choose those of one run at a time, or leave --mapping out: the next runs record them",
                )
            records, container = forms.pop()
            lines = {(each.export_id, each.line) for each in found}
            self.anew = Anew(records, container, sent.all_targets(), lines)

    def carry_out(self, ledger: Ledger, out: Path | None) -> None:
        """See `Plan.carry_out`."""
        assert out is not None
        self.effect.folder = out / "retracted"
        self.number = self._write(ledger, self.effect.folder)

    def entered(self, run: Run) -> None:
        """Enter the decision as a whole in the audit trail, and what else belongs into the same transaction."""
        run.add_audit(self.decision.who, self.decision.name, f"run {run.id}", self.decision.why, self.detail())

    def detail(self) -> dict[str, object]:
        """What the audit trail says of the decision as a whole."""
        effect = self.effect
        told: dict[str, object] = {
            "sets": effect.sets,
            "observations": effect.observations,
            "messages": effect.messages,
            "reason": self.reason,
        }
        return told if effect.moved is None else {**told, "moved": effect.moved}

    def recorded(self, ledger: Ledger) -> None:
        """Note in the audit trail which set took the place of a retracted one."""
        if self.owners is not None:
            return
        anew: dict[str, dict[str, object]] = {}
        for before in self.found:
            for now in ledger.at_line(before.export_sha256, before.line).sets:
                if now.state == "recorded" and now.run > self.number and now.export_id == before.export_id:
                    detail = {"retracted": before.identity.hex(), "recorded": now.identity.hex(), "run": now.run}
                    anew[f"set {before.identity.hex()}"] = detail
        ledger.add_audits(self.decision.who, "record anew", self.decision.why, anew)

    def _write(self, ledger: Ledger, folder: Path) -> int:
        """Write the retractions and note them in the ledger, all of it or nothing; the number of the run."""
        last = self._sent.runs[self.found[-1].run]
        at = datetime.now(UTC)
        stage = Stage(folder)
        try:
            with ledger.run(_info(ledger, last, at)) as run:
                queued: dict[Targets, list[str]] = {}
                for name, data, targets in _files(ledger, self._sent, self.reason, at):
                    queued.setdefault(targets, []).append(name)
                    path = stage.folder / name
                    path.parent.mkdir(exist_ok=True)
                    path.write_bytes(data)
                    stage.written([name])
                    run.add_content(name, data)
                self._note(run)
                made = self.decision
                told = {
                    **dict(self.effect.words()), "who": made.who, "why": made.why, "reason": self.reason, "run": run.id
                }  # fmt: skip
                (stage.folder / "retraction.json").write_text(json.dumps(told, indent=2, ensure_ascii=False) + "\n")
                stage.seal(run.token)
                for targets, names in queued.items():
                    run.queue(targets, names)
                run.prepare(stage.folder, folder, json.dumps({"retracted": len(self.found)}))
                stage.commit()
                run.finish()
                return run.id
        except OutputError:
            stage.discard()
            raise
        except OSError as error:
            stage.discard()
            raise output_error(error, folder) from error
        except BaseException:
            stage.discard()
            raise

    def _note(self, run: Run) -> None:
        run.retract([each.identity for each in self.found], self.reason)
        by_export: dict[int, list[HoldRow]] = {}
        for each in self.found:
            vitals = [part.partition("=")[0] for part in each.readings.split(";")]
            by_export.setdefault(each.export_id, []).append(
                HoldRow(
                    each.block,
                    each.line,
                    each.device,
                    each.epoch,
                    each.identity,
                    "retracted-before",
                    ",".join(vitals),
                    len(vitals),
                )
            )
        for export, rows in by_export.items():
            run.add_holds(export, rows)
        given = self.owners or {}
        run.decide_holds({each.identity: given.get(each.identity) for each in self.found})
        made = self.decision
        self.entered(run)
        each_one = {f"set {each.identity.hex()}": {"reason": self.reason, "run": run.id} for each in self.found}
        run.add_audits(made.who, made.name, made.why, each_one)


class _Group(NamedTuple):
    """Sets whose retractions can stand in one file: made with one mapping, in one form."""

    mapping_sha256: str
    container: Container


class _Sent:
    """Everything that was recorded of some sets, in the order in which it was."""

    def __init__(self, ledger: Ledger, found: Sequence[KnownSet]) -> None:
        wanted = {known.identity.hex() for known in found}
        self.revisions = {known.identity.hex(): known.revision for known in found}
        self.runs = {run.id: run for run in ledger.runs()}
        files: dict[tuple[int, str], None] = {}
        own_files: dict[str, list[tuple[int, str]]] = {}
        for known in found:
            versions = [*ledger.history(known.identity), known] if known.revision > 1 else [known]
            for version in versions:
                own = [(version.run, name) for name in (version.fhir, version.oru) if name]
                files.update(dict.fromkeys(own))
                own_files.setdefault(known.identity.hex(), []).extend(own)
        self.groups: dict[str, _Group] = {}
        self.forms: set[tuple[str, _Group]] = set()
        for known in found:
            made_by = self.runs[known.run]
            choice = json.loads(made_by.options)
            group = _Group(made_by.mapping_sha256, choice["bundle"])
            self.groups[known.identity.hex()] = group
            self.forms.add((choice["records"], group))
        self.observations: list[bytes] = []
        self.devices: dict[bytes, None] = {}
        self.messages: dict[str, list[str]] = {}
        for run, name in sorted(files):
            data = ledger.content(run, name)
            if name.startswith("oru/"):
                for message in messages_in(data):
                    if set_of(message) in wanted:
                        self.messages.setdefault(set_of(message), []).append(message)
            else:
                self.observations += [each for each in observations_in(data) if record_of(each)[0] in wanted]
                self.devices.update(dict.fromkeys(devices_in(data)))
        self.count = len({record_of(each) for each in self.observations})
        queued = ledger.queued_for(files.keys())
        self._targets = {
            identity: sorted({target for file in own for target in queued.get(file, ())})
            for identity, own in own_files.items()
        }

    def targets(self, identity: str, kinds: Sequence[str]) -> Targets:
        """The targets that a set (32 hex digits) was recorded for, of these kinds."""
        return cast("Targets", tuple(target for target in self._targets[identity] if target[1] in kinds))

    def all_targets(self) -> Targets:
        """The targets of all sets, each once."""
        return cast("Targets", tuple(dict(sorted(set().union(*self._targets.values()))).items()))


def _info(ledger: Ledger, run: PastRun, at: datetime) -> RunInfo:
    return RunInfo(
        mapping_sha256=run.mapping_sha256,
        mapping_title=run.mapping_title,
        mapping_version=run.mapping_version,
        namespace=run.namespace,
        mapping_text=ledger.mapping_text(run.mapping_sha256),
        gateway=VERSION,
        options=run.options,
        associations_sha256="",
        started=at,
    )


def _files(ledger: Ledger, sent: _Sent, reason: Reason, at: datetime) -> Iterator[tuple[str, bytes, Targets]]:
    """The files of retractions, verified, by name; each goes to exactly the targets that its sets were sent to."""
    fhir = oru = 0
    for group in dict.fromkeys(sent.groups.values()):
        # As plain TOML: a mapping of long ago need not pass the checks of today.
        output = tomllib.loads(ledger.mapping_text(group.mapping_sha256)).get("output", {})
        for data, targets in _bundles(sent, group, output.get("fhir", {}), at):
            fhir += 1
            suffix = "observations.ndjson" if group.container == "ndjson" else "bundle.json"
            yield f"fhir/0000-00000-{fhir:04d}.{suffix}", data, targets
        verifier = OruVerifier(output.get("oru", {}).get("version", OruOutput().version))
        for some, targets in _batches(sent, group, reason, at):
            oru += 1
            name = f"0000-00000-{oru:04d}"
            text = retracted_batch(some, name, time_of_change(at)[1])
            for problem in (*verifier.messages(some), *verifier.batch(text, some)):
                raise _unverified(problem.what)
            yield f"oru/{name}.hl7", text.encode(), targets


def _bundles(sent: _Sent, group: _Group, fhir: Mapping[str, Any], at: datetime) -> Iterator[tuple[bytes, Targets]]:
    """Retractions of FHIR records."""
    limit = fhir.get("bundle_limit", FhirOutput().bundle_limit)
    verifier = FhirVerifier(fhir.get("profile") == "us-core")
    # The last version of each record counts, and the records of one set stay together.
    by_set: dict[str, dict[str, bytes]] = {}
    for resource in sent.observations:
        identity, key = record_of(resource)
        if sent.groups[identity] == group:
            by_set.setdefault(identity, {})[key] = resource
    records: dict[Targets, list[list[bytes]]] = {}
    for identity, own in by_set.items():
        records.setdefault(sent.targets(identity, ("fhir",)), []).append(list(own.values()))
    for targets, sets in records.items():
        for some in _grouped(sets, limit):
            data = retracted_bundle(
                some,
                container=group.container,
                devices=list(sent.devices),
                recorded=time_of_change(at)[0],
                gateway_version=VERSION,
                provenance=fhir.get("provenance", True),
            )
            for problem in verifier.lines(data) if group.container == "ndjson" else verifier.bundle(data):
                raise _unverified(problem.what)
            yield data, targets


def _batches(sent: _Sent, group: _Group, reason: Reason, at: datetime) -> Iterator[tuple[list[str], Targets]]:
    """Retractions of messages, as many as a batch file holds."""
    dtm = time_of_change(at)[1]
    messages: dict[Targets, list[str]] = {}
    for identity, versions in sent.messages.items():
        if sent.groups[identity] == group:
            message = retracted_message(last_sent(versions), _CODES[reason], dtm, revision=sent.revisions[identity])
            messages.setdefault(sent.targets(identity, ("oru", "batch")), []).append(message)
    for targets, several in messages.items():
        for start in range(0, len(several), _MESSAGES):
            yield several[start : start + _MESSAGES], targets


def _grouped(sets: Iterable[list[bytes]], limit: int) -> Iterator[list[bytes]]:
    """Records of several sets, as many as a bundle holds beside its devices and Provenance."""
    group: list[bytes] = []
    count = 0
    for records in sets:
        # Each set may bring a device of its own, and a time of that device.
        if group and len(group) + len(records) + 2 * (count + 1) + 1 > limit:
            yield group
            group, count = [], 0
        group += records
        count += 1
    if group:
        yield group


def _unverified(what: str) -> LedgerError:
    return LedgerError(
        f"The retractions could not be verified: {what}",
        todo="Nothing was written; this is a fault of the gateway, please report it",
    )
