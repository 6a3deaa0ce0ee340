"""Taking records back: what was sent is marked as wrong, and its sets wait to be recorded rightly.

Retractions are a run of their own with a result folder of its own, and the right records are the run after it: they
are delivered in this order, and a crash between the two leaves sets that wait, which is no harm.
"""

from __future__ import annotations

import json
import tomllib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal, TypeAlias, cast

from gateway.conversion.batch import Batch, convert
from gateway.conversion.options import time_of_change
from gateway.errors import LedgerError, OutputError, UsageError
from gateway.identity import load_associations
from gateway.identity.associations import Associations
from gateway.ledger import open_ledger
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
from gateway.records.verify_fhir import FhirVerifier
from gateway.records.verify_oru import OruVerifier
from gateway.version import VERSION

if TYPE_CHECKING:
    from gateway.ledger import Ledger, OutboxKind, Recovered, Run

Reason = Literal["wrong-patient", "error"]
Targets: TypeAlias = "tuple[tuple[str, OutboxKind], ...]"

_MESSAGES = 1_000
"""Messages in one batch file."""
_CODES: dict[Reason, Literal["W", "D"]] = {"wrong-patient": "W", "error": "D"}


@dataclass(slots=True)
class Retraction:
    """What a retraction takes back, or would take back.

    Attributes:
        sets: sets concerned.
        observations: FHIR Observations marked as entered in error.
        messages: HL7 v2 messages sent again as wrong or deleted.
        patients: how many patients are concerned.
        devices: device -> sets.
        first: time of the oldest set, seconds since 1970-01-01T00:00:00Z.
        last: time of the newest.
        moved: sets that the associations give to another patient; None where none were given.
        kept: sets that they give to the same patient as before.
        folder: where the retractions are; None for a dry run.
        anew: the run that recorded the sets anew, if a mapping was given.
    """

    sets: int = 0
    observations: int = 0
    messages: int = 0
    patients: int = 0
    devices: Counter[str] | None = None
    first: int = 0
    last: int = 0
    moved: int | None = None
    kept: int | None = None
    folder: Path | None = None
    anew: Batch | None = None

    def words(self) -> list[tuple[str, str]]:
        """The same as names and texts; patients are counted and not named."""
        rows = [
            ("sets", f"{self.sets:,}, of {self.patients:,} {'patient' if self.patients == 1 else 'patients'}"),
            ("devices", ", ".join(f"{device or '(none)'} {count:,}" for device, count in (self.devices or {}).items())),
            ("from", _time(self.first)),
            ("to", _time(self.last)),
            ("FHIR", f"{self.observations:,} Observations become entered-in-error" if self.observations else ""),
            ("HL7 v2", f"{self.messages:,} messages are sent again as wrong or deleted" if self.messages else ""),
        ]
        if self.moved is not None and self.kept is not None:
            waiting = self.sets - self.moved - self.kept
            rows.append(("associations", f"{self.moved:,} sets go to another patient, {self.kept:,} to the same as "
                         f"before and stay held, {waiting:,} to nobody and wait"))  # fmt: skip
        if self.folder is not None:
            rows.append(("retractions", str(self.folder)))
        if self.anew is not None and self.anew.report.batch.holds is not None:
            holds = self.anew.report.batch.holds
            rows.append(("recorded anew", f"{holds.released:,} sets, in {self.anew.folder}"))
            rows.append(("waiting", f"{holds.open:,} holds are open in the ledger"))
        return rows


def retract(
    where: str | Path,
    which: SetFilter,
    out: Path | None,
    *,
    who: str,
    why: str,
    reason: Reason = "error",
    mapping: str | Path | None = None,
    associations: str | Path | None = None,
    dry_run: bool = False,
    wait: float = 0.0,
    recovered: Callable[[Sequence[Recovered]], None] | None = None,
) -> Retraction:
    """Take back what was recorded of some sets, and record them anew where that is possible.

    Args:
        where: the ledger.
        which: the sets.
        out: folder for `retracted` and, with a mapping, `recorded`; it must be new or empty.
        who: who decided it, for the audit trail.
        why: the reason they gave.
        reason: `wrong-patient` gives OBX-11 W, `error` D; FHIR records become entered-in-error in both cases.
        mapping: the mapping with which the sets are taken up at once; None leaves them held.
        associations: who was on which device, for the same.
        dry_run: only say what would happen.
        wait: seconds to wait for another run that uses the ledger.
        recovered: told of the runs that had been cut off and were completed when the ledger was opened, if any.

    Raises:
        GatewayError: nothing fits, or the ledger or folder cannot be used; nothing is changed.
    """
    known = load_associations(associations) if associations is not None else None
    with open_ledger(where, wait=wait, create=False, readonly=dry_run) as ledger:
        if recovered is not None and ledger.recovered:
            recovered(ledger.recovered)
        found = list(ledger.sets(which))
        if not found:
            raise UsageError(
                "No recorded set fits", where="gateway retract", todo="See gateway trace, or choose them in another way"
            )
        sent = _Sent(ledger, found)
        result = _effect(found, sent, known)
        if dry_run:
            return result
        if out is None:
            raise UsageError("No folder was named", where="gateway retract", todo="Name one with --out")
        result.folder = out / "retracted"
        number = _write(ledger, found, sent, result.folder, who, why, reason, result)
    if mapping is not None:
        result.anew = convert(
            [], mapping, out / "recorded", as_=sent.records_as, bundle=sent.container, associations=associations,
            ledger=where, wait=wait, targets=sent.all_targets(),
        )  # fmt: skip
        _link(where, found, number, who, why, wait)
    return result


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
        choices = [json.loads(self.runs[known.run].options) for known in found]
        forms = {(choice["records"], choice["bundle"]) for choice in choices}
        if len(forms) != 1:
            raise UsageError(
                "The sets were recorded in different forms",
                where="gateway retract",
                todo="Retract those of one run at a time, with --run",
            )
        self.records_as, container = forms.pop()
        self.container: Container = cast(Container, container)
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


def _effect(found: Sequence[KnownSet], sent: _Sent, known: Associations | None) -> Retraction:
    result = Retraction(
        sets=len(found),
        observations=sent.count,
        messages=len(sent.messages),
        patients=len({(each.patient_system, each.patient) for each in found}),
        devices=Counter(each.device for each in found),
        first=min(each.epoch for each in found),
        last=max(each.epoch for each in found),
    )
    if known is not None:
        now = [(known.find(each.device, each.epoch, 60), each.patient) for each in found]
        result.moved = sum(not answer.rule and answer.patient != patient for answer, patient in now)
        result.kept = sum(not answer.rule and answer.patient == patient for answer, patient in now)
    return result


def _write(
    ledger: Ledger,
    found: Sequence[KnownSet],
    sent: _Sent,
    folder: Path,
    who: str,
    why: str,
    reason: Reason,
    result: Retraction,
) -> int:
    """Write the retractions and note them in the ledger, all of it or nothing; the number of the run."""
    last = sent.runs[found[-1].run]
    at = datetime.now(UTC)
    stage = Stage(folder)
    try:
        with ledger.run(_info(ledger, last, at)) as run:
            queued: dict[Targets, list[str]] = {}
            for name, data, targets in _files(ledger, sent, last, reason, at):
                queued.setdefault(targets, []).append(name)
                path = stage.folder / name
                path.parent.mkdir(exist_ok=True)
                path.write_bytes(data)
                stage.written([name])
                run.add_content(name, data)
            _note(run, found, who, why, reason, result)
            told = {**dict(result.words()), "who": who, "why": why, "reason": reason, "run": run.id}
            (stage.folder / "retraction.json").write_text(json.dumps(told, indent=2, ensure_ascii=False) + "\n")
            stage.seal(run.token)
            for targets, names in queued.items():
                run.queue(targets, names)
            run.prepare(stage.folder, folder, json.dumps({"retracted": len(found)}))
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


def _files(
    ledger: Ledger, sent: _Sent, run: PastRun, reason: Reason, at: datetime
) -> Iterator[tuple[str, bytes, Targets]]:
    """The files of retractions, verified, by name; each goes to exactly the targets that its sets were sent to."""
    # As plain TOML: a mapping of long ago need not pass the checks of today.
    output = tomllib.loads(ledger.mapping_text(run.mapping_sha256)).get("output", {})
    fhir = output.get("fhir", {})
    limit = fhir.get("bundle_limit", FhirOutput().bundle_limit)
    verifier = FhirVerifier(fhir.get("profile") == "us-core")
    instant, dtm = time_of_change(at)
    # The last version of each record counts, and the records of one set stay together.
    by_set: dict[str, dict[str, bytes]] = {}
    for resource in sent.observations:
        identity, key = record_of(resource)
        by_set.setdefault(identity, {})[key] = resource
    records: dict[Targets, list[list[bytes]]] = {}
    for identity, own in by_set.items():
        records.setdefault(sent.targets(identity, ("fhir",)), []).append(list(own.values()))
    groups = ((targets, group) for targets, sets in records.items() for group in _grouped(sets, limit))
    for part, (targets, group) in enumerate(groups, start=1):
        data = retracted_bundle(
            group,
            container=sent.container,
            devices=list(sent.devices),
            recorded=instant,
            gateway_version=VERSION,
            provenance=fhir.get("provenance", True),
        )
        ndjson = sent.container == "ndjson"
        for problem in verifier.lines(data) if ndjson else verifier.bundle(data):
            raise _unverified(problem.what)
        suffix = "observations.ndjson" if ndjson else "bundle.json"
        yield f"fhir/0000-00000-{part:04d}.{suffix}", data, targets
    messages: dict[Targets, list[str]] = {}
    for identity, versions in sent.messages.items():
        message = retracted_message(last_sent(versions), _CODES[reason], dtm, revision=sent.revisions[identity])
        messages.setdefault(sent.targets(identity, ("oru", "batch")), []).append(message)
    oru = OruVerifier(output.get("oru", {}).get("version", OruOutput().version))
    batches = (
        (targets, several[at_once : at_once + _MESSAGES])
        for targets, several in messages.items()
        for at_once in range(0, len(several), _MESSAGES)
    )
    for part, (targets, some) in enumerate(batches, start=1):
        name = f"0000-00000-{part:04d}"
        text = retracted_batch(some, name, dtm)
        for problem in (*oru.messages(some), *oru.batch(text, some)):
            raise _unverified(problem.what)
        yield f"oru/{name}.hl7", text.encode(), targets


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


def _note(run: Run, found: Sequence[KnownSet], who: str, why: str, reason: Reason, result: Retraction) -> None:
    run.retract([each.identity for each in found], reason)
    by_export: dict[int, list[HoldRow]] = {}
    for each in found:
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
    detail = {
        "sets": len(found),
        "observations": result.observations,
        "messages": result.messages,
        "reason": reason,
    }
    run.add_audit(who, "retract", f"run {run.id}", why, detail)
    each_one = {f"set {each.identity.hex()}": {"reason": reason, "run": run.id} for each in found}
    run.add_audits(who, "retract", why, each_one)


def _link(where: str | Path, found: Sequence[KnownSet], number: int, who: str, why: str, wait: float) -> None:
    """Note in the audit trail which set took the place of a retracted one."""
    with open_ledger(where, wait=wait, create=False) as ledger:
        anew: dict[str, dict[str, object]] = {}
        for before in found:
            for now in ledger.at_line(before.export_sha256, before.line).sets:
                if now.state == "recorded" and now.run > number:
                    detail = {"retracted": before.identity.hex(), "recorded": now.identity.hex(), "run": now.run}
                    anew[f"set {before.identity.hex()}"] = detail
        ledger.add_audits(who, "record anew", why, anew)


def _unverified(what: str) -> LedgerError:
    return LedgerError(
        f"The retractions could not be verified: {what}",
        todo="Nothing was written; this is a fault of the gateway, please report it",
    )


def _time(epoch: int) -> str:
    return datetime.fromtimestamp(epoch, UTC).strftime("%Y-%m-%d %H:%M UTC")
