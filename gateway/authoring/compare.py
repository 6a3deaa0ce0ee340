"""What two mappings, or two versions of the gateway, make of the same exports.

Two mappings are compared by line: each is run over the exports, and what became of every reading is laid side by side,
recorded or not. A result that another version left is compared by record, since its folder says nothing of lines; the
report and the findings are compared in sum as well.

Patients, devices and texts of cells are compared, and never shown.
"""

from __future__ import annotations

import csv
import hashlib
import json
import sqlite3
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any, NamedTuple

from gateway import conversion
from gateway.authoring.results import FINDINGS, REPORT, files_in, read
from gateway.conversion.understanding import Candidate
from gateway.errors import InputError
from gateway.mapping import Mapping
from gateway.model import Outcome, Reading
from gateway.vocabulary import panels, vitals

KINDS = ("outcome", "code", "unit", "value", "time", "identity", "beside")
"""What can change about a reading: its outcome, what it is, unit, value, time, whose it is, the rest."""

_NONE = "not read"


class Change(NamedTuple):
    """One thing that changed about one reading.

    Attributes:
        export: position of the export, from 1; 0 when not known.
        line: first line of its set, from 1; 0 when not known.
        vital: key of the vital; "" when the mapping has none for it.
        kind: one of `KINDS`.
        old: what it was, without identifiers.
        new: what it is.
    """

    export: int
    line: int
    vital: str
    kind: str
    old: str
    new: str


@dataclass(slots=True)
class Comparison:
    """What is the same and what is not.

    Attributes:
        exports: how many exports were compared.
        readings: readings of the old and of the new side; compared by record, recorded ones only.
        same: vital -> readings that did not change.
        changed: vital -> readings of which anything changed.
        kinds: (vital, kind) -> readings of which that changed; a reading can count under several.
        outcomes: (vital, old, new) -> readings whose outcome changed.
        changes: the first changes, at most as many as asked for.
        sums: what -> (old, new), for lines, outcomes, findings and records whose counts differ.
        records: kind of record -> (only in the old, only in the new result), compared by content.
    """

    exports: int = 0
    readings: list[int] = field(default_factory=lambda: [0, 0])
    same: Counter[str] = field(default_factory=Counter)
    changed: Counter[str] = field(default_factory=Counter)
    kinds: Counter[tuple[str, str]] = field(default_factory=Counter)
    outcomes: Counter[tuple[str, str, str]] = field(default_factory=Counter)
    changes: list[Change] = field(default_factory=list)
    sums: dict[str, tuple[int, int]] = field(default_factory=dict)
    records: dict[str, tuple[int, int]] = field(default_factory=dict)

    @property
    def differs(self) -> bool:
        """Whether anything differs."""
        return bool(self.changed or self.sums or self.records)

    def as_dict(self) -> dict[str, Any]:
        """The comparison as plain data, for JSON."""
        names = list(dict.fromkeys([*self.same, *self.changed]))
        return {
            "format": "spot-check-gateway-comparison/1",
            "differs": self.differs,
            "exports": self.exports,
            "readings": {"old": self.readings[0], "new": self.readings[1]},
            "vitals": [
                {"vital": name, "same": self.same[name], "changed": self.changed[name]}
                | {kind: self.kinds[name, kind] for kind in KINDS}
                for name in names
            ],
            "outcomes": [
                {"vital": vital, "old": old, "new": new, "readings": count}
                for (vital, old, new), count in sorted(self.outcomes.items())
            ],
            "sums": [{"what": what, "old": old, "new": new} for what, (old, new) in self.sums.items()],
            "records": [{"kind": kind, "only_old": old, "only_new": new} for kind, (old, new) in self.records.items()],
            "changes": [change._asdict() for change in self.changes],
            "changes_not_listed": max(0, self.kinds.total() - len(self.changes)),
        }


@dataclass(frozen=True, slots=True)
class Inputs:
    """What is compared, besides the mappings.

    Attributes:
        exports: as for `gateway.conversion.convert`.
        associations: who was on which device, or None.
        received: when the exports were received.
        sent: when the lists were sent.
        details: how many changes to list.
    """

    exports: Sequence[str | Path]
    associations: str | Path | None = None
    received: datetime | None = None
    sent: datetime | None = None
    details: int = 50


def mappings(old: str | Path, new: str | Path, inputs: Inputs) -> Comparison:
    """Compare what two mappings make of the same exports, line by line.

    Raises:
        GatewayError: a mapping or an export cannot be used.
    """
    with tempfile.TemporaryDirectory(prefix="compare-") as scratch:
        home = Path(scratch)
        found = Comparison()
        with closing(_Shelf(home / "old.db")) as shelf:
            _convert(old, home / "old", inputs, _shelving(conversion.load_mapping(old).mapping, shelf))
            side_by_side = _Against(shelf, found, inputs.details)
            _convert(new, home / "new", inputs, _shelving(conversion.load_mapping(new).mapping, side_by_side))
            side_by_side.finish()
        _in_sum(home / "old", home / "new", found)
        return found


def result(mapping: str | Path, folder: str | Path, inputs: Inputs) -> Comparison:
    """Compare what a mapping makes of exports with the result of the same exports that lies in a folder.

    Raises:
        InputError: the folder holds no result with FHIR records, or one of other exports.
        GatewayError: the mapping or an export cannot be used.
    """
    earlier = Path(folder)
    report = _report(earlier)
    if not any(name.startswith("fhir/") for name in files_in(earlier)):
        raise InputError(
            "the result holds no FHIR records", where=str(folder), todo="Name a result made with --as fhir or --as both"
        )
    with tempfile.TemporaryDirectory(prefix="compare-") as scratch:
        home = Path(scratch)
        lines: dict[str, tuple[int, int]] = {}

        def note(export: int, candidates: Sequence[Candidate]) -> None:
            for candidate in candidates:
                if candidate.item.readings:
                    lines[candidate.item.identity] = (export, candidate.item.line)

        options = report.get("batch", {}).get("options", {})
        bundle = options.get("bundle") if options.get("bundle") in ("transaction", "collection", "ndjson") else "ndjson"
        kinds = options.get("records") if options.get("records") in ("fhir", "both") else "fhir"
        _convert(mapping, home / "new", inputs, note, as_=kinds, bundle=bundle)
        mine = _report(home / "new")
        if _hashes(report) != _hashes(mine):
            raise InputError(
                "the result was made of other exports, or of the same in another order", where=str(folder),
                todo="Name the exports it was made of, in their order",
            )  # fmt: skip
        found = Comparison()
        with closing(_Shelf(home / "old.db")) as shelf:
            for name, rows in _recorded(earlier):
                export, line = lines.get(name.partition(".")[0], (0, 0))
                shelf.take(export, line, name, rows)
            side_by_side = _Against(shelf, found, inputs.details)
            for name, rows in _recorded(home / "new"):
                export, line = lines.get(name.partition(".")[0], (0, 0))
                side_by_side.take(export, line, name, rows)
            side_by_side.finish()
        _in_sum(earlier, home / "new", found)
        return found


def _convert(
    mapping: str | Path,
    out: Path,
    inputs: Inputs,
    watch: Callable[[int, Sequence[Candidate]], None],
    *,
    as_: str = "both",
    bundle: str = "ndjson",
) -> None:
    conversion.convert(
        inputs.exports,
        mapping,
        out,
        as_=as_,
        bundle=bundle,
        associations=inputs.associations,
        received=inputs.received,
        sent=inputs.sent,
        watch=watch,
    )


class _Row(NamedTuple):
    """What is compared of one reading. `whose`, `source` and `text` are digests and never shown."""

    vital: str
    outcome: str
    value: str = ""
    unit: str = ""
    codes: str = ""
    time: str = ""
    patient: str = ""
    device: str = ""
    identity: str = ""
    beside: str = ""
    source: str = ""
    text: str = ""


class _Shelf:
    """Rows of sets on disk, by the place they came from."""

    def __init__(self, path: Path) -> None:
        self._database = sqlite3.connect(path)
        self._database.execute("PRAGMA synchronous = OFF")
        self._database.execute("CREATE TABLE sets (place TEXT PRIMARY KEY, export INT, line INT, rows TEXT) STRICT")

    def take(self, export: int, line: int, place: str, rows: Sequence[_Row]) -> None:
        """Keep the rows of a set."""
        kept = self.pop(place)
        if kept is not None:
            rows = [*kept[2], *rows]
        self._database.execute("INSERT INTO sets VALUES (?, ?, ?, ?)", (place, export, line, json.dumps(rows)))

    def pop(self, place: str) -> tuple[int, int, list[_Row]] | None:
        """The rows of a set, which are forgotten; None when there are none."""
        found = self._database.execute(
            "DELETE FROM sets WHERE place = ? RETURNING export, line, rows", (place,)
        ).fetchone()
        return None if found is None else (found[0], found[1], [_Row(*row) for row in json.loads(found[2])])

    def rest(self) -> Iterator[tuple[int, int, list[_Row]]]:
        """What was never asked for, in the order of the exports."""
        for export, line, rows in self._database.execute("SELECT export, line, rows FROM sets ORDER BY 1, 2, place"):
            yield export, line, [_Row(*row) for row in json.loads(rows)]

    def close(self) -> None:
        """Close the file."""
        self._database.close()


class _Against:
    """Lays the rows of sets beside those on the shelf.

    Args:
        shelf: the old side.
        found: what differs is added to it.
        details: how many changes to list.
    """

    def __init__(self, shelf: _Shelf, found: Comparison, details: int) -> None:
        self._shelf = shelf
        self._found = found
        self._details = details

    def take(self, export: int, line: int, place: str, rows: Sequence[_Row]) -> None:
        """Compare the rows of a set with the old ones of the same place."""
        kept = self._shelf.pop(place)
        self._set(export, line, [] if kept is None else kept[2], list(rows))

    def finish(self) -> None:
        """Tell of the sets that only the old side has."""
        for export, line, rows in self._shelf.rest():
            self._set(export, line, rows, [])
        self._found.changes.sort(key=lambda change: (change.export, change.line))

    def _set(self, export: int, line: int, old: list[_Row], new: list[_Row]) -> None:
        self._found.readings[0] += len(old)
        self._found.readings[1] += len(new)
        for one, other in _paired(old, new):
            changes = _changes(one, other)
            vital = (other or one or _Row("", "")).vital
            if not changes:
                self._found.same[vital] += 1
                continue
            self._found.changed[vital] += 1
            for kind, was, now in changes:
                self._found.kinds[vital, kind] += 1
                if kind == "outcome":
                    self._found.outcomes[vital, was, now] += 1
                if len(self._found.changes) < self._details:
                    self._found.changes.append(Change(export, line, vital, kind, was, now))


def _paired(old: list[_Row], new: list[_Row]) -> Iterator[tuple[_Row | None, _Row | None]]:
    """Readings of one set beside each other: by vital, then by the same text of the same column."""
    for same in (lambda row: row.vital, lambda row: (row.source, row.text) if row.source else None):
        for row in list(new):
            key = same(row)
            match = next((each for each in old if key is not None and same(each) == key), None)
            if match is not None:
                old.remove(match)
                new.remove(row)
                yield match, row
    yield from ((row, None) for row in old)
    yield from ((None, row) for row in new)


def _changes(old: _Row | None, new: _Row | None) -> list[tuple[str, str, str]]:
    if old is None or new is None:
        return [("outcome", old.outcome if old else _NONE, new.outcome if new else _NONE)]
    found: list[tuple[str, str, str]] = []
    if old.outcome != new.outcome:
        found.append(("outcome", old.outcome, new.outcome))
    if old.vital != new.vital or (old.codes != new.codes and old.codes and new.codes and old.unit == new.unit):
        found.append(("code", f"{old.vital or 'no vital'} {old.codes}".rstrip(),
                      f"{new.vital or 'no vital'} {new.codes}".rstrip()))  # fmt: skip
    if old.outcome != new.outcome or old.outcome != Outcome.RECORDED.value:
        return found
    if old.unit != new.unit:
        found.append(("unit", old.unit, new.unit))
    if old.value != new.value:
        found.append(("value", f"{old.value} {old.unit}".rstrip(), f"{new.value} {new.unit}".rstrip()))
    if old.time != new.time:
        found.append(("time", old.time, new.time))
    if old.patient != new.patient:
        found.append(("identity", "one patient", "another patient"))
    elif old.device != new.device:
        found.append(("identity", "one device", "another device"))
    elif old.identity != new.identity and old.time == new.time:
        found.append(("identity", "one record identifier", "another record identifier"))
    if old.beside != new.beside:
        found.append(("beside", old.beside, new.beside))
    return found


def _digest(*texts: str) -> str:
    return hashlib.sha256("\x1f".join(texts).encode("utf-8", "surrogatepass")).hexdigest()[:20]


def _shelving(mapping: Mapping, shelf: _Shelf | _Against) -> Callable[[int, Sequence[Candidate]], None]:
    """What puts the sets of a run on a shelf; sets that begin in the same line are told apart by their order."""
    sources = {
        key: json.dumps([source.column, sorted(source.labels), source.pattern and key])
        for key, source in mapping.vitals.items()
    }
    last, again = (0, 0), 0

    def watch(export: int, candidates: Sequence[Candidate]) -> None:
        nonlocal last, again
        for candidate in candidates:
            here = (export, candidate.item.line)
            again = again + 1 if here == last else 0
            last = here
            rows = [_row(candidate, at, reading, sources) for at, reading in enumerate(candidate.readings)]
            shelf.take(export, candidate.item.line, f"{export}.{candidate.item.line}.{again}", rows)

    return watch


def _row(candidate: Candidate, at: int, reading: Reading, sources: dict[str, str]) -> _Row:
    item = candidate.item
    outcome = candidate.outcomes[at] if candidate.outcomes is not None else reading.outcome
    words = f"{outcome.value} ({reading.reason})" if reading.reason and outcome is Outcome.ABSENT else outcome.value
    source, text = sources.get(reading.vital, ""), _digest(reading.text)
    if outcome is not Outcome.RECORDED:
        return _Row(reading.vital, words, source=source, text=text)
    beside = [reading.site, reading.method, reading.quality, *(f"{key} {answer}" for key, answer in reading.qualifiers)]
    return _Row(
        reading.vital,
        words,
        f"{reading.comparator}{reading.value}" if reading.value is not None else reading.code,
        reading.unit,
        " ".join(each.code for each in vitals()[reading.vital].codings_in(reading.unit)),
        item.moment.fhir,
        _digest(item.patient.system, item.patient.value),
        _digest(item.device.system, item.device.value) if item.device else "",
        item.identity,
        ", ".join([*filter(None, beside), *(["marked"] if reading.flagged else [])]),
        source,
        text,
    )


# A result is read back from its records, so that it may come from any version.


def _resources(folder: Path) -> Iterator[dict[str, Any]]:
    """The FHIR resources of a result, one after the other.

    Raises:
        InputError: a file holds something else.
    """
    for name, path in files_in(folder).items():
        if not name.startswith("fhir/"):
            continue
        texts = read(path).splitlines() if name.endswith(".ndjson") else [read(path)]
        for text in texts:
            try:
                made = json.loads(text, parse_float=Decimal, parse_int=Decimal)
                resources = [each["resource"] for each in made["entry"]] if "entry" in made else [made]
                yield from (each for each in resources if each["resourceType"])
            except (ValueError, KeyError, TypeError, RecursionError) as error:
                raise InputError("this is no file of FHIR records", where=str(path),
                                 todo="Name the result folder of a conversion") from error  # fmt: skip


def _recorded(folder: Path) -> Iterator[tuple[str, list[_Row]]]:
    """The identifier of each Observation, and its readings.

    Raises:
        InputError: a file holds something else.
    """
    for each in _resources(folder):
        try:
            if each["resourceType"] == "Observation" and "effectiveDateTime" in each:
                name = each["identifier"][0]["value"]
                rows = list(_rows_of(each, name.partition(".")[2]))
                if rows:
                    yield name, rows
        except (KeyError, IndexError, TypeError, AttributeError) as error:
            raise InputError("an Observation is not of this gateway", where=str(folder),
                             todo="Name the result folder of a conversion") from error  # fmt: skip


def _rows_of(observation: dict[str, Any], key: str) -> Iterator[_Row]:
    panel = panels().get(key)
    by_code = {vitals()[name].codings[0].code: name for name in (panel.members if panel else ())}
    for part in [observation, *observation.get("component", [])]:
        quantity = part.get("valueQuantity")
        coded = part.get("valueCodeableConcept")
        if quantity is None and coded is None and "dataAbsentReason" not in part:
            continue
        codes = [each["code"] for each in part["code"].get("coding", [])]
        vital = key if part is observation else next((by_code[code] for code in codes if code in by_code), "")
        if quantity is None and coded is None:
            yield _Row(vital, Outcome.ABSENT.value)
            continue
        beside = {name: part[name] for name in ("bodySite", "method", "interpretation") if name in part}
        yield _Row(
            vital,
            Outcome.RECORDED.value,
            f"{quantity.get('comparator', '')}{quantity['value']}" if quantity else _answer(coded),
            quantity.get("code", "") if quantity else "",
            " ".join(codes),
            observation["effectiveDateTime"],
            _digest(json.dumps(observation.get("subject"), default=str, sort_keys=True)),
            beside=_digest(json.dumps(beside, default=str, sort_keys=True)) if beside else "",
        )


def _answer(coded: dict[str, Any]) -> str:
    """The code of an answer; an answer in words only is compared, and not shown."""
    return next((str(each["code"]) for each in coded.get("coding", [])), "in words " + _digest(str(coded.get("text"))))


def _report(folder: Path) -> dict[str, Any]:
    path = folder / REPORT
    if not path.is_file():
        raise InputError("there is no result of a conversion", where=str(folder), todo="Name the folder of a result")
    try:
        report = json.loads(read(path))
    except (ValueError, RecursionError):
        report = None
    if not isinstance(report, dict) or not str(report.get("format", "")).startswith("spot-check-gateway-report/"):
        raise InputError("this is no report of a conversion", where=str(path), todo="Name the folder of a result")
    return report


def _hashes(report: dict[str, Any]) -> list[str]:
    return [str(each.get("sha256")) for each in report.get("exports", [])]


def _in_sum(old: Path, new: Path, found: Comparison) -> None:
    """Compare the reports, the findings and the content of the records of two results."""
    reports = [_report(folder) for folder in (old, new)]
    found.exports = len(_hashes(reports[1]))
    sides = []
    for folder, report in zip((old, new), reports, strict=True):
        counts: Counter[str] = Counter()
        reckoning = report.get("reckoning", {})
        for kind, count in reckoning.get("lines", {}).get("kinds", {}).items():
            counts[f"{reckoning['lines'].get('unit', 'line')}s: {kind}"] = count
        for row in reckoning.get("readings", {}).get("rows", []):
            for outcome in Outcome:
                counts[f"{row.get('vital') or 'no vital'}: {outcome.value}"] = row.get(outcome.value, 0)
        for rule, count in _findings(folder / FINDINGS).items():
            counts[f"finding {rule}"] = count
        sides.append(counts)
    for what in dict.fromkeys([*sides[0], *sides[1]]):
        if sides[0][what] != sides[1][what]:
            found.sums[what] = (sides[0][what], sides[1][what])
    before, after = _contents(old), _contents(new)
    for kind in dict.fromkeys([*before, *after]):
        # A kind of record that one of the two was not asked for is no difference.
        if before[kind] and after[kind]:
            only = (before[kind] - after[kind]).total(), (after[kind] - before[kind]).total()
            if any(only):
                found.records[kind] = only


def _findings(path: Path) -> Counter[str]:
    counts: Counter[str] = Counter()
    if path.is_file():
        with path.open(encoding="utf-8", errors="replace", newline="") as file:
            for row in csv.DictReader(file):
                counts[row.get("rule") or "?"] += 1
    return counts


class _Contents(dict[str, Counter[int]]):
    """Kind of record -> hashes of their contents."""

    def __missing__(self, kind: str) -> Counter[int]:
        return Counter()

    def add(self, kind: str, text: str) -> None:
        """Count one record."""
        value = int.from_bytes(hashlib.sha256(text.encode("utf-8", "surrogatepass")).digest()[:8])
        self.setdefault(kind, Counter())[value] += 1


def _contents(folder: Path) -> _Contents:
    """The records of a result by their content; Provenance is left out, for it names mapping and version."""
    found = _Contents()
    for each in _resources(folder):
        kind = each["resourceType"]
        if kind in ("Observation", "Device"):
            found.add(kind, json.dumps(each, default=str, sort_keys=True))
    for name, path in files_in(folder).items():
        if name.startswith("oru/"):
            for message in read(path).decode("utf-8", "replace").split("\rMSH|")[1:]:
                # The time of receipt stands in MSH-7, and is of the run.
                fields = message.split("|", 6)
                fields[5:6] = []
                found.add("ORU message", "|".join(fields).split("\rBTS|")[0])
    return found
