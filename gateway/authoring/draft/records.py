r"""Kinds of lines and records that repeat in an export, and patterns for them: marks and groups.

A pattern quotes usual labels of vitals, usual names of columns, unit spellings and marks only. Any other word is met by
`\S+`, so nothing that could be somebody's name goes into a draft.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from gateway.authoring.draft.reading import Table, table_of_columns
from gateway.authoring.draft.words import PRESSURES, folded, label_of, roles, words_of
from gateway.vocabulary import unit_for

_KINDS = 12
"""Kinds of line for which patterns are proposed; the others are told."""

_DATE = re.compile(r"[0-9]{1,4}([-/.])[0-9]{1,2}\1[0-9]{1,4}", re.ASCII)
_CLOCK = re.compile(r"[0-9]{1,2}:[0-9]{2}(:[0-9]{2}(\.[0-9]+)?)?(Z|[+-][0-9]{2}:?[0-9]{2})?", re.ASCII)
_BOTH = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}\S*", re.ASCII)
TIME = re.compile(rf"{_BOTH.pattern}|{_DATE.pattern}[ ,]+{_CLOCK.pattern}", re.ASCII)
"""A date and a time of day in one text."""
_PRESSURE = re.compile(r"[0-9/()]+", re.ASCII)
_BESIDE = frozenset({
    "no", "nr", "num", "id", "page", "of", "since", "ago", "mode", "list", "sent", "printed", "print", "read", "out",
    "at", "on", "from", "to", "record", "entry", "set",
})  # fmt: skip
"""Words of lists that are nobody's name, folded; written from memory, common practice, no source."""


@dataclass(slots=True)
class Kind:
    """Lines of one shape.

    Attributes:
        pattern: what fits them.
        lines: those that it fits, first of the list the first of the export.
        groups: names of what changes, in their order.
        units: group -> the unit behind it, where one is stated.
        labels: group -> the label before it, where it is usual for a vital.
        leads: the first label in it, "" for none.
        use: what the kind is for.
    """

    pattern: str
    lines: list[int] = field(default_factory=list)
    groups: list[str] = field(default_factory=list)
    units: dict[str, str] = field(default_factory=dict)
    labels: dict[str, str] = field(default_factory=dict)
    leads: str = ""
    use: str = ""

    @property
    def first(self) -> int:
        """Number of its first line."""
        return self.lines[0]


class Records:
    """The kinds of line of a listing.

    Args:
        lines: number and text of those that are not blank.
    """

    def __init__(self, lines: Sequence[tuple[int, str]]) -> None:
        # Form feeds are passed over when a listing is read.
        lines = [(number, line.replace("\f", "")) for number, line in lines]
        shapes: dict[str, list[tuple[int, str]]] = defaultdict(list)
        for number, line in lines:
            shapes[f"{line[: len(line) - len(line.lstrip())] and ' '}{words_of(line)}"].append((number, line))
        self.kinds: list[Kind] = []
        self.rest: list[tuple[int, str]] = []
        self._fits: list[re.Pattern[str]] = []
        self._cells: dict[int, tuple[Kind, dict[str, str]]] = {}
        names = _Names()
        often = sorted(shapes.values(), key=lambda own: (-len(own), own[0][0]))
        begun = min((own[0][0] for own in often[:3] if len(own) > 1), default=0)
        for own in often:
            if any(fits.fullmatch(own[0][1]) for fits in self._fits):
                continue
            if len(self.kinds) < _KINDS and (len(own) > 1 or own[0][0] < begun):
                kind = _kind([line for _, line in own], names)
                if kind is not None:
                    self.kinds.append(kind)
                    self._fits.append(re.compile(kind.pattern))
        for number, line in lines:
            for kind, fits in zip(self.kinds, self._fits, strict=True):
                if found := fits.fullmatch(line):
                    kind.lines.append(number)
                    self._cells[number] = (kind, found.groupdict())
                    break
            else:
                self.rest.append((number, line))
        self.kinds = [kind for kind in self.kinds if kind.lines]
        self._say_uses()

    def _say_uses(self) -> None:
        """Which kind begins an entry: the one before those with vitals, or each of them where they state the time."""
        vital = [kind for kind in self.kinds if kind.labels]
        order = [self._cells[number][0] for number in sorted(self._cells)]
        followed: Counter[int] = Counter()
        for one, other in pairwise(order):
            followed[id(one)] += bool(other.labels)
        plain = [kind for kind in self.kinds if not kind.labels and kind.groups]
        heads = [kind for kind in plain if len(kind.lines) > 1 and followed[id(kind)] * 5 >= len(kind.lines) * 3]
        timed = [kind for kind in vital if "time" in kind.groups]
        head = max(heads, key=lambda kind: len(kind.lines), default=None)
        if head is not None and (not timed or len(head.lines) * 2 > sum(len(kind.lines) for kind in vital)):
            head.use = "entry"
        for kind in vital:
            kind.use = "part" if head is not None and head.use else "entry"
        for kind in plain:
            if not kind.use and ("time" in kind.groups or set(kind.groups) & {"device", "patient", "location"}):
                kind.use = "header"

    def table(self) -> Table:
        """The entries as a table of their groups, for what is told of columns; headers stand in those that follow."""
        names = list(dict.fromkeys(name for kind in self.kinds if kind.use for name in kind.groups))
        rows: list[tuple[int, dict[str, str]]] = []
        above: dict[str, str] = {}
        for number in sorted(self._cells):
            kind, cells = self._cells[number]
            if kind.use == "header":
                above |= cells
            elif kind.use == "entry":
                rows.append((number, {**above, **cells}))
            elif kind.use == "part" and rows:
                rows[-1][1].update(cells)
        return table_of_columns(names, [(number, [cells.get(name, "") for name in names]) for number, cells in rows])

    def vitals(self) -> dict[str, tuple[str, str]]:
        """Group -> its label, and the unit that stands behind it ("" for none)."""
        labels: dict[str, str] = {}
        units: dict[str, set[str]] = defaultdict(set)
        for kind in self.kinds:
            labels |= kind.labels
            for group, unit in kind.units.items():
                units[group].add(unit)
        return {group: (label, units[group].pop() if len(units[group]) == 1 else "") for group, label in labels.items()}


class _Names:
    """Names of groups: those of one label are one column where they stand in lines of the same leading label."""

    def __init__(self) -> None:
        self._leads: dict[str, str] = {}
        self._numbered = 0

    def of_label(self, label: str, leads: str) -> str:
        name = re.sub("[^a-z0-9]", "", folded(label)) or "v"
        name = f"v{name}" if name[0].isdigit() else name
        first = self._leads.setdefault(name, leads)
        return name if leads in (first, label) else f"{re.sub('[^a-z0-9]', '', folded(leads)) or 'v'}_{name}"

    def numbered(self) -> str:
        self._numbered += 1
        return f"c{self._numbered}"


def _kind(lines: Sequence[str], names: _Names) -> Kind | None:
    """A pattern for lines of one shape; None where nothing in them can be told apart."""
    rows = [line.split() for line in lines]
    count = len(rows[0])
    columns = [[row[at] for row in rows] for at in range(count)]
    shape = words_of(lines[0]).split()
    parts: list[str] = [" +" if lines[0][:1].isspace() else ""]
    kind = Kind("")
    label = role = ""
    at = 0
    while at < count:
        texts, word = columns[at], shape[at]
        if len(parts) > 1:
            parts.append(" +")
        name = ""
        if all(_BOTH.fullmatch(text) for text in texts):
            name, used, what = "time", 1, r"\S+"
        elif at + 1 < count and all(map(_DATE.fullmatch, texts)) and all(map(_CLOCK.fullmatch, columns[at + 1])):
            name, used, what = "time", 2, r"\S+ +\S+"
        elif label and folded(label) in PRESSURES and all(map(_PRESSURE.fullmatch, texts)):
            used = 1
            while at + used < count and all(map(_PRESSURE.fullmatch, columns[at + used])):
                used += 1
            name, what = names.of_label(label, kind.leads), r"\S.*?" if at + used < count else r"\S.*"
        elif (word not in ("W", "?") and label_of(word.strip("():,;"))[0]) or folded(word.strip("():,;")) in PRESSURES:
            label, role = word.strip("():,;"), ""
            kind.leads = kind.leads or label
            parts.append(re.escape(word))
            at += 1
            continue
        elif label and label not in kind.labels.values() and _is_value(word):
            name, used, what = names.of_label(label, kind.leads), 1, r"\S+"
        elif any(character.isdigit() for text in texts for character in text):
            name, used, what = role or names.numbered(), 1, r"\S+"
        elif len(set(texts)) == 1 and (said := folded(texts[0])) in _BESIDE | roles().keys():
            role = roles().get(said, role)
            parts.append(re.escape(texts[0]))
            at += 1
            continue
        else:
            unit = word.strip("():,;")
            if kind.groups and unit_for(unit) is not None and word != "W" and kind.groups[-1] in kind.labels:
                kind.units.setdefault(kind.groups[-1], unit)
            parts.append(re.escape(word) if word != "W" and all(text == word for text in texts) else r"\S+")
            at += 1
            continue
        if name in kind.groups:
            name = names.numbered()
        if label and (name == names.of_label(label, kind.leads)) and label not in kind.labels.values():
            kind.labels[name] = label
        kind.groups.append(name)
        parts.append(f"(?P<{name}>{what})")
        role = ""
        at += used
    kind.pattern = "".join(parts).replace("\\ ", " ") + " *"
    if not kind.groups and not kind.leads:
        return None
    if kind.leads and not kind.labels:
        # A label with a word behind it: what is printed where the value failed.
        return _failed(shape, lines, kind, names)
    return kind


def _failed(shape: Sequence[str], lines: Sequence[str], kind: Kind, names: _Names) -> Kind | None:
    if len(shape) != 2 or shape[1] != "W":
        return None
    name = names.of_label(kind.leads, kind.leads)
    lead = " +" if lines[0][:1].isspace() else ""
    kind.pattern = rf"{lead}{re.escape(shape[0])} +(?P<{name}>\S+) *"
    kind.groups, kind.labels = [name], {name: kind.leads}
    return kind


def _is_value(word: str) -> bool:
    return "9" in word or not re.search(r"[^\W_]", word)


@dataclass(slots=True)
class Fields:
    """Records that begin with a short mark and a delimiter.

    Attributes:
        mark: what they begin with.
        between: the delimiter.
        first: position of the first of them.
        rows: their fields behind the mark.
    """

    mark: str
    between: str
    first: int
    rows: list[list[str]] = field(default_factory=list)

    @property
    def width(self) -> int:
        """The most fields one has."""
        return max(map(len, self.rows))


def fields_of(records: Iterable[str]) -> list[Fields]:
    """The kinds of record with fields, the most frequent first."""
    found: dict[tuple[str, str], Fields] = {}
    for at, record in enumerate(records):
        begun = re.match(r"([A-Z]{1,3})([|^,;\t~])", record)
        if begun:
            kind = found.setdefault((begun[1], begun[2]), Fields(begun[1], begun[2], at))
            kind.rows.append(record.split(begun[2])[1:])
    return sorted(found.values(), key=lambda kind: -len(kind.rows))[:_KINDS]
