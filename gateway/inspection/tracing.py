"""The way of a record back to its line in an export, and of a line forward to its records."""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from gateway.checks import rules
from gateway.conversion.remembering import unpacked
from gateway.errors import InputError, UsageError
from gateway.ledger import open_ledger
from gateway.normalise.times import fixed_offset, zone_for
from gateway.records.retraction import messages_in, set_of

if TYPE_CHECKING:
    from gateway.ledger import Hold, KnownSet, Ledger

_IDENTITY = re.compile(r"(?:Observation/)?([0-9a-f]{32})(?:[.-][a-z0-9_-]+)?", re.ASCII)
_CONTROL = re.compile(r"[0-9A-F]{20}", re.ASCII)


@dataclass(slots=True)
class Step:
    """One part of a trace: a heading, and names with texts."""

    title: str
    rows: list[tuple[str, str]] = field(default_factory=list)


def back(where: str | Path, record: str, *, verbatim: bool = False) -> list[Step]:
    """Trace a record back to its line.

    Args:
        where: the ledger.
        record: identifier or id of an Observation, filler number (OBR-3) or control id (MSH-10) of a message.
        verbatim: show the text of the export's lines.

    Returns:
        The steps, newest first; none when the ledger does not know the record.

    Raises:
        UsageError: this cannot be the name of a record.
    """
    match = _IDENTITY.fullmatch(record.strip())
    control = _CONTROL.fullmatch(record.strip())
    if match is None and control is None:
        raise UsageError(
            "This is not the name of a record",
            where="gateway trace",
            todo="Give the identifier of an Observation, OBR-3 or MSH-10 of a message",
        )
    with open_ledger(where, readonly=True) as ledger:
        identity = match[1] if match is not None else _of_control_id(ledger, record.strip())
        known = ledger.find(bytes.fromhex(identity)) if identity else None
        if known is None:
            return []
        return [*_set(ledger, known), *_line(ledger, known.export_sha256, known.export_id, known.block, known.line,
                                             verbatim=verbatim)]  # fmt: skip


def forward(where: str | Path, export: Path, line: int, *, verbatim: bool = False) -> list[Step]:
    """Trace a line of an export forward to what became of it.

    Args:
        where: the ledger.
        export: the file.
        line: first line of an entry, from 1.
        verbatim: show the text of the line.

    Raises:
        InputError: the export cannot be read.
    """
    try:
        sha256 = hashlib.sha256(export.read_bytes()).hexdigest()
    except OSError as error:
        reason = (error.strerror or "it cannot be read").rstrip(".")
        raise InputError(f"The export cannot be read: {reason}", where=str(export), todo="Check the path") from error
    with open_ledger(where, readonly=True) as ledger:
        found = ledger.at_line(sha256, line)
        steps = [step for known in found.sets for step in _set(ledger, known)]
        steps += [_hold(hold) for hold in found.holds]
        for sighting in found.sightings:
            steps.append(Step("Repeat", [("of set", sighting.identity.hex())]))
            known = ledger.find(sighting.identity)
            if known is not None:
                steps += _set(ledger, known)
        places = {(each.export_id, each.block) for each in found.sets}
        places |= {(each.export_id, each.block) for each in found.holds}
        for export_id, block in sorted(places):
            steps += _line(ledger, sha256, export_id, block, line, verbatim=verbatim)
        return steps


def _of_control_id(ledger: Ledger, control: str) -> str:
    """The set of a message, looked for in every message that was written, the newest first."""
    for run in reversed(ledger.runs()):
        for name in ledger.contents(run.id):
            if name.startswith("oru/"):
                data = ledger.content(run.id, name)
                if control.encode() in data:
                    for message in messages_in(data):
                        if message.split("|", 10)[9] == control:
                            return set_of(message)
    return ""


def _set(ledger: Ledger, known: KnownSet) -> Iterator[Step]:
    """A set as it stands, what stood before, and who has touched it."""
    runs = {run.id: run for run in ledger.runs()}
    for version in (known, *reversed(ledger.history(known.identity))):
        run = runs[version.run]
        printed = _printed(ledger.mapping_text(run.mapping_sha256), version)
        state = version.state if version is known else "replaced"
        yield Step(
            f"Set {version.identity.hex()}, revision {version.revision}: {state}",
            [
                ("readings", version.readings.replace(";", "; ")),
                ("records", ", ".join(filter(None, [version.keys, version.fhir, version.oru]))),
                ("status", version.status),
                ("time", datetime.fromtimestamp(version.epoch, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")),
                ("printed by the monitor", printed),
                ("device", version.device),
                ("rules", _rules(version.rules)),
                ("export", f"{version.export_sha256}, line {version.line}"),
                ("run", f"{run.id}, {run.started:%Y-%m-%d %H:%M:%S} UTC, into {run.target}"),
                ("mapping", f"{run.mapping_title}, version {run.mapping_version}, {run.mapping_sha256}"),
                ("gateway", f"version {run.gateway}, {_options(run.options)}"),
                ("associations", run.associations_sha256),
            ],
        )
    for entry in ledger.audit(subject=f"set {known.identity.hex()}"):
        detail = json.loads(entry.detail)
        yield Step(
            f"Audit entry {entry.id}: {entry.action}",
            [
                ("at", entry.at.strftime("%Y-%m-%d %H:%M:%S UTC")),
                ("who", entry.who),
                ("why", entry.why),
                *[(str(name), str(words)) for name, words in sorted(detail.items())],
            ],
        )


def _printed(mapping: str, known: KnownSet) -> str:
    """The time that the monitor's own clock showed, where it is not the recorded one; "" where it is."""
    # As plain TOML: a mapping of long ago need not pass the checks of today.
    time = tomllib.loads(mapping).get("time", {})
    name = str(time.get("zone", "offset-in-text"))
    recorded = datetime.fromtimestamp(known.epoch, UTC)
    if name != "offset-in-text" and "age" not in time:
        recorded = recorded.astimezone(fixed_offset(name) or zone_for(name))
    shown = datetime.fromtimestamp(known.wall, UTC).replace(tzinfo=None)
    return "" if shown == recorded.replace(tzinfo=None) else f"{shown:%Y-%m-%d %H:%M:%S}, by its own clock"


def _hold(hold: Hold) -> Step:
    until = f"{hold.state} {hold.closed_at:%Y-%m-%d %H:%M:%S} UTC" if hold.closed_at is not None else hold.state
    return Step(
        f"Hold {hold.id}: {until}",
        [
            ("vitals", hold.vitals),
            ("held by", _rules(hold.reasons)),
            ("device", hold.device),
            ("opened", f"{hold.opened_at:%Y-%m-%d %H:%M:%S} UTC by run {hold.opened_run}"),
            ("decision", hold.action),
        ],
    )


def _line(ledger: Ledger, sha256: str, export: int, number: int, line: int, *, verbatim: bool) -> Iterator[Step]:
    rows = [("export", sha256), ("line", str(line))]
    if verbatim:
        block, *_ = unpacked(ledger.block(export, number))
        lines = block.text.split("\n")
        at = block.numbers.index(line) if line in block.numbers else line - block.first_line
        if 0 <= at < len(lines):
            rows.append(("text", repr(lines[at])[1:-1]))
    yield Step("Entry", rows)


def _rules(slugs: str) -> str:
    known = rules()
    return "; ".join(f"{slug} ({known[slug].title})" if slug in known else slug for slug in slugs.split(",") if slug)


def _options(text: str) -> str:
    return ", ".join(f"{name} {choice}" for name, choice in sorted(json.loads(text).items()))
