"""Kinds of record, for the forms whose records are declared one by one: their model, and what can be wrong in them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field

from gateway.mapping.places import Path
from gateway.mapping.problems import Problems, meant, quoted
from gateway.mapping.table import Table
from gateway.mapping.tables.vitals import check_columns
from gateway.mapping.texts import regex, trimmed
from gateway.mapping.uses import uses
from gateway.patterns import Pattern, PatternError

if TYPE_CHECKING:
    from gateway.mapping.model import Mapping

CAPTURE_TIME = "capture time"
"""Column that serial-style exports have besides those of their records: when the list began to arrive."""

Span = Annotated[tuple[int, int], Field(strict=False)]
"""First and last character, counted from 1. TOML has lists only, so a list is taken for the pair."""

_WITHOUT_COLUMNS = frozenset({"event", "ignore"})


class Record(Table):
    """One kind of line or record in a serial-style export: how it is known, and the columns it gives.

    Exactly one of `pattern`, `fields` and `widths` says how the record is cut.
    """

    use: Literal["entry", "part", "header", "event", "ignore"] = Field(
        description="entry: begins an entry; part: adds to the open entry; header: its columns go with every entry "
        "that follows; event: about the monitor itself; ignore: nothing of interest"
    )
    pattern: str = Field(default="", description="regular expression for the whole record; named groups are columns")
    match: str = Field(default="", description="with fields or widths: regular expression the record begins with")
    delimiter: str = Field(default="|", max_length=1, description="with fields: what stands between them")
    fields: list[str] = Field(default=[], description="names of the fields by position; empty for one not read")
    widths: dict[str, Span] = Field(default={}, description="column = [first, last] character, counted from 1")
    meaning: str = Field(default="", description="event: what it means, in words")


def check(form: str, records: Sequence[Record] | None, mapping: Mapping, problems: Problems) -> None:
    """Note what is wrong with the records of a form and with the columns that are read from them.

    Args:
        form: name of the form, and of its table.
        records: what the table declares; None when there is no such table.
        mapping: the whole mapping.
        problems: takes the mistakes.
    """
    if mapping.form != form or not problems.known(("form",)):
        return
    check_columns(
        mapping, problems, labels="the long layout of delimited exports", needs=f"the form {form}",
        column="a group, field or width of a record", instead="the group or field of a record",
    )  # fmt: skip
    if records is not None and problems.known((form, "records")):
        _records((form, "records"), records, mapping, problems)


def _records(base: Path, records: Sequence[Record], mapping: Mapping, problems: Problems) -> None:
    sound = [_record(record, (*base, at), at == len(records) - 1, problems) for at, record in enumerate(records)]
    if not any(record.use == "entry" for record in records):
        problems.add(base, "no record begins an entry", 'Write use = "entry" in the record that begins one')
    if not all(sound):
        return
    given: dict[str, list[str]] = defaultdict(list)
    for record in records:
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
            return Pattern(record.pattern).names
        except PatternError:
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
            fault = regex(text, (*path, name), problems) is None or fault
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
        pattern = Pattern(record.pattern)
        if pattern.fits(""):
            what = f"{quoted(record.pattern)} fits the empty text"
            problems.add((*path, "pattern"), what, "Write what is never left out; blank lines are passed over anyway")
        elif record.use in _WITHOUT_COLUMNS and pattern.fits(probe):
            what = f"{quoted(record.pattern)} fits every record, so whatever else comes would vanish"
            problems.add((*path, "pattern"), what, "Write what this kind of record begins with")
        return
    fits_all = not record.match or Pattern(record.match).begins(probe) >= 0
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
            trimmed(name, (*path, "fields", at), problems)
            if name and name in record.fields[:at]:
                problems.add(
                    (*path, "fields", at),
                    f"the column {quoted(name)} stands there twice",
                    'Give each field its own name, or "" when it is not read',
                )
    for name, (first, end) in record.widths.items():
        trimmed(name, (*path, "widths", name), problems)
        if not 1 <= first <= end:
            problems.add(
                (*path, "widths", name),
                f"there are no characters from {first} to {end}",
                f"Write {name} = [first, last], counted from 1",
            )
    if CAPTURE_TIME in _columns_of(record):
        problems.add(path, f"{quoted(CAPTURE_TIME)} is the gateway's own column", "Give the column another name")
