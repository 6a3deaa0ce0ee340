"""What a ledger is to remember of the sets of a block, as its rows."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field

from gateway.conversion.understanding import Candidate, Written
from gateway.ledger.rows import HoldRow, SetRow, Sighting
from gateway.mapping import Mapping
from gateway.memo import Memo
from gateway.model import Effect, Outcome, Reading, SetItem
from gateway.once import Key, canonical
from gateway.records.fhir import FhirRenderer

_KEPT = 100_000


@dataclass(slots=True)
class BlockRows:
    """The rows of one block.

    Attributes:
        sets: sets that are new.
        revised: sets recorded before, as they are now.
        sightings: sets that said nothing new.
        holds: sets of which something is held.
        taken: first lines of all sets.
    """

    sets: list[SetRow] = field(default_factory=list)
    revised: list[SetRow] = field(default_factory=list)
    sightings: list[Sighting] = field(default_factory=list)
    holds: list[HoldRow] = field(default_factory=list)
    taken: list[int] = field(default_factory=list)


class RowMaker:
    """Makes the rows.

    Args:
        mapping: the mapping.
        renderer: knows the records of a set.
    """

    def __init__(self, mapping: Mapping, renderer: FhirRenderer) -> None:
        self._status = mapping.output.status
        self._panel = mapping.output.fhir.panel
        self._renderer = renderer
        # A reading is one object for each distinct text, so most of this is look-ups.
        self._said: Memo[Reading, str] = Memo(lambda reading: f"{reading.vital}={canonical(reading)}", _KEPT)
        self._joined: Memo[tuple[str, ...], str] = Memo(lambda keys: ",".join(sorted(set(keys))), _KEPT)

    def add(self, candidates: Sequence[Candidate], block: int, rows: BlockRows) -> None:
        """Add what there is to remember of sets of a block (its number)."""
        for candidate in candidates:
            outcomes, key = candidate.outcomes, candidate.key
            rules = ",".join(dict.fromkeys(each.rule for each in candidate.findings))
            if candidate.written is not None and key is not None:
                row = self._row(candidate, key, candidate.written, block, rules)
                (rows.sets if candidate.earlier is None else rows.revised).append(row)
            elif key is not None and outcomes and set(outcomes) == {Outcome.REPEAT}:
                again = candidate.earlier.identity if candidate.earlier else key.identity
                rows.sightings.append(Sighting(candidate.item.line, again))
            rows.taken.append(candidate.item.line)
            if outcomes and Outcome.HELD in outcomes and rules != "discarded-before":
                rows.holds.append(_hold(candidate, outcomes, block))

    def _row(self, candidate: Candidate, key: Key, written: Written, block: int, rules: str) -> SetRow:
        item, earlier = candidate.item, candidate.earlier
        texts = [self._said[reading] for reading in item.readings]
        keys = self._keys(item)
        if earlier is not None and not earlier.retracted:
            now = {text.partition("=")[0]: text for text in texts}
            texts = [now.pop(vital, f"{vital}={text}") for vital, text in earlier.readings.items()] + [*now.values()]
            keys = ",".join(sorted(earlier.keys.union(keys.split(","))))
        status: str = self._status
        if item.revised and item.revised.corrected - item.revised.preliminary and status == "final":
            status = "corrected"
        return SetRow(
            earlier.identity if earlier is not None else key.identity,
            block,
            item.line,
            key.device,
            item.moment.epoch,
            item.patient.value,
            item.patient.system,
            key.sequence,
            key.content,
            ";".join(sorted(texts)),
            rules,
            keys,
            written.fhir,
            written.oru,
            status,
            key.wall,
            candidate.chain,
            key.how,
        )

    def _keys(self, item: SetItem) -> str:
        """Keys of the FHIR records of a set, separated by commas; much the same for every set of an export."""
        keys = self._renderer.group_keys(item.readings)
        if self._panel:
            keys += self._renderer.keys(item)[-1:]
        return self._joined[tuple(keys)]


def _hold(candidate: Candidate, outcomes: Sequence[Outcome], block: int) -> HoldRow:
    item = candidate.item
    pairs = zip(candidate.readings, outcomes, strict=True)
    held = [reading for reading, outcome in pairs if outcome is Outcome.HELD]
    reasons = dict.fromkeys(each.rule for each in candidate.findings if each.effect is Effect.HOLD)
    return HoldRow(
        block,
        item.line,
        item.device.value if item.device else "",
        item.moment.epoch if item.moment.fhir else None,
        candidate.key.identity if candidate.key else None,
        ",".join(reasons),
        ",".join(dict.fromkeys(each.vital for each in held if each.vital)),
        len(held),
        _packed(candidate.readings, outcomes),
    )


def _packed(readings: Sequence[Reading], outcomes: Sequence[Outcome]) -> str:
    """The readings of a set as a hold keeps them (`gateway.inspection.holds` reads them), JSON."""
    rows = [
        [reading.vital, reading.text.split("\x1f", 1)[0], _value(reading), reading.unit, outcome.value]
        for reading, outcome in zip(readings, outcomes, strict=True)
    ]
    return json.dumps(rows, ensure_ascii=True, separators=(",", ":"))


def _value(reading: Reading) -> str:
    return reading.code or ("" if reading.value is None else f"{reading.comparator}{reading.value}")
