"""Everything that can be known to be wrong with a mapping before an export is seen.

Each check looks at the whole mapping, tells all it finds and stops at nothing. What the model alone can see (types,
unknown keys, allowed words) is in `gateway.mapping.model`; here are the agreements between keys, and with the
vocabulary.
"""

from __future__ import annotations

import codecs
import re
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Sequence
from functools import cache
from importlib import resources
from typing import NamedTuple

from gateway import vocabulary
from gateway.mapping import schemes
from gateway.mapping.explain import Problems, listed, meant, missing, nearest, quoted
from gateway.mapping.forms import tables
from gateway.mapping.forms.framed import Framed
from gateway.mapping.forms.listing import Listing
from gateway.mapping.model import (
    Band,
    Clock,
    Identified,
    Mapping,
    Method,
    Patient,
    Qualifier,
    Site,
    VitalSource,
)
from gateway.mapping.places import Path
from gateway.mapping.record import Record
from gateway.vocabulary import Unit, Vital

OFFSET_IN_TEXT = "offset-in-text"
DIRECTIVES = "YymbBdjaAHIpMSfz%"
"""The strptime directives that time formats may use."""

_URI = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:[^\s<>\"{}|\\^`]+")
_OID = re.compile(r"urn:oid:[0-2](\.(0|[1-9][0-9]*))+")
_UUID = re.compile(r"urn:uuid:[0-9a-f]{8}-([0-9a-f]{4}-){3}[0-9a-f]{12}")
_OFFSET = re.compile(r"[+-](0[0-9]|1[0-4]):[0-5][0-9]")
# These are in the tz database, but as fixed offsets or as copies of some place's rules: whoever writes EST for
# New York gets every summer reading an hour late.
_ABBREVIATIONS = {
    "EST": "America/New_York", "EDT": "America/New_York", "EST5EDT": "America/New_York", "CST": "America/Chicago",
    "CDT": "America/Chicago", "CST6CDT": "America/Chicago", "MST": "America/Denver", "MDT": "America/Denver",
    "MST7MDT": "America/Denver", "PST": "America/Los_Angeles", "PDT": "America/Los_Angeles",
    "PST8PDT": "America/Los_Angeles", "HST": "Pacific/Honolulu", "AKST": "America/Anchorage", "BST": "Europe/London",
    "WET": "Europe/Lisbon", "WEST": "Europe/Lisbon", "CET": "Europe/Paris", "CEST": "Europe/Paris",
    "MET": "Europe/Paris", "MEST": "Europe/Paris", "MEZ": "Europe/Berlin", "MESZ": "Europe/Berlin",
    "EET": "Europe/Athens", "EEST": "Europe/Athens", "IST": "Asia/Kolkata", "JST": "Asia/Tokyo",
    "AEST": "Australia/Sydney", "AEDT": "Australia/Sydney", "NZST": "Pacific/Auckland", "NZDT": "Pacific/Auckland",
}  # fmt: skip
# Not encodings of text files, though Python has codecs of these names.
_NO_ENCODINGS = frozenset(
    {"idna", "punycode", "unicode_escape", "raw_unicode_escape", "undefined", "utf_7", "mbcs", "oem"}
)
_ENCODINGS = ("utf-8", "utf-16", "cp1252", "latin-1", "iso8859-15", "cp1250", "cp1251", "cp850", "shift_jis", "gb18030")
_ENCODING_NAMES = {"ansi": "cp1252", "windows": "cp1252", "unicode": "utf-16", "dos": "cp850", "western": "cp1252"}


_WITHOUT_COLUMNS = frozenset({"event", "ignore"})
CAPTURE_TIME = "capture time"
"""Column that serial-style exports have besides those of their records: when the list began to arrive."""


class Use(NamedTuple):
    """One use of a column: its name, the key that names it, what for, and what kind of use that is."""

    column: str
    path: Path
    what: str
    kind: str


def uses(mapping: Mapping) -> list[Use]:
    """Every use the mapping makes of a column of the export, in the order of the model."""
    found: list[Use] = []

    def add(column: str | None, path: Path, what: str, kind: str) -> None:
        if column is not None:
            found.append(Use(column, path, what, kind))

    if mapping.delimited is not None:
        for kind in ("label", "value", "unit"):
            name = f"{kind}_column"
            add(getattr(mapping.delimited, name), ("delimited", name), f"the {kind}", kind)
    for at, column in enumerate(mapping.time.columns):
        add(column, ("time", "columns", at), "the time", "time")
    if mapping.time.age is not None:
        add(mapping.time.age.column, ("time", "age", "column"), "the age", "time")
    if mapping.time.clock is not None:
        for name, what in (("columns", "the monitor's own time"), ("reference_columns", "the true time")):
            for at, column in enumerate(getattr(mapping.time.clock, name)):
                add(column, ("time", "clock", name, at), what, "time")
    add(mapping.patient.column, ("patient", "column"), "the patient", "patient")
    if mapping.patient.systems is not None:
        add(mapping.patient.systems.column, ("patient", "systems", "column"), "the patient's system", "party")
    for name, party in _parties(mapping):
        add(party.column, (name, "column"), f"the {name}", "party")
    add(mapping.sequence, ("sequence",), "the record number", "sequence")
    add(mapping.category.column, ("category", "column"), "the patient category", "category")
    for name in vocabulary.qualifiers():
        add(getattr(mapping, name).column, (name, "column"), f"the {name}", "qualifier")
    for key, source in mapping.vitals.items():
        add(source.column, ("vitals", key, "column"), key, "value")
        add(source.unit_column, ("vitals", key, "unit_column"), f"the unit of {key}", "unit")
        if isinstance(source.site, Site):
            add(source.site.column, ("vitals", key, "site", "column"), f"the site of {key}", "site")
        if isinstance(source.method, Method):
            add(source.method.column, ("vitals", key, "method", "column"), f"the method of {key}", "site")
        if source.quality is not None:
            add(source.quality.column, ("vitals", key, "quality", "column"), f"the quality of {key}", "quality")
    for at, column in enumerate(mapping.notes):
        add(column, ("notes", at), "a note", "note")
    return found


def columns(mapping: Mapping) -> tuple[str, ...]:
    """Names of every column the mapping uses, each once, in the order of the model."""
    return tuple(dict.fromkeys(use.column for use in uses(mapping)))


def check(
    mapping: Mapping,
    problems: Problems,
    known_rules: Collection[str] | None = None,
    adjustable_rules: Collection[str] | None = None,
) -> None:
    """Note everything that is wrong with a mapping.

    Args:
        mapping: the mapping, or what could be saved of it (`gateway.mapping.explain.mended`).
        problems: takes the mistakes; knows which keys to leave alone.
        known_rules: slugs of the rules there are; None to leave `[rules]` unchecked.
        adjustable_rules: slugs of the rules whose effect a mapping may set; None for all.
    """
    for run in _CHECKS:
        run(mapping, problems)
    if known_rules is not None:
        _rules(mapping, problems, known_rules, adjustable_rules)


def _parties(mapping: Mapping) -> tuple[tuple[str, Identified], ...]:
    return (
        ("device", mapping.device),
        ("operator", mapping.operator),
        ("location", mapping.location),
        ("encounter", mapping.encounter),
    )


# The form and its table


def _form(mapping: Mapping, problems: Problems) -> None:
    if not problems.known(("form",)):
        if mapping.delimited is None:
            problems.spoil(("delimited",))
        return
    for form in tables():
        path: Path = (form,)
        there = getattr(mapping, form) is not None
        if form == mapping.form and not there and problems.known(path):
            problems.add(path, *missing(path))
            problems.spoil(path)
        elif form != mapping.form and there:
            problems.add(
                path,
                f"the table [{form}] is for exports of the form {form}, and the form here is {mapping.form}",
                f'Take it out, or write form = "{form}" at the top of the file',
            )


def _serial(mapping: Mapping, problems: Problems) -> Listing | Framed | None:
    """The table of a form whose records are declared one by one; None for another form, or when it is not known."""
    if mapping.form == "delimited" or not problems.known(("form",), (mapping.form, "records")):
        return None
    return mapping.listing if mapping.form == "listing" else mapping.framed


def _serial_vitals(mapping: Mapping, problems: Problems) -> None:
    if mapping.form == "delimited" or not problems.known(("form",)):
        return
    for key, source in mapping.vitals.items():
        if source.labels:
            problems.add(
                ("vitals", key, "labels"),
                "labels belong to the long layout of delimited exports",
                f"Take labels out and add column = {quoted(source.labels[0])}, the group or field of a record",
            )
        elif source.column is None and problems.known(("vitals", key, "column")):
            problems.add(
                ("vitals", key),
                f"the form {mapping.form} needs the column of this vital",
                'Add column = "...", a group, field or width of a record',
            )


def _records(mapping: Mapping, problems: Problems) -> None:
    table = _serial(mapping, problems)
    if table is None:
        return
    base: Path = (mapping.form, "records")
    sound = [
        _record(record, (*base, at), at == len(table.records) - 1, problems) for at, record in enumerate(table.records)
    ]
    if not any(record.use == "entry" for record in table.records):
        problems.add(base, "no record begins an entry", 'Write use = "entry" in the record that begins one')
    if not all(sound):
        return
    given: dict[str, list[str]] = defaultdict(list)
    for record in table.records:
        for name in _columns_of(record):
            given[name].append(record.use)
    usable = [name for name, kinds in given.items() if not set(kinds) <= _WITHOUT_COLUMNS]
    for use in uses(mapping):
        if use.column in usable:
            continue
        if use.column in given:
            problems.add(
                use.path,
                f'{quoted(use.column)} is only in records with use = "{given[use.column][0]}", which give no columns',
                'Write use = "part" or "header" there',
            )
        else:
            problems.add(
                use.path,
                f"{quoted(use.column)} is not among the groups, fields and widths of the records",
                meant(use.column, usable),
            )


def _columns_of(record: Record) -> tuple[str, ...]:
    """The columns a record gives; none while its pattern has a fault."""
    if record.pattern:
        try:
            return tuple(re.compile(record.pattern).groupindex)
        except (re.error, OverflowError, RecursionError):
            return ()
    return (*filter(None, record.fields), *record.widths)


def _record(record: Record, path: Path, last: bool, problems: Problems) -> bool:
    """Whether the columns of the record are known; notes what is wrong with it."""
    given = [name for name in ("pattern", "fields", "widths") if getattr(record, name)]
    if not given:
        problems.add(
            path,
            "nothing says how the record is cut",
            "Add pattern = '...' with named groups, or match and fields, or match and widths",
        )
        return False
    if len(given) > 1:
        problems.add(
            (*path, given[1]),
            f"the record is cut by {given[0]} already",
            "Keep one of pattern, fields and widths",
        )
        return False
    cut = given[0]
    fault = False
    for name in ("pattern", "match"):
        text: str = getattr(record, name)
        if text:
            fault = _regex(text, (*path, name), problems) is None or fault
    if record.match and cut == "pattern":
        problems.add((*path, "match"), "the pattern is for the whole record already", "Take match out")
    if cut != "fields" and (*path, "delimiter") in problems.places:
        problems.add((*path, "delimiter"), "nothing is cut there without fields", "Take it out, or name the fields")
    if cut == "fields" and (not record.delimiter or record.delimiter in "\r\n\0"):
        problems.add((*path, "delimiter"), "fields need a character between them", 'Write it, such as "|" or ","')
    if record.meaning and record.use != "event":
        problems.add((*path, "meaning"), f'a record with use = "{record.use}" has no meaning in words', "Take it out")
    if not fault:
        _greedy(record, path, cut, last, problems)
    _record_names(record, path, cut, problems)
    if record.use in ("header", "part") and not fault and not _columns_of(record):
        problems.add(
            path, f'a record with use = "{record.use}" gives no column', 'Name a group, or write use = "ignore"'
        )
    return not fault


def _greedy(record: Record, path: Path, cut: str, last: bool, problems: Problems) -> None:
    """A record that takes what it should leave to others, or takes everything in silence."""
    # A text that no monitor prints: what fits it fits anything.
    probe = "\u2042 7 \u2042"
    if cut == "pattern":
        pattern = re.compile(record.pattern)
        if pattern.fullmatch(""):
            what = f"{quoted(record.pattern)} fits the empty text"
            problems.add((*path, "pattern"), what, "Write what is never left out; blank lines are passed over anyway")
        elif record.use in _WITHOUT_COLUMNS and pattern.fullmatch(probe):
            what = f"{quoted(record.pattern)} fits every record, so whatever else comes would vanish"
            problems.add((*path, "pattern"), what, "Write what this kind of record begins with")
        return
    fits_all = not record.match or re.match(record.match, probe) is not None
    if fits_all and record.use in _WITHOUT_COLUMNS:
        problems.add(path, "it fits every record, so whatever else comes would vanish", "Add match = '...'")
    elif fits_all and not last:
        problems.add(
            path,
            "it fits every record, so those declared after it are never found",
            "Add match = '...', what this kind of record begins with, or put it last",
        )


def _record_names(record: Record, path: Path, cut: str, problems: Problems) -> None:
    if cut == "fields":
        for at, name in enumerate(record.fields):
            _trimmed(name, (*path, "fields", at), problems)
            if name and name in record.fields[:at]:
                problems.add(
                    (*path, "fields", at),
                    f"the column {quoted(name)} stands there twice",
                    'Give each field its own name, or "" when it is not read',
                )
    for name, (first, end) in record.widths.items():
        _trimmed(name, (*path, "widths", name), problems)
        if not 1 <= first <= end:
            problems.add(
                (*path, "widths", name),
                f"there are no characters from {first} to {end}",
                f"Write {name} = [first, last], counted from 1",
            )
    if CAPTURE_TIME in _columns_of(record):
        problems.add(path, f"{quoted(CAPTURE_TIME)} is the gateway's own column", "Give the column another name")


def _framing(mapping: Mapping, problems: Problems) -> None:
    framed = mapping.framed
    if framed is None or mapping.form != "framed":
        return
    for name in ("after", "record_end"):
        text: str = getattr(framed, name)
        if not re.fullmatch(r"([0-9A-Fa-f]{2})*", text):
            problems.add(
                ("framed", name),
                f"{quoted(text)} is not a row of bytes in hexadecimal",
                'Write two digits for each byte, such as "0D0A", or "" for none',
            )
    seen: dict[str, str] = {framed.start.upper(): "start"}
    for name in ("end", "continues", "control"):
        for at, text in enumerate(getattr(framed, name)):
            earlier = seen.setdefault(text.upper(), name)
            if earlier != name or text.upper() in map(str.upper, getattr(framed, name)[:at]):
                problems.add(
                    ("framed", name, at),
                    f"the bytes {text} are given in {earlier} already",
                    "Give them one meaning: nothing else tells where a frame begins and ends",
                )


# The layout of delimited text


def _layout(mapping: Mapping, problems: Problems) -> None:
    delimited = mapping.delimited
    if delimited is None or mapping.form != "delimited" or not problems.known(("form",), ("delimited", "layout")):
        return
    names = ("label_column", "value_column", "unit_column")
    if delimited.layout == "long":
        for name, example in (("label_column", "Parameter"), ("value_column", "Value")):
            if getattr(delimited, name) is None and problems.known(("delimited", name)):
                what = "names the vital" if name == "label_column" else "holds the value"
                problems.add(
                    ("delimited", name),
                    f"the long layout needs the column that {what}",
                    f'Add {name} = "{example}", or write layout = "wide"',
                )
        for key, source in mapping.vitals.items():
            if source.column is not None:
                problems.add(
                    ("vitals", key, "column"),
                    "the long layout has one value column for all vitals",
                    f"Take column out and add labels = [{quoted(source.column)}], the texts of the label "
                    "column that mean this vital",
                )
            elif not source.labels and problems.known(("vitals", key, "labels")):
                problems.add(
                    ("vitals", key),
                    "the long layout needs the texts of the label column that mean this vital",
                    'Add labels = ["..."]',
                )
            if source.unit_column is not None:
                problems.add(
                    ("vitals", key, "unit_column"),
                    "the long layout has one unit column for all vitals",
                    "Take it out and name the column as unit_column in [delimited]",
                )
        return
    for name in names:
        if getattr(delimited, name) is not None:
            problems.add(
                ("delimited", name),
                "the wide layout has one column for each vital",
                'Take it out, or write layout = "long"',
            )
    for key, source in mapping.vitals.items():
        if source.labels:
            problems.add(
                ("vitals", key, "labels"),
                "labels belong to the long layout",
                f"Take labels out and add column = {quoted(source.labels[0])}, the name in the header line",
            )
        elif source.column is None and problems.known(("vitals", key, "column")):
            problems.add(
                ("vitals", key),
                "the wide layout needs the column of this vital",
                'Add column = "...", the name in the header line',
            )


def _labels(mapping: Mapping, problems: Problems) -> None:
    seen: dict[str, tuple[str, Path]] = {}
    for key, source in mapping.vitals.items():
        for at, label in enumerate(source.labels):
            path: Path = ("vitals", key, "labels", at)
            _trimmed(label, path, problems)
            if label not in seen:
                seen[label] = key, path
                continue
            other, place = seen[label]
            line = problems.places.line_of(place)
            if other == key:
                problems.add(path, f"the label {quoted(label)} stands there twice", "Take one out")
            elif not (source.pattern and mapping.vitals[other].pattern):
                problems.add(
                    path,
                    f"the label {quoted(label)} already means {other} (line {line})",
                    f"Give it to one vital; a value such as 120/80 needs a pattern in {other} and in {key}",
                )


def _characters(mapping: Mapping, problems: Problems) -> None:
    delimited, numbers = mapping.delimited, mapping.numbers
    if numbers.decimal == numbers.thousands:
        problems.add(
            ("numbers", "thousands"),
            f"{quoted(numbers.thousands)} is the decimal mark as well",
            'Write what the export uses; thousands = "" when it writes 1000 without a mark',
        )
    if delimited is None:
        return
    if delimited.delimiter in "\r\n\0":
        problems.add(
            ("delimited", "delimiter"),
            "a line end or NUL cannot stand between cells",
            'Write the character between two cells, such as "," ";" or "\\t"',
        )
    elif delimited.delimiter.isalnum():
        problems.add(
            ("delimited", "delimiter"),
            f"{quoted(delimited.delimiter)} is a letter or digit",
            'Write the character between two cells, such as "," ";" or "\\t"',
        )
    if delimited.quote and (delimited.quote == delimited.delimiter or delimited.quote in "\r\n\0"):
        problems.add(
            ("delimited", "quote"),
            "the quote must differ from the delimiter and from line ends",
            'Write quote = \'"\', or quote = "" when the export never quotes',
        )
    for name, mark in (("decimal", numbers.decimal), ("thousands", numbers.thousands)):
        if mark and mark == delimited.delimiter and not delimited.quote and problems.known(("numbers", name)):
            problems.add(
                ("delimited", "delimiter"),
                f"{quoted(mark)} stands between cells and is the {name} mark as well",
                "Without quotes a number would be cut in two: check delimiter, quote and [numbers]",
            )


def _encoding(mapping: Mapping, problems: Problems) -> None:
    layout = getattr(mapping, mapping.form)
    path: Path = (mapping.form, "encoding")
    if layout is None:
        return
    name: str = layout.encoding
    try:
        if "\0" in name or codecs.lookup(name.strip()).name.replace("-", "_") in _NO_ENCODINGS:
            raise LookupError
        "a,1\n".encode(name)
    except (LookupError, UnicodeError, ValueError):
        close = next((known for word, known in _ENCODING_NAMES.items() if word in name.casefold()), "")
        close = close or nearest(name, _ENCODINGS)
        usual = f"usual ones are {listed(_ENCODINGS)}"
        problems.add(
            path,
            f"{quoted(name)} is not an encoding of text",
            f"Write {close}, if that is what was meant; {usual}" if close else f"The {usual}",
        )


def _footer(mapping: Mapping, problems: Problems) -> None:
    for at, text in enumerate(mapping.delimited.footer if mapping.delimited is not None else ()):
        path: Path = ("delimited", "footer", at)
        pattern = _regex(text, path, problems)
        if pattern is not None and pattern.match(""):
            problems.add(
                path,
                f"{quoted(text)} fits the empty text, so it could leave out every line",
                "Write what every footer line begins with, such as '^Total:'; blank lines are left out anyway",
            )


def _header(mapping: Mapping, problems: Problems) -> None:
    delimited = mapping.delimited
    if delimited is None or not problems.known(("delimited", "header"), ("delimited", "columns")):
        return
    if delimited.header:
        if delimited.columns:
            problems.add(
                ("delimited", "columns"),
                "names by position are for an export without a header line",
                "Take columns out, or write header = false",
            )
        return
    if not delimited.columns:
        problems.add(
            ("delimited", "columns"),
            "an export without a header line needs the names of its columns",
            'Add columns = ["Date", "Time", ...], from left to right',
        )
        return
    for at, name in enumerate(delimited.columns):
        if name in delimited.columns[:at]:
            problems.add(
                ("delimited", "columns", at),
                f"the column {quoted(name)} stands there twice",
                "Give each column its own name",
            )
    for use in uses(mapping):
        if use.column not in delimited.columns:
            problems.add(
                use.path,
                f"{quoted(use.column)} is not among the names in delimited.columns",
                meant(use.column, delimited.columns),
            )


# Who reads which column


def _shared_columns(mapping: Mapping, problems: Problems) -> None:
    found = uses(mapping)
    for use in found:
        _trimmed(use.column, use.path, problems)
    by_column: dict[str, list[Use]] = defaultdict(list)
    for use in found:
        for earlier in by_column[use.column]:
            clash = _clash(mapping, earlier, use)
            if clash:
                line = problems.places.line_of(earlier.path)
                problems.add(
                    use.path, f"the column {quoted(use.column)} is already {earlier.what} (line {line})", clash
                )
                break
        by_column[use.column].append(use)


def _clash(mapping: Mapping, first: Use, second: Use) -> str:
    """What to do when two uses of one column cannot both be right; "" when they can."""
    kinds = {first.kind, second.kind}
    if kinds == {"note"}:
        return "Take it out"
    if kinds == {"patient", "note"}:
        return "Take it out of the notes: a note would carry the patient's identifier as free text"
    keys = [str(use.path[1]) for use in (first, second) if use.path[0] == "vitals"]
    if kinds == {"value"} and len(keys) == 2:
        if all(mapping.vitals[key].pattern for key in keys):
            return ""
        return (
            f"Give {keys[1]} its own column; a cell such as 120/80 needs a pattern in both, "
            f"with the groups (?P<{keys[0]}>...) and (?P<{keys[1]}>...)"
        )
    # A label such as "T-ear" may tell the site as well as the vital.
    shareable = ({"value", "note"}, {"label", "site"}, {"unit"})
    if kinds in shareable or kinds.isdisjoint({"patient", "time", "label", "value", "unit"}):
        return ""
    return "Name the column that holds it"


def _trimmed(text: str, path: Path, problems: Problems) -> None:
    if text != text.strip():
        problems.add(
            path,
            f"{quoted(text)} begins or ends with a blank",
            f"Write {quoted(text.strip())}: blanks around names and cells are taken off before comparing",
        )


# Time


def _time(mapping: Mapping, problems: Problems) -> None:
    time = mapping.time
    _age(mapping, problems)
    if problems.known(("time", "zone")):
        _zone(time.zone, problems)
    _formats(("time",), "", time.formats, len(time.columns), time.zone, problems)
    _clock(mapping, problems)


def _formats(table: Path, prefix: str, formats: Sequence[str], columns: int, zone: str, problems: Problems) -> None:
    """Check formats of one table, each by itself, against the others, the zone and the number of columns joined."""
    key = (*table, f"{prefix}formats")
    for at, text in enumerate(formats):
        path: Path = (*key, at)
        _format(text, path, problems)
        if text in formats[:at]:
            problems.add(path, f"the format {quoted(text)} stands there twice", "Take one out")
            continue
        if not problems.known(key, ("time", "zone")):
            continue
        for earlier in formats[:at]:
            if _skeleton(text) == _skeleton(earlier):
                problems.add(
                    path,
                    f"{quoted(text)} and {quoted(earlier)} read the same text as different days",
                    "Keep the one this kind of monitor prints; day and month are never guessed row by row",
                )
        has_offset = "z" in _directives(text)
        if has_offset and zone != OFFSET_IN_TEXT:
            problems.add(
                path,
                f"%z reads an offset from the text, but the zone is {zone}",
                f'Write zone = "{OFFSET_IN_TEXT}", or take %z out',
            )
        elif not has_offset and zone == OFFSET_IN_TEXT:
            problems.add(
                path,
                f"the zone is {OFFSET_IN_TEXT}, but {quoted(text)} has no %z",
                "Add %z where the offset stands, or name the zone whose local time the monitor shows",
            )
        if columns > 1 and not re.search(r"\s", text.strip()) and problems.known((*table, f"{prefix}columns")):
            problems.add(
                path,
                f"{quoted(text)} has no blank, but {columns} columns are joined by one",
                'Write the formats of the columns in their order with a blank between, such as "%m/%d/%Y %H:%M"',
            )


def _age(mapping: Mapping, problems: Problems) -> None:
    """Whether the mapping says where the time stands: in columns, or as an age with an anchor."""
    time = mapping.time
    age = time.age if problems.known(("time", "age")) else None
    if not problems.known(("time", "age")):
        return
    if age is None or age.anchor == "columns" or time.columns or time.formats:
        for name in ("columns", "formats"):
            path: Path = ("time", name)
            if not getattr(time, name) and problems.known(path):
                what, todo = missing(path)
                problems.add(path, "there is nothing in it" if path in problems.places else what, todo)
    elif time.zone == OFFSET_IN_TEXT and problems.known(("time", "zone")):
        problems.add(
            ("time", "zone"),
            f"the zone is {OFFSET_IN_TEXT}, but no time is read from a text",
            "Name the zone of the place, in which the records tell the time",
        )
    if age is None:
        if ("memory",) in problems.places:
            problems.add(
                ("memory",),
                "[memory] is used where entries carry ages, and this mapping has no [time.age]",
                "Leave [memory] out",
            )
        return
    if age.anchor == "capture" and mapping.form == "delimited" and problems.known(("form",)):
        problems.add(
            ("time", "age", "anchor"),
            "a delimited export has no record of when it was captured",
            'Write anchor = "columns" when the export holds the time of sending, else anchor = "given"',
        )
    for at, text in enumerate(time.formats):
        if problems.known(("time", "formats")) and not set(_directives(text)) & set("HI"):
            problems.add(
                ("time", "formats", at),
                f"{quoted(text)} holds no time of day, so {age.unit} cannot be counted back from it",
                "Add hour and minute, and their column to time.columns when they have their own",
            )


def _clock(mapping: Mapping, problems: Problems) -> None:
    """Whether what is said of the monitor's clock can be used: two times of one moment, and what to do with them."""
    table: Path = ("time", "clock")
    clock, zone = mapping.time.clock, mapping.time.zone
    if clock is None or not problems.known(table):
        return
    if mapping.time.age is not None and problems.known(("time", "age")):
        problems.add(
            table,
            "entries with ages do not depend on the monitor's clock",
            "Leave [time.clock] out, or [time.age] when the entries carry times",
        )
        return
    _compared(mapping, clock, problems)
    for at, text in enumerate(mapping.time.formats):
        if problems.known(("time", "formats")) and not set(_directives(text)) & set("HI"):
            problems.add(
                ("time", "formats", at),
                f"{quoted(text)} holds no time of day, so it cannot be held against a clock",
                "Add hour and minute, or leave [time.clock] out",
            )
    for prefix in ("", "reference_"):
        formats = getattr(clock, f"{prefix}formats")
        joined = getattr(clock, f"{prefix}columns")
        _formats(table, prefix, formats, len(joined), zone, problems)
        for at, text in enumerate(formats):
            if not set(_directives(text)) & set("HI"):
                path: Path = (*table, f"{prefix}formats", at)
                problems.add(path, f"{quoted(text)} holds no time of day", "Add hour and minute")


def _compared(mapping: Mapping, clock: Clock, problems: Problems) -> None:
    """Whether the keys of [time.clock] belong together."""
    table: Path = ("time", "clock")
    if not clock.columns:
        for name in ("formats", "reference", "reference_columns", "reference_formats", "policy", "limit_minutes"):
            if (*table, name) in problems.places:
                problems.add(
                    (*table, name),
                    f"{name} is used to compare the clock, and no columns hold the monitor's own time",
                    "Name them in time.clock.columns, or leave this out: then only resets are looked for",
                )
        return
    for name in ("reference", "policy", "limit_minutes"):
        if getattr(clock, name) is None:
            problems.add((*table, name), *missing((*table, name)))
    if clock.reference == "columns" and not clock.reference_columns:
        problems.add(
            (*table, "reference"),
            "the true time stands in columns, and reference_columns names none",
            "Name them in time.clock.reference_columns",
        )
    for name in ("reference_columns", "reference_formats"):
        if clock.reference in ("capture", "given") and getattr(clock, name):
            problems.add(
                (*table, name),
                f'{name} is not read, because the reference is "{clock.reference}"',
                'Write reference = "columns", or leave this out',
            )
    if clock.reference == "capture" and mapping.form == "delimited" and problems.known(("form",)):
        problems.add(
            (*table, "reference"),
            "a delimited export has no record of when it was captured",
            'Write reference = "columns" when the export holds the true time of its making, else reference = "given"',
        )
    if mapping.device.column is None and mapping.device.fixed is None and problems.known(("device",)):
        problems.add(
            (*table, "columns"),
            "it is not said whose clock this is",
            "Name the monitor in [device], by its column or as fixed",
        )


def _zone(zone: str, problems: Problems) -> None:
    path = ("time", "zone")
    advice = "Write the IANA zone of the place, such as America/New_York or Europe/Berlin"
    if zone == OFFSET_IN_TEXT or _OFFSET.fullmatch(zone):
        return
    if zone.upper() in _ABBREVIATIONS:
        problems.add(
            path,
            f"{quoted(zone)} is an abbreviation: it does not say when the clocks change",
            f"Write the place, such as {_ABBREVIATIONS[zone.upper()]}, or a fixed offset such as -05:00 for a "
            "clock that nobody ever sets to summer time",
        )
    elif zone[:1] in "+-":
        problems.add(
            path, f"{quoted(zone)} is not an offset", "Write sign, two digits, colon, two digits: +05:30 or -05:00"
        )
    elif zone.startswith("Etc/GMT") and zone[7:8] in ("+", "-") and zone in _zones():
        sign = "-" if zone[7] == "+" else "+"
        problems.add(
            path,
            f"{zone} has its sign the other way round: it means UTC{sign}{zone[8:]}",
            f'Write zone = "{sign}{int(zone[8:]):02d}:00", or the place',
        )
    elif zone not in _zones():
        # Only what would be taken: never an abbreviation, nor a zone whose sign is the other way round.
        close = nearest(zone, (name for name in _zones() if name not in _ABBREVIATIONS and name[:7] != "Etc/GMT"))
        problems.add(
            path,
            f"{quoted(zone)} is not in the IANA time zone database",
            f"Write {close}, if that is what was meant" if close else advice,
        )


@cache
def _zones() -> frozenset[str]:
    """Every zone the packaged IANA database holds; the machine's own list may differ and is not asked."""
    return frozenset(resources.files("tzdata").joinpath("zones").read_text("utf-8").split()) - {"Factory", "localtime"}


def _directives(text: str) -> list[str]:
    return re.findall(r"%(.)", text, re.DOTALL)


def _skeleton(text: str) -> str:
    """The format with the two-digit parts of a date made alike: equal skeletons fit the same texts."""
    return re.sub(r"%[dmy]", "%d", text.strip())


def _format(text: str, path: Path, problems: Problems) -> None:
    names = [name for name in _directives(text) if name != "%"]
    if "%" in re.sub(r"%.", "", text, flags=re.DOTALL):
        problems.add(path, f"{quoted(text)} ends in a single %", "Write %% for a percent sign")
        return
    for name in names:
        if name not in DIRECTIVES:
            known = listed((f"%{known}" for known in DIRECTIVES), 20)
            todo = "Take the hyphen out: %d reads 7 and 07 alike" if name == "-" else f"Use {known}"
            problems.add(path, f"%{name} is not a directive the gateway reads", todo)
            return
    what, todo = _incomplete(names)
    if what:
        problems.add(path, f"{quoted(text)} {what}", todo)


def _incomplete(names: list[str]) -> tuple[str, str]:
    """What a format leaves unsaid or says twice, and what to do; two empty texts when it is complete."""
    has = set(names)
    if not names:
        return "holds no directives", 'Write the shape of the time, not an example: "%Y-%m-%d %H:%M"'
    if len(names) > len(has) or any(len(has & set(same)) > 1 for same in ("Yy", "mbBj", "dj", "HI")):
        return "says the year, month, day or hour twice", "Keep one directive for each part of the time"
    if not has & set("Yy") or not ("j" in has or ("d" in has and has & set("mbB"))):
        return "holds no whole date", (
            "Add year, month and day, such as %Y-%m-%d, and the date's column to time.columns when it has its own"
        )
    if ("I" in has) != ("p" in has):
        return "has one of %I (12-hour clock) and %p (AM or PM)", "Use both, or %H for a 24-hour clock"
    if has & set("HIMSfp") and not ("M" in has and has & set("HI")):
        return "has a time of day without hour and minute", "Write %H:%M, or leave the time of day out"
    if "f" in has and "S" not in has:
        return "has parts of a second without seconds", "Write %S.%f"
    return "", ""


# Who


def _uri(value: str, path: Path, problems: Problems) -> None:
    if not value:
        return
    if value.startswith("urn:oid:") and not _OID.fullmatch(value):
        problems.add(
            path, f"{quoted(value)} is not an OID", "Write urn:oid: and numbers with dots, such as urn:oid:2.16.840"
        )
    elif value.startswith("urn:uuid:") and not _UUID.fullmatch(value):
        problems.add(path, f"{quoted(value)} is not a UUID", "Write urn:uuid: and a UUID in lower case")
    elif not _URI.fullmatch(value) or re.fullmatch(r"https?:/{0,2}", value, re.IGNORECASE):
        host = re.fullmatch(r"[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)+(/\S*)?", value)
        oid = re.fullmatch(r"[0-2](\.[0-9]+)+", value)
        todo = (
            f"Write urn:oid:{value}"
            if oid
            else f"Write https://{value}"
            if host
            else ("Write one such as https://hospital.example/mrn or urn:oid:2.16.840.1")
        )
        problems.add(path, f"{quoted(value)} is not an absolute URI", todo)


def _who(mapping: Mapping, problems: Problems) -> None:
    _uri(mapping.namespace, ("namespace",), problems)
    patient = mapping.patient
    _uri(patient.system, ("patient", "system"), problems)
    if patient.pattern:
        _regex(patient.pattern, ("patient", "pattern"), problems)
    _identifier_type(patient.type, ("patient", "type"), problems)
    _identifier(patient, ("patient",), problems)
    _systems(mapping, problems)
    for name, party in _parties(mapping):
        _uri(party.system, (name, "system"), problems)
        _identifier(party, (name,), problems)
        if party.column is not None and party.fixed is not None:
            problems.add((name, "fixed"), "there is a column and a fixed value", "Keep the one that is right")
        elif party.column is None and party.fixed is None and problems.known((name,)) and (name,) in problems.places:
            problems.add(
                (name,),
                f"the table says nothing about where the {name} stands",
                'Add column = "..." or fixed = "...", or take the table out',
            )
        elif party.fixed is not None and not party.fixed.strip():
            problems.add((name, "fixed"), "the value is blank", "Write the identifier or take the key out")
    nobody = patient.column is None and mapping.device.column is None and mapping.device.fixed is None
    if nobody and problems.known(("patient", "column"), ("device",)):
        problems.add(
            ("patient", "column"),
            "no column names the patient, and no device is known to ask associations",
            'Add column = "..." here, or [device] with column or fixed',
        )


def _identifier_type(code: str, path: Path, problems: Problems) -> None:
    if not re.fullmatch(r"[A-Z0-9]{1,5}", code):
        problems.add(
            path,
            f"{quoted(code)} is not a code of HL7 table 0203",
            "Write MR for a record number, PI for an internal number, or another of its codes",
        )


def _identifier(source: Patient | Identified, base: Path, problems: Problems) -> None:
    """Prefixes and the check digit of an identifier."""
    strip: Path = (*base, "strip")
    if source.strip and source.column is None and problems.known((*base, "column")):
        problems.add(
            strip,
            "no column holds this identifier, so there is nothing to take off",
            'Add column = "...", or take strip out: what associations and fixed values say is taken as it is',
        )
    for at, prefix in enumerate(source.strip):
        _trimmed(prefix, (*strip, at), problems)
        if prefix in source.strip[:at]:
            problems.add((*strip, at), f"{quoted(prefix)} stands there twice", "Keep one")
    if source.check and schemes.scheme(source.check) is None:
        close = nearest(source.check, schemes.names())
        problems.add(
            (*base, "check"),
            f"there is no check digit scheme named {quoted(source.check)}",
            f"Write {close}, if that is what was meant"
            if close
            else f"Known: {listed(schemes.general(), 12)}, and the national schemes of python-stdnum, such as gb.nhs",
        )
        return
    fixed = source.fixed if isinstance(source, Identified) else None
    if source.check and fixed is not None and not schemes.passes(source.check, fixed.strip()):
        problems.add((*base, "check"), "the fixed value fails its check digit", "Correct the one that is wrong")


def _systems(mapping: Mapping, problems: Problems) -> None:
    """The table for exports with patients of several identifier systems."""
    patient = mapping.patient
    if patient.systems is None:
        return
    base: Path = ("patient", "systems")
    if patient.column is None and problems.known(("patient", "column")):
        problems.add(base, "no column names the patient, so no column can say whose identifier it is", "Take it out")
    if patient.subject == "reference":
        problems.add(
            ("patient", "subject"),
            "a reference to Patient/id holds no identifier system, so [patient.systems] would be lost",
            'Write subject = "identifier", or take [patient.systems] out',
        )
    known = {patient.system: (patient.authority, patient.type)}
    for text, each in patient.systems.values.items():
        path: Path = (*base, "values", text)
        if known.setdefault(each.system, (each.authority, each.type)) != (each.authority, each.type):
            problems.add(
                (*path, "system"),
                "the same system stands in this mapping with another authority or type",
                "Give both the same authority and type, or correct the system",
            )
        _trimmed(text, path, problems)
        _uri(each.system, (*path, "system"), problems)
        _identifier_type(each.type, (*path, "type"), problems)


def _category(mapping: Mapping, problems: Problems) -> None:
    category = mapping.category
    if category.column is not None and category.fixed is not None:
        problems.add(("category", "fixed"), "there is a column and a fixed category", "Keep the one that is right")
    elif category.column is not None and not category.values and problems.known(("category", "values")):
        problems.add(
            ("category", "values"),
            "nothing says what the texts of the column mean",
            'Add values = { "A" = "adult", "P" = "child" } with the texts of the export',
        )
    elif category.values and category.column is None and problems.known(("category", "column")):
        problems.add(
            ("category", "values"),
            "there is no column whose texts these could be",
            'Add column = "...", or write fixed = "adult" instead',
        )
    _tokens(category.values, ("category", "values"), problems, blank=True)


def _qualifiers(mapping: Mapping, problems: Problems) -> None:
    for name, known in vocabulary.qualifiers().items():
        source: Qualifier = getattr(mapping, name)
        path: Path = (name,)
        if not problems.known(path) or path not in problems.places:
            continue
        if source.column is not None and source.fixed is not None:
            problems.add((*path, "fixed"), f"there is a column and a fixed {name}", "Keep the one that is right")
        elif source.column is None and source.fixed is None and problems.known((*path, "column"), (*path, "fixed")):
            what = f"the table says nothing about where the {name} stands"
            problems.add(path, what, f'Add column = "...", or fixed = "{next(iter(known.answers))}"')
        elif source.column is None and source.values:
            what = "there is no column whose texts these could be"
            problems.add((*path, "values"), what, 'Take values out, or write column = "..." instead of fixed')
        elif source.column is not None:
            _texts_there(source.values, (*path, "values"), f'"..." = "{next(iter(known.answers))}"', problems)
        for place, answer in (
            *(((*path, "values", text), answer) for text, answer in source.values.items()),
            *([((*path, "fixed"), source.fixed)] if source.fixed is not None else []),
        ):
            if answer not in known.answers:
                problems.add(place, f"{quoted(answer)} is not an answer of {name}", meant(answer, known.answers))
        carried = [key for panel in vocabulary.panels().values() if name in panel.qualifiers for key in panel.members]
        if not set(carried) & set(mapping.vitals) and problems.known(("vitals",)):
            what = f"{name} is said of a blood pressure, and the mapping reads none"
            problems.add(path, what, f"Take [{name}] out, or add one of {listed(carried)}")


def _tokens(texts: Iterable[str], path: Path, problems: Problems, *, blank: bool = False) -> None:
    for text in texts:
        if not text and not blank:
            problems.add(
                (*path, text),
                "a blank cell is never compared with it",
                "Take the line out",
            )
        else:
            _trimmed(text, (*path, text), problems)


# The vitals


def _vitals(mapping: Mapping, problems: Problems) -> None:
    known = vocabulary.vitals()
    for key, source in mapping.vitals.items():
        vital = known.get(key)
        path: Path = ("vitals", key)
        if vital is None:
            problems.add(path, f"{quoted(key)} is not a vital the gateway knows", _meant_vital(key))
            problems.spoil(path)
            continue
        _units(mapping, source, vital, path, problems)
        _site_and_method(source, vital, path, problems)
        _answers(source, vital, path, problems)
        _tokens(source.absent, (*path, "absent"), problems, blank=True)
    _tokens(mapping.absent, ("absent",), problems, blank=True)


def _meant_vital(name: str) -> str:
    known = vocabulary.vitals()
    plain = name.replace("_", " ").casefold()
    for key, vital in known.items():
        if plain in {label.casefold() for label in vital.labels} or plain == vital.title.casefold():
            return f"Write [vitals.{key}], if {vital.title.lower()} is meant; known: {listed(known, 30)}"
    close = nearest(name, known)
    if close:
        return f"Write [vitals.{close}], if that is what was meant; known: {listed(known, 30)}"
    return f"Known: {listed(known, 30)}"


def _units(mapping: Mapping, source: VitalSource, vital: Vital, path: Path, problems: Problems) -> None:
    if vital.kind == "coded":
        for name in ("unit", "unit_column", "units", "record_unit", "decimals", "comparators"):
            if getattr(source, name) not in (None, [], {}):
                problems.add((*path, name), f"{vital.key} is one of a few answers and has no {name}", "Take it out")
        if source.unit_in_text:
            problems.add((*path, "unit_in_text"), f"{vital.key} is one of a few answers and has no unit", "Take it out")
        return
    names = ("unit", "unit_column", "unit_in_text", "units")
    shared = mapping.delimited is not None and mapping.delimited.unit_column is not None
    given = [name for name in ("unit", "unit_column", "unit_in_text") if getattr(source, name)]
    if not problems.known(*((*path, name) for name in names), ("delimited", "unit_column")):
        pass
    elif not given and not shared:
        column = "unit_column in [delimited]" if mapping.long else "unit_column"
        problems.add(
            path,
            f"nothing says in which unit {vital.key} is exported",
            f'Add unit = "..." ({_spelt(vital)}), or {column}, or unit_in_text = true',
        )
    elif given == ["unit"] and not shared and source.units:
        problems.add(
            (*path, "units"),
            "unit texts are for a unit that stands in a column or behind the number",
            "Take units out, or add unit_column or unit_in_text = true",
        )
    elif "unit" not in given and not source.units:
        where = "in the text" if source.unit_in_text else "in the unit column"
        problems.add(
            path,
            f"nothing says which unit texts may stand {where} for {vital.key}",
            f"Add units = [...] with the texts of the export ({_spelt(vital)}); others are held",
        )
    if source.unit is not None:
        _unit(source.unit, (*path, "unit"), vital, problems)
    if isinstance(source.units, dict):
        _tokens(source.units, (*path, "units"), problems)
        for text, unit in source.units.items():
            _unit(unit, (*path, "units", text), vital, problems)
    else:
        for at, text in enumerate(source.units):
            _unit(text, (*path, "units", at), vital, problems, text_of_export=True)
            if text in source.units[:at]:
                problems.add((*path, "units", at), f"{quoted(text)} stands there twice", "Take one out")
    if source.record_unit is not None and source.record_unit not in vital.units:
        problems.add(
            (*path, "record_unit"),
            f"a record of {vital.key} cannot be in {quoted(source.record_unit)}",
            f"Write {' or '.join(vital.units)}, or leave the key out for {vital.units[0]}",
        )


def _unit(text: str, path: Path, vital: Vital, problems: Problems, *, text_of_export: bool = False) -> None:
    unit = vocabulary.unit_for(text)
    if unit is None:
        spellings = {spelling: known for known in _fitting(vital) for spelling in (known.ucum, *known.spellings)}
        close = spellings.get(nearest(text, spellings))
        what = f"{quoted(text)} is not a unit the gateway knows"
        if close is not None and text_of_export:
            problems.add(path, what, f"Say what it means: units = {{ {quoted(text)} = {quoted(close.ucum)} }}")
        elif text_of_export:
            problems.add(path, what, f'Say what it means: units = {{ {quoted(text)} = "..." }}, one of {_spelt(vital)}')
        elif close is not None:
            problems.add(
                path, what, f"Write {quoted(close.ucum)}, if that is what was meant; known here: {_spelt(vital)}"
            )
        else:
            problems.add(path, what, f"Write one of {_spelt(vital)}")
    elif unit.dimension != vital.dimension:
        problems.add(
            path,
            f"{quoted(text)} measures {unit.dimension}, and {vital.key} is a {vital.dimension}",
            f"Write one of {_spelt(vital)}",
        )


def _fitting(vital: Vital) -> list[Unit]:
    return [unit for unit in vocabulary.units().values() if unit.dimension == vital.dimension]


def _spelt(vital: Vital) -> str:
    return listed(unit.ucum for unit in _fitting(vital))


def _site_and_method(source: VitalSource, vital: Vital, path: Path, problems: Problems) -> None:
    for name, told, known, example in (
        ("site", source.site, vital.sites, '"O" = "oral"'),
        ("method", source.method, vital.methods, '"OSC" = "oscillometric"'),
    ):
        if isinstance(told, str):
            _choice(told, (*path, name), name, known, vital, problems)
        elif told is not None:
            _texts_there(told.values, (*path, name, "values"), example, problems)
            for text, choice in told.values.items():
                _choice(choice, (*path, name, "values", text), name, known, vital, problems)
    if source.quality is not None and vital.kind == "coded":
        problems.add((*path, "quality"), f"{vital.key} is one of a few answers and has no quality", "Take it out")
    elif source.quality is not None:
        _texts_there(source.quality.values, (*path, "quality", "values"), '"LOW" = "questionable"', problems)


def _texts_there(values: Collection[str], path: Path, example: str, problems: Problems) -> None:
    """The texts of a column that tells something beside the value: some, not blank, and trimmed."""
    if not values and problems.known(path):
        what = "nothing says what the texts of the column mean"
        problems.add(path, what, f"Add the texts of the export: values = {{ {example} }}")
    _tokens(values, path, problems)


def _choice(name: str, path: Path, what: str, known: Collection[str], vital: Vital, problems: Problems) -> None:
    if name not in known:
        todo = meant(name, known) if known else f"Take it out: the vocabulary has no {what} for {vital.key}"
        article = "an" if what == "answer" else "a"
        problems.add(path, f"{quoted(name)} is not {article} {what} of {vital.key}", todo)


def _answers(source: VitalSource, vital: Vital, path: Path, problems: Problems) -> None:
    if vital.kind != "coded":
        if source.codes:
            problems.add(
                (*path, "codes"),
                f"{vital.key} is a number, not one of a few answers",
                "Take codes out; tokens that stand for no value belong in absent",
            )
        return
    if not source.codes and problems.known((*path, "codes")):
        problems.add(
            path,
            f"nothing says which texts mean which answer of {vital.key}",
            f'Add codes = {{ "text" = "answer" }}; answers: {listed(vital.answers)}',
        )
    _tokens(source.codes, (*path, "codes"), problems)
    for text, answer in source.codes.items():
        _choice(answer, (*path, "codes", text), "answer", vital.answers, vital, problems)
        if text in source.absent:
            problems.add(
                (*path, "absent", text), f"{quoted(text)} is an answer in codes as well", "Keep one of the two"
            )


# Patterns


def _regex(text: str, path: Path, problems: Problems) -> re.Pattern[str] | None:
    try:
        return re.compile(text)
    except (re.error, OverflowError, RecursionError) as error:
        place = f" at character {error.pos + 1}" if isinstance(error, re.error) and error.pos is not None else ""
        problems.add(
            path,
            f"the regular expression has a fault{place}: {error.msg if isinstance(error, re.error) else error}",
            "Mend it; single quotes keep backslashes as they are: '\\d+'",
        )
        return None


def _patterns(mapping: Mapping, problems: Problems) -> None:
    known = vocabulary.vitals()
    for key, source in mapping.vitals.items():
        if not source.pattern or key not in known:
            continue
        path: Path = ("vitals", key, "pattern")
        pattern = _regex(source.pattern, path, problems)
        if pattern is None:
            continue
        groups = set(pattern.groupindex)
        if key not in groups:
            problems.add(path, f"no group is named {key}", f"Name the group that holds the value: (?P<{key}>\\d+)")
        elif pattern.match("") and pattern.fullmatch(""):
            problems.add(path, "it fits the empty text", "Make the number necessary: \\d+ rather than \\d*")
        for group in sorted(groups - {key}):
            if group not in known:
                problems.add(
                    path,
                    f"the group {group} is not a vital the gateway knows",
                    f"Use (?:...) for a group that is not read; {_lower_first(_meant_group(group))}",
                )
            elif not _reads(mapping, group, source) and problems.known(("vitals", group)):
                where = f"column = {quoted(source.column)}" if source.column is not None else "the same labels"
                todo = f"Add [vitals.{group}] with {where} and the same pattern, or use (?:...)"
                if group in mapping.vitals:
                    todo = f"Use (?:...), as {group} is read from elsewhere"
                problems.add(path, f"the group {group} is read by no vital, so its value would be lost", todo)


def _meant_group(name: str) -> str:
    close = nearest(name, vocabulary.vitals())
    return f"Write {close}, if that is what was meant" if close else f"Known: {listed(vocabulary.vitals(), 30)}"


def _lower_first(text: str) -> str:
    return text[:1].lower() + text[1:]


def _reads(mapping: Mapping, key: str, like: VitalSource) -> bool:
    other = mapping.vitals.get(key)
    if other is None:
        return False
    return other.column == like.column and (like.column is not None or bool(set(other.labels) & set(like.labels)))


# Limits, rules, output


def _plausibility(mapping: Mapping, problems: Problems) -> None:
    plausibility = mapping.plausibility
    if plausibility.profile not in vocabulary.profiles():
        problems.add(
            ("plausibility", "profile"),
            f"there is no table of limits named {quoted(plausibility.profile)}",
            meant(plausibility.profile, vocabulary.profiles()),
        )
    known = vocabulary.vitals()
    for category, bands in plausibility.limits.items():
        for key, band in bands.items():
            path: Path = ("plausibility", "limits", category, key)
            if key not in known:
                problems.add(path, f"{quoted(key)} is not a vital the gateway knows", _meant_group(key))
            elif known[key].kind == "coded":
                problems.add(path, f"{key} is one of a few answers and has no limits", "Take it out")
            else:
                _band(band, path, problems)


def _band(band: Band, path: Path, problems: Problems) -> None:
    if band.hold is None and band.flag is None:
        if problems.known(path):
            problems.add(path, "the limits say neither hold nor flag", "Add hold = [low, high] or flag = [low, high]")
        return
    for name, pair in (("hold", band.hold), ("flag", band.flag)):
        if pair is not None and pair[0] >= pair[1]:
            problems.add(
                (*path, name),
                f"the low limit {pair[0]} is not below the high limit {pair[1]}",
                f"Write {name} = [low, high]",
            )
            return
    if band.hold and band.flag and (band.flag[0] < band.hold[0] or band.flag[1] > band.hold[1]):
        problems.add(
            (*path, "flag"),
            "it is wider than hold, so it would never mark anything there",
            "Keep flag inside hold: values outside hold are held before they could be marked",
        )


def _rules(mapping: Mapping, problems: Problems, known: Collection[str], adjustable: Collection[str] | None) -> None:
    for slug in mapping.rules:
        if slug not in known:
            close = nearest(slug, known)
            problems.add(
                ("rules", slug),
                f"there is no rule named {quoted(slug)}",
                f"Write {close}, if that is what was meant" if close else "`gateway rules` lists them",
            )
        elif adjustable is not None and slug not in adjustable:
            problems.add(
                ("rules", slug),
                f"the effect of {slug} is not for a mapping to choose",
                f"Take it out; adjustable are {listed(sorted(adjustable), 30)}",
            )


def _output(mapping: Mapping, problems: Problems) -> None:
    oru = mapping.output.oru
    for name in ("sending_application", "sending_facility", "receiving_application", "receiving_facility"):
        text: str = getattr(oru, name)
        if len(text.splitlines()) > 1 or "|" in text:
            problems.add(
                ("output", "oru", name),
                f"{quoted(text)} cannot stand in a field of MSH",
                "Write one line without |; parts of the field are separated by ^",
            )
    if oru.profile_identifier and (len(oru.profile_identifier.split("^")) > 4 or "|" in oru.profile_identifier):
        problems.add(
            ("output", "oru", "profile_identifier"),
            "an entity identifier has at most four parts",
            "Write name^namespace^oid^ISO",
        )


_CHECKS: tuple[Callable[[Mapping, Problems], None], ...] = (
    _form,
    _vitals,
    _layout,
    _serial_vitals,
    _records,
    _framing,
    _labels,
    _characters,
    _encoding,
    _footer,
    _header,
    _shared_columns,
    _time,
    _who,
    _category,
    _qualifiers,
    _patterns,
    _plausibility,
    _output,
)
