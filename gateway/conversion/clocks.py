"""Clocks of monitors: every list of every export is looked through once before anything is converted.

A reset that shows late in a list takes the time of entries that stand before it, perhaps blocks before it. What is
found is handed to every process of the conversion, so that any number of workers gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

from gateway.adapters import adapter_for
from gateway.checks import finding
from gateway.conversion.fields import Fields
from gateway.conversion.options import Options
from gateway.mapping import columns
from gateway.mapping.model import Mapping
from gateway.mapping.record import CAPTURE_TIME
from gateway.memo import Memo
from gateway.model import BLANKS, Block, Entry, Finding, Moment, Noticed
from gateway.normalise.clocks import ClockReader, Dump, Older, Succession, spoken
from gateway.normalise.times import joined
from gateway.report import ClockInfo
from gateway.report.model import device_shown

LISTED = 200
"""How many lists the report names, the first; all are counted."""


@dataclass(slots=True)
class Clocks:
    """What was found out about the clocks of a batch.

    Attributes:
        older: (export, list) -> which of its entries have no defensible time; lists without such are left out.
        listed: the first lists, for the report.
        lists: how many there are in all.
        findings: clocks that are off by more than the limit and whose times are recorded all the same.
    """

    older: dict[tuple[int, Dump], Older] = field(default_factory=dict)
    listed: list[ClockInfo] = field(default_factory=list)
    lists: int = 0
    findings: list[Finding] = field(default_factory=list)


@dataclass(slots=True)
class _List:
    """One list as far as it has been seen."""

    line: int
    device: str
    succession: Succession
    last: tuple[str, str] = ("", "")


def dump_of(mapping: Mapping, fields: Fields) -> Callable[[list[str]], Dump]:
    """How to find what an entry's list says of its clock.

    Args:
        mapping: a mapping with `[time.clock]`.
        fields: where the columns stand.
    """
    clock = mapping.time.clock
    assert clock is not None
    shown = fields.every(clock.columns)
    reference = fields.every(clock.reference_columns)
    if not reference and clock.reference != "given" and fields.find(CAPTURE_TIME) >= 0:
        reference = [fields.find(CAPTURE_TIME)]
    fixed = mapping.device.fixed or ""
    device = fields.at(mapping.device.column)

    def dump(cells: list[str]) -> Dump:
        return Dump(
            cells[device].strip(BLANKS) if device >= 0 else fixed,
            joined([cells[position] for position in shown]),
            joined([cells[position] for position in reference]),
        )

    return dump


def survey(mapping: Mapping, options: Options, exports: Iterable[tuple[int, Iterable[Block]]]) -> Clocks:
    """Look through all lists; without `[time.clock]` in the mapping there is nothing to look for.

    Memory grows with the number of lists in one export, not with their length.

    Args:
        mapping: the mapping.
        options: for the time at which the lists were sent.
        exports: the position of each export, and its blocks.
    """
    found = Clocks()
    if mapping.time.clock is None:
        return found
    reader = ClockReader(mapping.time, None, options.sent)
    adapter = adapter_for(mapping, columns(mapping))
    for export, blocks in exports:
        lists: dict[Dump, _List] = {}
        look = _Look(mapping, reader, lists)
        for block in blocks:
            look.take(block.fields, adapter.parse(block).entries)
        for dump, each in lists.items():
            _conclude(found, mapping, reader, export, dump, each)
    return found


class _Look:
    """Reads time and clock of entries, and nothing else of them."""

    def __init__(self, mapping: Mapping, reader: ClockReader, lists: dict[Dump, _List]) -> None:
        self._mapping = mapping
        self._reader = reader
        self._lists = lists
        self._names: tuple[str, ...] = ()
        self._moments: Memo[str, Moment] = Memo(reader.times.read)

    def take(self, names: tuple[str, ...], entries: Sequence[Entry]) -> None:
        if names != self._names:
            self._names = names
            fields = Fields(names)
            self._dump = dump_of(self._mapping, fields)
            self._times = fields.every(self._mapping.time.columns)
            self._patient = fields.every(self._mapping.patient.said)
        for line, cells in entries:
            dump = self._dump(cells)
            each = self._lists.get(dump)
            if each is None:
                shown = self._reader.compare(dump).shown
                each = self._lists[dump] = _List(line, dump.device, Succession(self._reader.newest_first, shown))
            text = joined([cells[position] for position in self._times])
            whose = (text, joined([cells[position] for position in self._patient]))
            counts = not (self._mapping.long and whose == each.last)
            each.last = whose
            each.device = device_shown(each.device, whose[1].strip(BLANKS))
            each.succession.add(line, self._moments[text], counts=counts)


def _conclude(found: Clocks, mapping: Mapping, reader: ClockReader, export: int, dump: Dump, each: _List) -> None:
    older = each.succession.older()
    if older.line or older.stopped:
        found.older[export, dump] = older
    clock = mapping.time.clock
    assert clock is not None
    standing = reader.compare(dump)
    if not clock.columns and not (older.line or older.stopped):
        return
    found.lists += 1
    if len(found.listed) < LISTED:
        found.listed.append(
            ClockInfo(
                export=export,
                line=each.line,
                device=each.device,
                shown=standing.shown.fhir,
                reference=standing.pair.reference_fhir if standing.pair else "",
                offset=standing.offset,
                state=standing.state if clock.columns else "not-compared",
                beyond=standing.beyond,
                reset=bool(older.line),
                stopped=older.stopped,
            )
        )
    if standing.beyond and standing.state == "left":
        what = f"the monitor's clock was {spoken(standing.offset or 0)}; its times are recorded as they are"
        found.findings.append(finding(Noticed("clock-out-of-step", what), export=export, line=each.line))
