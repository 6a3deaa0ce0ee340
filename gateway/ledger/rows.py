"""What goes into the ledger and what comes out of it, as plain rows."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Literal, NamedTuple, TypeAlias


class RunInfo(NamedTuple):
    """What a run is made with.

    Attributes:
        mapping_sha256: hash of the mapping's text, hexadecimal.
        mapping_title: its title.
        mapping_version: its version.
        namespace: the namespace its sources are named in.
        mapping_text: the whole text, kept so that a held set can be converted again as it was then.
        gateway: version of the program.
        options: what the run was asked for, as JSON; `received` in it says when its exports were received
            (ISO 8601), where that was said.
        associations_sha256: hash of the list of associations, "" when there was none.
        started: when the run began, with a zone.
    """

    mapping_sha256: str
    mapping_title: str
    mapping_version: str
    namespace: str
    mapping_text: str
    gateway: str
    options: str
    associations_sha256: str
    started: datetime


class SetRow(NamedTuple):
    """One set of which something was recorded.

    Attributes:
        identity: digest of the source identity, 16 bytes.
        block: number of the block of the export it stood in.
        line: line of its first entry, from 1 (of framed exports: byte offset).
        device: identifier of the device, "" when there is none.
        epoch: the recorded time in seconds since 1970-01-01T00:00:00Z.
        patient: identifier of the patient.
        patient_system: the system the identifier belongs to.
        sequence: the monitor's own number of the entry, "" when it is not mapped.
        content: digest of the set's texts, 8 bytes.
        readings: canonical text of the recorded readings; opaque here.
        rules: slugs of the rules that touched it, separated by commas.
        keys: keys of its FHIR records, separated by commas; "" when there are none.
        fhir: name of the result file with its FHIR records, "" when there is none.
        oru: name of the result file with its HL7 v2 message, "" when there is none.
        status: "final", "preliminary" or "corrected".
        wall: the time that the device's own clock printed, as seconds since 1970-01-01T00:00:00 of that clock.
        chain: names the measurement, 16 bytes: the identity of the first set of it; None stands for its own.
        how: how its patient was established: "column", "scan", "association", "person", "merge", "" for not known.
    """

    identity: bytes
    block: int
    line: int
    device: str
    epoch: int
    patient: str
    patient_system: str
    sequence: str
    content: bytes
    readings: str
    rules: str
    keys: str
    fhir: str
    oru: str
    status: str
    wall: int = 0
    chain: bytes | None = None
    how: str = ""


class KnownSet(NamedTuple):
    """A set as the ledger holds it: the columns of `SetRow`, and where and when it was recorded.

    Attributes:
        export_id: the export it came from.
        export_sha256: hash of that export.
        run: the run that recorded this revision.
        recorded_at: when that run began (UTC).
        state: "recorded" or "retracted".
        revision: 1 for the first, then one more for each revision.
    """

    identity: bytes
    block: int
    line: int
    device: str
    epoch: int
    patient: str
    patient_system: str
    sequence: str
    content: bytes
    readings: str
    rules: str
    keys: str
    fhir: str
    oru: str
    status: str
    wall: int
    chain: bytes | None
    how: str
    export_id: int
    export_sha256: str
    run: int
    recorded_at: datetime
    state: str
    revision: int


class Standing(NamedTuple):
    """What the ledger holds at a place: as much of a set as tells whether, and for whom, it was recorded before.

    Attributes:
        reason: why it was retracted, "" when it was not; the others as in `KnownSet`.
    """

    identity: bytes
    device: str
    wall: int
    patient: str
    patient_system: str
    how: str
    sequence: str
    content: bytes
    readings: str
    keys: str
    chain: bytes | None
    run: int
    recorded_at: datetime
    state: str
    reason: str
    revision: int
    status: str
    epoch: int


class OlderVersion(NamedTuple):
    """What a set was before a run changed it.

    Attributes:
        replaced_run: the run that replaced it; the others as in `KnownSet`.
    """

    replaced_run: int
    readings: str
    keys: str
    status: str
    state: str


class Sighting(NamedTuple):
    """A repeat: this line of an export said a set again."""

    line: int
    identity: bytes


class HoldRow(NamedTuple):
    """A set, or a line that is not even a set, of which something was held.

    Attributes:
        block: number of the block of the export it stands in.
        line: its first line, from 1 (of framed exports: byte offset).
        device: identifier of the device, "" when there is none.
        epoch: seconds since 1970-01-01T00:00:00Z, None when the time is not known.
        identity: digest of the source identity, None when it has none.
        reasons: slugs of the rules that hold it, separated by commas.
        vitals: slugs of the vitals held, separated by commas.
        readings: how many readings are held.
        said: all readings of the set for whoever decides, as JSON; opaque here.
    """

    block: int
    line: int
    device: str
    epoch: int | None
    identity: bytes | None
    reasons: str
    vitals: str
    readings: int
    said: str = ""


class Hold(NamedTuple):
    """A hold as the ledger keeps it.

    Attributes:
        state: "open", "released", "repeat" or "discarded".
        opened_run: the run that held it first.
        opened_at: when that run began (UTC).
        closed_run: the run that closed it, None while it is open or when a person discarded it.
        closed_at: when it was closed (UTC), None while it is open.
        action: what was decided: "", "assign", "confirm", "discard" or "retracted".
        patient: the identifier that was assigned, or "".
        patient_system: the system it belongs to, "" for that of the mapping.
        said: all readings of the set as they were understood when it was held, as JSON (see `HoldRow`).
    """

    id: int
    block: int
    line: int
    device: str
    epoch: int | None
    identity: bytes | None
    reasons: str
    vitals: str
    readings: int
    export_id: int
    export_sha256: str
    mapping_title: str
    namespace: str
    opened_run: int
    opened_at: datetime
    state: str
    closed_run: int | None
    closed_at: datetime | None
    action: str
    patient: str
    mapping_sha256: str
    patient_system: str
    said: str


class HoldCounts(NamedTuple):
    """Holds in numbers.

    Attributes:
        holds: how many.
        readings: readings in them.
        by_reason: holds by rule; a hold with two reasons counts under both.
        by_device: holds by device.
        by_days: holds by their age in whole days.
    """

    holds: int
    readings: int
    by_reason: Mapping[str, int]
    by_device: Mapping[str, int]
    by_days: Mapping[int, int]


class StoredBlock(NamedTuple):
    """A stretch of an export, kept because something of it is held; `data` is as the caller packed it.

    `received` says when the run that read the export first received it, in seconds since 1970-01-01T00:00:00Z.
    """

    export_id: int
    export_sha256: str
    number: int
    data: bytes
    received: int


class KnownExport(NamedTuple):
    """An export the ledger has seen."""

    id: int
    sha256: str
    size: int
    lines: int
    form: str
    first_run: int
    first_seen: datetime


class PastRun(NamedTuple):
    """A run as it was; `state` is "written" until its result is in place, then "done"."""

    id: int
    token: str
    state: str
    mapping_sha256: str
    mapping_title: str
    mapping_version: str
    namespace: str
    gateway: str
    options: str
    associations_sha256: str
    started: datetime
    written: datetime | None
    finished: datetime | None
    stage: str
    target: str
    counts: str


OutboxKind: TypeAlias = Literal["fhir", "oru", "batch"]
"""What a target is sent: FHIR bundles, single HL7 v2 messages, or whole batch files of them."""


SETTLED_FROM: Mapping[str, tuple[str, ...]] = {
    "park": ("waiting",),
    "release": ("parked",),
    "skip": ("waiting", "parked"),
    "replay": ("delivered", "parked", "skipped"),
}
"""What a person can decide about an item, and the states it must be in. What is true of something that was superseded
or cancelled, another item tells."""


class OutboxItem(NamedTuple):
    """Something to be sent to a target, and what became of it.

    Attributes:
        id: its number; items of one target are sent in this order.
        target: what the site calls the target.
        owner: who looks after the target, "" when that was not said.
        kind: "fhir", "oru" or "batch".
        run: the run that recorded it.
        name: the record file it is in.
        part: number of the message in the file, from 0; 0 for a whole file.
        queued: when it was put here (UTC).
        state: "waiting", "delivered", "parked", "superseded" (a later version takes its place), "cancelled" (taken back
            before it could have reached the target) or "skipped" (a person left it out).
        attempts: how often it was tried.
        tried: when it was last tried (UTC), None before that.
        settled: when its state became what it is (UTC), None while it waits.
        code: status or acknowledgement of the last attempt, "" before that.
        message: what became of the last attempt, in words without identifiers.
        detail: as JSON, what became of those entries of a bundle that were not delivered; "" for none.
        only: the sets it is about (32 hex digits each, separated by commas), "" for all in that part of the file.
        without: sets there that it is not about, likewise.
        form: "" as it was recorded, "again" once more, "whole" or "first" the whole set as it is now; see `chains`.
        reached: 1 when it may have reached the target.
        split: 0, or the number of the piece that was divided from the item of the same place.
        answered: how often the target refused it for now.
    """

    id: int
    target: str
    owner: str
    kind: str
    run: int
    name: str
    part: int
    queued: datetime
    state: str
    attempts: int
    tried: datetime | None
    settled: datetime | None
    code: str
    message: str
    detail: str
    only: str
    without: str
    form: str
    reached: int
    split: int
    answered: int


class Waiting(NamedTuple):
    """An item of the outbox that waits, with its bytes as they were recorded; the other fields as in `OutboxItem`."""

    id: int
    kind: str
    run: int
    name: str
    part: int
    queued: datetime
    attempts: int
    data: bytes
    only: str = ""
    without: str = ""
    form: str = ""
    reached: int = 0
    split: int = 0
    answered: int = 0


class OutboxCount(NamedTuple):
    """How many items of a target are in one state; `oldest` is when the first of them was queued (UTC)."""

    target: str
    owner: str
    kind: str
    state: str
    items: int
    oldest: datetime


class Stopped(NamedTuple):
    """A target that a person has stopped: why, who, and when (UTC)."""

    why: str
    who: str
    at: datetime


class SentPart(NamedTuple):
    """What became of some sets of an item.

    Attributes:
        sets: their identities, 32 hex digits each.
        verdict: "delivered", "parked", or "later" for what waits on.
        code: what the target answered.
        message: the same in words without identifiers.
        detail: as JSON, what became of entries of a bundle.
        reached: whether they may have reached the target.
        answered: whether the target itself refused them for now.
    """

    sets: tuple[str, ...]
    verdict: Literal["delivered", "parked", "later"]
    code: str
    message: str
    detail: str = ""
    reached: bool = True
    answered: bool = False


class AuditEntry(NamedTuple):
    """One entry of the audit trail; `hash` covers everything in it and `previous`, the hash of the entry before."""

    id: int
    at: datetime
    who: str
    action: str
    subject: str
    why: str
    detail: str
    previous: bytes
    hash: bytes


class AtLine(NamedTuple):
    """What became of one line of an export."""

    sets: list[KnownSet]
    holds: list[Hold]
    sightings: list[Sighting]


class Recovered(NamedTuple):
    """A run that was cut off between writing and moving its result, and what was done about it on opening.

    Attributes:
        run: its id.
        target: where the result is now, or should be.
        how: "in place" (it had been moved), "moved", "made again" (from the ledger), or "" when it could not be done.
        problem: why it could not be done; the next opening tries again.
    """

    run: int
    target: str
    how: str
    problem: str


@dataclass(frozen=True, slots=True)
class HoldFilter:
    """Which holds; a field left out does not narrow the choice. `state` None means any."""

    ids: Collection[int] | None = None
    reason: str | None = None
    device: str | None = None
    older_than: datetime | None = None
    namespace: str | None = None
    mapping_title: str | None = None
    state: str | None = "open"


@dataclass(frozen=True, slots=True)
class SetFilter:
    """Which sets; a field left out does not narrow the choice. `since` is inclusive, `until` exclusive."""

    identities: Collection[bytes] | None = None
    device: str | None = None
    since: int | None = None
    until: int | None = None
    mapping_sha256: str | None = None
    mapping_version: str | None = None
    mapping_title: str | None = None
    patient: str | None = None
    patient_system: str | None = None
    run: int | None = None
    state: str | None = "recorded"


@dataclass(frozen=True, slots=True)
class OutboxFilter:
    """Which items of the outbox; a field left out does not narrow the choice.

    `since` (inclusive) and `until` (exclusive) are about the time at which they were queued.
    """

    ids: Collection[int] | None = None
    target: str | None = None
    run: int | None = None
    state: str | None = None
    since: datetime | None = None
    until: datetime | None = None
