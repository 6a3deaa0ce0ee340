"""A run with a ledger: what was recorded before is known, what is held is taken up again, and everything is kept.

One database transaction spans the whole run. It is committed when every record file is complete on the disk and
before the result folder appears; a run that is killed in between is finished when the ledger is next opened.
"""

from __future__ import annotations

import hashlib
import json
import zlib
from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from gateway.checks import rules
from gateway.conversion.blocks import BlockConverter, BlockResult
from gateway.conversion.exports import Export
from gateway.conversion.options import Job
from gateway.conversion.seen import Retaken
from gateway.errors import MappingError
from gateway.ledger.rows import Hold, HoldFilter, RunInfo, StoredBlock
from gateway.model import Block, Effect, Outcome, Tally
from gateway.normalise.clocks import Dump, Older
from gateway.once import Asked, Key, Lists, Recorded, Repeats, Seen
from gateway.version import VERSION

if TYPE_CHECKING:
    from gateway.ledger import Ledger, Run


@dataclass(slots=True)
class HoldsTally:
    """What became of the holds of earlier runs, and what this run added to them.

    Attributes:
        before: holds open before the run.
        taken_up: holds that were looked at again.
        released: of these, sets now recorded.
        repeats: of these, sets that had been recorded in the meantime.
        opened: holds this run added.
        open: holds open after the run.
        readings: what became of the readings of the sets that were taken up.
        reasons: slug -> holds open after the run.
        corrected: sets of which a recorded value was corrected.
        sets: sets this run added to the ledger.
    """

    before: int = 0
    taken_up: int = 0
    released: int = 0
    repeats: int = 0
    opened: int = 0
    open: int = 0
    reasons: Counter[str] = field(default_factory=Counter)
    corrected: int = 0
    sets: int = 0
    readings: Counter[Outcome] = field(default_factory=Counter)


def run_info(job: Job, started: datetime) -> RunInfo:
    """How the ledger is to remember a run."""
    loaded, options = job.loaded, job.options
    asked: dict[str, str] = {"records": options.records_as, "bundle": options.bundle}
    if options.received_fhir:
        asked["received"] = options.received_fhir
    text = Path(loaded.path).read_bytes()
    if hashlib.sha256(text).hexdigest() != loaded.sha256:
        raise MappingError("The mapping changed while it was read", where=loaded.path, todo="Run again")
    return RunInfo(
        mapping_sha256=loaded.sha256,
        mapping_title=loaded.mapping.title,
        mapping_version=loaded.mapping.version,
        namespace=loaded.mapping.namespace,
        mapping_text=text.decode("utf-8-sig"),
        gateway=VERSION,
        options=json.dumps(asked, sort_keys=True),
        associations_sha256=job.associations.sha256 if job.associations is not None else "",
        started=started,
    )


class Remembering:
    """The ledger's side of one run.

    Args:
        ledger: the ledger.
        run: the run under way.
        job: the same run, as the converters know it.
        seen: the sets and lists of this batch.
    """

    def __init__(self, ledger: Ledger, run: Run, job: Job, seen: Repeats | Lists) -> None:
        self._ledger = ledger
        self._run = run
        self._job = job
        self._seen = seen
        corrections = job.loaded.mapping.corrections == "accept"
        self._recorded = Recorded(seen, run, run.id, job.change, job.merged, corrections=corrections)
        self._export = 0
        self.tally = HoldsTally(before=run.hold_counts().holds)

    def admit(self, keys: Sequence[Key]) -> dict[int, Seen]:
        """Remember the keys; say, by position, what this batch or an earlier run knows of them."""
        return self._recorded.admit(keys)

    # -- what is new

    def begin_export(self, export: Export) -> tuple[bool, Export]:
        """Begin with the blocks of an export.

        Returns:
            Whether an earlier run has read the same bytes with this mapping, and the export with what is
            remembered of it.
        """
        form = self._job.loaded.mapping.form
        self._export, known = self._run.export(export.sha256, export.size, export.lines, form)
        self._recorded.asked = Asked(self._run.first_read(self._export) if known else self._run.id)
        # Waiting makes no time of an export true that was in the future when it came.
        received = None if self._job.options.received_fhir else self._run.received(self._export)
        if not known:
            return False, replace(export, received=received)
        return True, replace(export, discarded=self._run.discarded(self._export), received=received)

    def keep(self, block: Block, result: BlockResult) -> None:
        """Remember what became of a block of the export begun last."""
        self._run.add_block(self._export, block.number, packed(block, self._job.options.sent, self._job.older))
        self._keep(self._export, result)
        if result.rows.holds:
            self.tally.opened += self._run.add_holds(self._export, result.rows.holds)

    def _keep(self, export: int, result: BlockResult) -> None:
        rows = result.rows
        if rows.sets:
            self._run.add_sets(export, rows.sets)
            self.tally.sets += len(rows.sets)
        for row in rows.revised:
            self._run.revise_set(export, row)
            self.tally.corrected += row.status == "corrected"
        if rows.sightings:
            self._run.add_sightings(export, rows.sightings)
        for name in result.files:
            self._run.add_content(name, (self._job.folder / name).read_bytes())

    # -- what is held

    def take_up(self, written: Callable[[BlockResult], None], only: Collection[tuple[int, int]] | None = None) -> None:
        """Take up the holds of earlier runs that were made with this mapping, in whichever version.

        Args:
            written: told of each block result, for its files and records.
            only: (export, line) of the holds that are meant; None for all.
        """
        mapping = self._job.loaded.mapping
        holds = self._ledger.holds(HoldFilter(namespace=mapping.namespace, mapping_title=mapping.title, state="open"))
        by_block: dict[tuple[int, int, int, bool], list[Hold]] = {}
        for hold in holds:
            if only is not None and (hold.export_id, hold.line) not in only:
                continue
            by_block.setdefault((_turn(hold), hold.export_id, hold.block, hold.action == "confirm"), []).append(hold)
        converters: dict[bool, BlockConverter] = {}
        forms = {export.id: export.form for export in self._ledger.exports()} if by_block else {}
        for number, ((_, export, place, confirmed), group) in enumerate(sorted(by_block.items()), start=1):
            if forms[export] != mapping.form:
                continue
            stored = self._ledger.block(export, place)
            block, sent, older = unpacked(stored)
            block.number = number
            if confirmed not in converters:
                job = _lenient(self._job) if confirmed else self._job
                converters[confirmed] = BlockConverter(job, stored.export_sha256)
            converter = converters[confirmed]
            if not converter.fits(block):
                # Cut with other columns: it waits for a mapping that has them.
                continue
            converter.of_export(stored.export_sha256)
            reinstated = frozenset(hold.line for hold in group if confirmed or hold.patient)
            self._recorded.asked = Asked(self._run.first_read(export), reinstated)
            retaken = Retaken(
                frozenset(hold.line for hold in group),
                {hold.line: (hold.patient, hold.patient_system) for hold in group if hold.patient},
                reinstated,
                sent,
                older,
            )
            result = converter.convert(block, self.admit, retaken)
            self._settle(export, place, group, result)
            written(result)
        if isinstance(self._seen, Lists):
            # A few entries of a list say nothing about gaps in it.
            self._seen.losses()

    def _settle(self, export: int, place: int, group: Sequence[Hold], result: BlockResult) -> None:
        rows = result.rows
        rows.sets = [row._replace(block=place) for row in rows.sets]
        rows.revised = [row._replace(block=place) for row in rows.revised]
        self._keep(export, result)
        still = {row.line for row in rows.holds}
        if rows.holds:
            self._run.add_holds(export, [row._replace(block=place) for row in rows.holds])
        # An entry that the mapping does not find any more is still there, and waits on.
        gone = set(rows.taken) - still
        repeats = {sighting.line for sighting in rows.sightings}
        released = [hold.id for hold in group if hold.line in gone and hold.line not in repeats]
        again = [hold.id for hold in group if hold.line in gone and hold.line in repeats]
        self._run.close_holds(released, "released")
        self._run.close_holds(again, "repeat")
        for (_, outcome), count in result.tally.outcomes.items():
            self.tally.readings[outcome] += count
        self.tally.taken_up += len(group)
        self.tally.released += len(released)
        self.tally.repeats += len(again)

    def finish(self, tally: Tally) -> str:
        """Count what is open, for the report; the counts of the run as JSON, for the ledger."""
        held = self._run.hold_counts()
        self.tally.open, self.tally.reasons = held.holds, Counter(held.by_reason)
        outcomes: Counter[str] = Counter()
        for (_, outcome), count in tally.outcomes.items():
            outcomes[outcome.value] += count
        counts = {
            "outcomes": dict(outcomes),
            "lines": tally.lines.total(),
            "sets": self.tally.sets,
            "released": self.tally.released,
            "opened": self.tally.opened,
            "open": self.tally.open,
        }
        return json.dumps(counts, sort_keys=True)


def _turn(hold: Hold) -> int:
    """When a hold has its turn: each is judged by what is recorded by then, so that no second run judges otherwise.

    What a person has decided comes first, and what was taken back last.
    """
    if hold.action:
        return 0
    return 2 if "retracted-before" in hold.reasons.split(",") else 1


def _lenient(job: Job) -> Job:
    """The same run for sets that a person has confirmed: what a mapping may relax is relaxed to a note."""
    mapping = job.loaded.mapping
    noted = {slug: Effect.NOTE.value for slug, rule in rules().items() if rule.adjustable}
    relaxed = mapping.model_copy(update={"rules": {**mapping.rules, **noted}})
    return replace(job, loaded=replace(job.loaded, mapping=relaxed))


def packed(block: Block, sent: datetime | None, older: Mapping[tuple[int, Dump], Older]) -> bytes:
    """A block as the ledger keeps it: all that is needed to convert it again.

    Args:
        block: the block.
        sent: when its list was sent, where that was given.
        older: (export, list) -> which entries have no defensible time; those of the block's export are kept.
    """
    content = {
        "fields": block.fields,
        "text": block.text,
        "first_line": block.first_line,
        "damaged": sorted(block.damaged),
        "context": block.context,
        "captured": block.captured,
        "cells": block.cells,
        "numbers": block.numbers,
        "short": sorted(block.short),
        "sent": sent.isoformat() if sent is not None else "",
        "older": [[*dump, *each] for (export, dump), each in older.items() if export == block.export],
    }
    return zlib.compress(json.dumps(content, ensure_ascii=False).encode("utf-8", "surrogatepass"), 1)


def unpacked(stored: StoredBlock) -> tuple[Block, datetime | None, dict[tuple[int, Dump], Older]]:
    """A block that was kept, as block of export 0, and what was known besides (see `packed`)."""
    content = json.loads(zlib.decompress(stored.data).decode("utf-8", "surrogatepass"))
    block = Block(
        export=0,
        number=0,
        fields=tuple(content["fields"]),
        text=content["text"],
        first_line=content["first_line"],
        damaged=frozenset(content["damaged"]),
        context=dict(content["context"]),
        captured=tuple((line, time) for line, time in content["captured"]),
        cells=content.get("cells", 0),
        numbers=tuple(content.get("numbers", ())),
        short=frozenset(content.get("short", ())),
        received=stored.received,
    )
    older = {(0, Dump(*row[:3])): Older(*row[3:]) for row in content["older"]}
    return block, datetime.fromisoformat(content["sent"]) if content["sent"] else None, older
