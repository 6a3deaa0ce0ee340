"""The table of delimited text, and what can be wrong in it."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated, ClassVar, Literal

from pydantic import Field, StringConstraints

from gateway.mapping import encodings
from gateway.mapping.places import Path
from gateway.mapping.problems import Problems, meant, quoted
from gateway.mapping.table import FormTable, Table, Text
from gateway.mapping.tables.vitals import AbsentReason, check_columns
from gateway.mapping.texts import regex, tokens, trimmed
from gateway.mapping.uses import uses

if TYPE_CHECKING:
    from gateway.mapping.model import Mapping


class Only(Table):
    """Which rows are meant, where an export holds rows of other kinds as well: laboratory values, texts, orders."""

    column: Text = Field(description="the column that tells the kinds apart")
    values: list[Text] = Field(description="its texts in the rows that are meant; all others are counted as left out")


RANGE = re.compile(r"([A-Z]{1,3})([1-9][0-9]{0,6}):([A-Z]{1,3})([1-9][0-9]{0,6})")
"""The first cell of a range and its last: columns as letters, rows from 1."""


class Sheet(Table):
    """Which part of a spreadsheet is meant, for exports that are such."""

    name: Text | None = Field(default=None, description="name of the sheet; may be left out where there is one only")
    range: Text | None = Field(default=None, description="its cells, such as B4:K500; all of them unless it is given")


class Delimited(FormTable):
    """How a delimited text export is laid out."""

    stand_ins: ClassVar = {(): {"layout": "wide"}, ("layout",): "wide"}
    hints: ClassVar = {
        (): '[delimited] with layout = "wide" or "long"',
        ("layout",): 'layout = "wide" (one row per set) or "long" (one row per reading)',
        ("only", "column"): 'column = "Category", the column that tells the kinds of rows apart',
        ("only", "values"): 'values = ["VITAL SIGNS"], its texts in the rows that are meant',
    }

    layout: Literal["wide", "long"] = Field(description="wide: one row per set; long: one row per reading")
    rows: Literal["delimited", "json"] = Field(
        default="delimited",
        description="what a line holds. delimited: cells between delimiters; json: a JSON object (RFC 8259), whose "
        "columns are named by JSON Pointers (RFC 6901) such as /patient/id; /results/-/value goes through each element "
        "of a list",
    )
    delimiter: Annotated[str, StringConstraints(min_length=1, max_length=3)] = Field(
        default=",", description="what stands between cells, one character to three"
    )
    quote: Annotated[str, StringConstraints(max_length=1)] = Field(default='"', description="empty for no quoting")
    escape: Annotated[str, StringConstraints(max_length=1)] = Field(
        default="", description="what takes its meaning from the character behind it, such as a backslash"
    )
    encoding: str = Field(
        default="utf-8", description="a Python codec name; a UTF-8 or UTF-16 byte order mark is accepted"
    )
    header: bool = Field(default=True, description="the first line that holds every mapped column is the header")
    columns: list[Text] = Field(default=[], description="names by position, when there is no header line")
    trailing_delimiter: bool = Field(
        default=False, description="each row ends with a delimiter that the header, or `columns`, has not"
    )
    header_within: int = Field(default=50, ge=1, le=1000, description="how many lines may stand before the header")
    footer: list[Text] = Field(
        default=[], description="regular expressions for lines after or between entries to leave out"
    )
    above: list[Text] = Field(
        default=[],
        description="regular expressions for lines above the header; each named group is a column of every row",
    )
    unit_row: bool = Field(
        default=False,
        description="the row below the header holds the units; that of column X is the column `unit of X`",
    )
    filled: list[Text] = Field(
        default=[], description="columns in which a blank cell means what the cell above it says"
    )
    label_column: Text | None = Field(default=None, description="long layout: the column that names the vital")
    value_column: Text | None = Field(default=None, description="long layout: the column that holds the value")
    unit_column: Text | None = Field(default=None, description="long layout: the column that holds the unit")
    status_column: Text | None = Field(
        default=None, description="long layout: the column that says whether the value was obtained"
    )
    statuses: dict[str, Literal["obtained"] | AbsentReason] = Field(
        default={}, description='its texts: "obtained", or the reason why there is no value; any other text is held'
    )
    order: Literal["by-set", "any"] = Field(
        default="by-set",
        description="long layout. by-set: the rows of a set follow each other; any: they may stand "
        "anywhere in the export",
    )
    sheet: Sheet | None = Field(default=None, description="where the export is a spreadsheet: which part is meant")
    only: Only | None = Field(default=None, description="which rows are meant, where there are others")

    @staticmethod
    def check(mapping: Mapping, problems: Problems) -> None:
        """Note what is wrong with the table, and with the labels of vitals, which are for its long layout only."""
        _layout(mapping, problems)
        _labels(mapping, problems)
        delimited = mapping.delimited
        if delimited is None:
            return
        _marks(delimited, mapping, problems)
        _json(delimited, mapping, problems)
        if mapping.form == "delimited":
            encodings.check(delimited.encoding, ("delimited", "encoding"), problems)
        _footer(delimited, problems)
        _only(delimited, problems)
        _above(delimited, mapping, problems)
        _sheet(delimited, problems)
        _statuses(delimited, problems)
        _header(delimited, mapping, problems)


def _layout(mapping: Mapping, problems: Problems) -> None:
    delimited = mapping.delimited
    if delimited is None or mapping.form != "delimited" or not problems.known(("form",), ("delimited", "layout")):
        return
    names = ("label_column", "value_column", "unit_column", "status_column")
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
    if delimited.order == "any":
        problems.add(
            ("delimited", "order"), "in the wide layout each row is a set", 'Take it out, or write layout = "long"'
        )
    for name in names:
        if getattr(delimited, name) is not None:
            problems.add(
                ("delimited", name),
                "the wide layout has one column for each vital",
                'Take it out, or write layout = "long"',
            )
    check_columns(
        mapping, problems, labels="the long layout", needs="the wide layout", column="the name in the header line"
    )


EACH = "/-/"
"""What stands in a JSON Pointer where it goes through each element of a list; RFC 6902 has `-` for one past its end."""

_OF_CELLS = (
    "delimiter", "quote", "escape", "header", "columns", "trailing_delimiter", "header_within", "footer", "above",
    "unit_row", "filled", "sheet",
)  # fmt: skip
"""Keys about cells between delimiters."""


def _json(delimited: Delimited, mapping: Mapping, problems: Problems) -> None:
    """Note what cannot be said of lines of JSON, and columns that are no JSON Pointers."""
    if delimited.rows != "json":
        return
    for key in _OF_CELLS:
        if key in delimited.model_fields_set:
            problems.add(("delimited", key), "a line of JSON has no such thing", "Take it out")
    through: dict[str, Path] = {}
    only = delimited.only
    named = [(use.column, use.path, use.kind) for use in uses(mapping)]
    if only is not None:
        named.append((only.column, ("delimited", "only", "column"), "only"))
    fixed = ("time", "patient", "sequence")
    for column, path, kind in named:
        if not column.startswith("/") or re.search("~(?![01])", column):
            problems.add(
                path,
                f"{quoted(column)} is no JSON Pointer",
                f"Write where the value stands, name by name from the outside: {quoted('/patient/id')}; "
                "~1 stands for a slash in a name, ~0 for ~",
            )
        elif EACH in column:
            through.setdefault(column.partition(EACH)[0], path)
            if delimited.layout == "wide":
                problems.add(
                    path, "in the wide layout each line is a set", 'Write layout = "long" for lists of readings'
                )
            elif kind in fixed or path == ("device", "column"):
                problems.add(path, "all readings of a list are one set", "Name where it stands beside the list")
            elif column.count(EACH) > 1:
                problems.add(path, "it goes through a list in a list", "Name one list only")
    for path in list(through.values())[1:]:
        problems.add(path, "it goes through another list than the first column that does", "Name one list only")
    if through and delimited.order == "any":
        problems.add(("delimited", "order"), "the readings of a list stand together", "Take it out")


def _labels(mapping: Mapping, problems: Problems) -> None:
    seen: dict[str, tuple[str, Path]] = {}
    for key, source in mapping.vitals.items():
        for at, label in enumerate(source.labels):
            path: Path = ("vitals", key, "labels", at)
            trimmed(label, path, problems)
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


def _marks(delimited: Delimited, mapping: Mapping, problems: Problems) -> None:
    if set(delimited.delimiter) & set("\r\n\0\x1f"):
        problems.add(
            ("delimited", "delimiter"),
            "a line end or NUL cannot stand between cells",
            'Write the character between two cells, such as "," ";" or "\\t"',
        )
    elif delimited.delimiter in ("\\t", "\\x09"):
        problems.add(
            ("delimited", "delimiter"),
            "single quotes keep the backslash, so this is more than one character",
            'Write a tab as "\\t" in double quotes',
        )
    elif any(map(str.isalnum, delimited.delimiter)):
        problems.add(
            ("delimited", "delimiter"),
            f"{quoted(delimited.delimiter)} is a letter or digit",
            'Write the character between two cells, such as "," ";" or "\\t"',
        )
    if delimited.escape and delimited.escape in f"{delimited.delimiter}{delimited.quote}\r\n\0":
        problems.add(
            ("delimited", "escape"),
            "the escape must differ from delimiter, quote and line ends",
            "Write escape = '\\', or leave it out",
        )
    elif delimited.escape.isalnum():
        problems.add(("delimited", "escape"), "a letter or digit would be lost from cells", "Write escape = '\\'")
    if delimited.quote and (delimited.quote in delimited.delimiter or delimited.quote in "\r\n\0"):
        problems.add(
            ("delimited", "quote"),
            "the quote must differ from the delimiter and from line ends",
            'Write quote = \'"\', or quote = "" when the export never quotes',
        )
    for name, mark in (("decimal", mapping.numbers.decimal), ("thousands", mapping.numbers.thousands)):
        if mark and mark == delimited.delimiter and not delimited.quote and problems.known(("numbers", name)):
            problems.add(
                ("delimited", "delimiter"),
                f"{quoted(mark)} stands between cells and is the {name} mark as well",
                "Without quotes a number would be cut in two: check delimiter, quote and [numbers]",
            )


def _footer(delimited: Delimited, problems: Problems) -> None:
    for at, text in enumerate(delimited.footer):
        path: Path = ("delimited", "footer", at)
        pattern = regex(text, path, problems)
        if pattern is not None and pattern.begins("") >= 0:
            problems.add(
                path,
                f"{quoted(text)} fits the empty text, so it could leave out every line",
                "Write what every footer line begins with, such as '^Total:'; blank lines are left out anyway",
            )


UNIT_OF = "unit of "
"""What stands before the name of a column in the name of the one that holds its unit from the row of units."""


def _above(delimited: Delimited, mapping: Mapping, problems: Problems) -> None:
    """What needs a header: lines above it, a row of units below it, and cells that are filled once for several rows."""
    seen: set[str] = set()
    for at, text in enumerate(delimited.above):
        path: Path = ("delimited", "above", at)
        pattern = regex(text, path, problems)
        if pattern is None:
            continue
        if not pattern.names:
            problems.add(path, "it gives no column", r"Name a group: '(?i)serial:? *(?P<Serial>\S+)'")
        elif pattern.fits(""):
            problems.add(path, "it fits the empty text", "Write what the line begins with")
        for name in pattern.names:
            if name in seen:
                problems.add(path, f"the column {name} is given by an earlier line already", "Give it another name")
            seen.add(name)
    if not delimited.header:
        for key in ("above", "unit_row"):
            if getattr(delimited, key):
                problems.add(("delimited", key), "there is no header to look above or below", "Take it out")
    if delimited.filled and delimited.order == "any":
        problems.add(
            ("delimited", "filled"),
            "where rows stand in any order, the row above says nothing",
            "Take it out, or take order out",
        )
    values = {use.column: use for use in uses(mapping) if use.kind in ("value", "label", "unit", "status")}
    for at, name in enumerate(delimited.filled):
        if name in values:
            problems.add(
                ("delimited", "filled", at),
                f"a blank cell of {quoted(name)} is no value: that of the row above was measured before",
                "Take it out",
            )


def _sheet(delimited: Delimited, problems: Problems) -> None:
    path: Path = ("delimited", "sheet", "range")
    if delimited.sheet is None or delimited.sheet.range is None or not problems.known(path):
        return
    if RANGE.fullmatch(delimited.sheet.range) is None:
        what = f"{quoted(delimited.sheet.range)} is no range of cells"
        problems.add(path, what, 'Write its first cell and its last in capitals: range = "B4:K500"')


def _only(delimited: Delimited, problems: Problems) -> None:
    if delimited.only is None or not problems.known(("delimited", "only")):
        return
    path: Path = ("delimited", "only", "values")
    if delimited.only.column in delimited.filled:
        problems.add(
            ("delimited", "only", "column"),
            "it is left blank in rows that are meant",
            "Take it out of delimited.filled",
        )
    trimmed(delimited.only.column, ("delimited", "only", "column"), problems)
    if not delimited.only.values:
        problems.add(path, "no rows are meant", 'Write the texts of those that are: values = ["VITAL SIGNS"]')
    for at, text in enumerate(delimited.only.values):
        trimmed(text, (*path, at), problems)


def _statuses(delimited: Delimited, problems: Problems) -> None:
    path: Path = ("delimited", "statuses")
    if not problems.known(path, ("delimited", "status_column")):
        return
    if delimited.status_column is None:
        if delimited.statuses:
            problems.add(path, "no column holds these texts", 'Name it: status_column = "Status"')
        return
    if not delimited.statuses:
        todo = 'Add statuses = { "DONE" = "obtained", "NOT DONE" = "not-performed" }'
        problems.add(("delimited", "status_column"), "nothing says what the texts of the column mean", todo)
    tokens(delimited.statuses, path, problems)


def _header(delimited: Delimited, mapping: Mapping, problems: Problems) -> None:
    if not problems.known(("delimited", "header"), ("delimited", "columns")):
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


TABLE = Delimited
