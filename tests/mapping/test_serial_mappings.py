"""Mappings of listings and framed captures: each mistake is told once, at its line, with what to do."""

from __future__ import annotations

from typing import NamedTuple

import pytest

from gateway.errors import MappingError
from gateway.mapping import columns, ready
from gateway.mapping.loader import load

HEAD = """\
title = "Ward monitors"
version = "1"
form = "FORM"
namespace = "https://hospital.example/spot-check"
sequence = "no"

"""
RECORDS = """\
[[FORM.records]]
use = "header"
pattern = 'SENT (?P<sent>.+)'

[[FORM.records]]
use = "entry"
match = 'R\\|'
fields = ["", "no", "patient", "age"]

[[FORM.records]]
use = "part"
match = 'V'
widths = { pulse = [3, 5], "temp" = [7, 10] }

[[FORM.records]]
use = "event"
pattern = 'BATT (?P<level>\\d+)'
meaning = "battery low"

[[FORM.records]]
use = "ignore"
pattern = '-+'

"""
REST = """\
[time]
columns = ["sent"]
formats = ["%Y-%m-%d %H:%M"]
zone = "America/New_York"

[time.age]
column = "age"
anchor = "columns"

[patient]
column = "patient"
pattern = "any"
system = "https://hospital.example/mrn"

[vitals.heart_rate]
column = "pulse"
unit = "/min"

[vitals.temperature]
column = "temp"
unit = "Cel"
"""
LISTING = (HEAD + '[listing]\nencoding = "cp1252"\n\n' + RECORDS + REST).replace("FORM", "listing")
FRAMED = (
    HEAD + '[framed]\nstart = "02"\nend = ["03"]\ncontinues = ["17"]\ncontrol = ["05", "04"]\nafter = "0D0A"\n\n'
    + RECORDS + REST
).replace("FORM", "framed")  # fmt: skip
DELIMITED = (HEAD + '[delimited]\nlayout = "wide"\n\n' + REST).replace("FORM", "delimited")


class Fault(NamedTuple):
    """`old` becomes `new`: the one error stands at the line that holds `at` and says `what` and `todo`."""

    old: str
    new: str
    key: str
    what: str
    todo: str
    at: str
    base: str = LISTING


ENTRY = 'use = "entry"\nmatch = \'R\\|\'\nfields = ["", "no", "patient", "age"]'
PART = 'use = "part"\nmatch = \'V\'\nwidths = { pulse = [3, 5], "temp" = [7, 10] }'
FAULTS = {
    # The form and its table
    "no table": Fault(DELIMITED, HEAD.replace("FORM", "listing") + REST, "listing", "the table [listing] is missing",
                      "Add [[listing.records]]", "title =", DELIMITED),
    "another table": Fault(REST, REST + '[delimited]\nlayout = "wide"\n', "delimited",
                           "is for exports of the form delimited, and the form here is listing", "Take it out",
                           "[delimited]"),
    "records missing": Fault(RECORDS.replace("FORM", "listing"), "", "listing.records", "the key records is missing",
                             "Add [[listing.records]]", "[listing]"),
    "use missing": Fault('use = "header"\n', "", "listing.records item 1.use", "the key use is missing",
                         'Add use = "entry"', "[[listing.records]]\npattern = 'SENT"),
    "use unknown": Fault('use = "header"', 'use = "head"', "listing.records item 1.use", '"head" is not known here',
                         "Write header", 'use = "head"'),
    "encoding": Fault("cp1252", "cp1253x", "listing.encoding", "is not an encoding", "Write cp125", "encoding ="),
    # How a record is cut
    "not cut": Fault("pattern = '-+'\n", "", "listing.records item 5", "nothing says how the record is cut",
                     "Add pattern =", '[[listing.records]]\nuse = "ignore"'),
    "cut twice": Fault("fields = [", "pattern = 'R.*'\nfields = [", "listing.records item 2.fields",
                       "cut by pattern already", "Keep one", 'fields = [""'),
    "pattern and match": Fault("pattern = '-+'", "pattern = '-+'\nmatch = '-'", "listing.records item 5.match",
                               "for the whole record already", "Take match out", "match = '-'"),
    "bad pattern": Fault("SENT (?P<sent>.+)'", "SENT (?P<sent>.+)('", "listing.records item 1.pattern",
                         "regular expression has a fault at character", "Mend it", "pattern = 'SENT"),
    "bad match": Fault("match = 'V'", "match = 'V('", "listing.records item 3.match", "has a fault", "Mend it",
                       "match = 'V"),
    "group twice": Fault("'BATT (?P<level>\\d+)'", "'BATT (?P<level>\\d+) (?P<level>\\d+)'",
                         "listing.records item 4.pattern", "redefinition of group name 'level'", "Mend it", "'BATT"),
    "delimiter for widths": Fault("match = 'V'", "match = 'V'\ndelimiter = \";\"", "listing.records item 3.delimiter",
                                  "nothing is cut there without fields", "Take it out", "delimiter ="),
    "no delimiter": Fault("match = 'R\\|'", "match = 'R\\|'\ndelimiter = \"\"", "listing.records item 2.delimiter",
                          "need a character between them", "Write it", "delimiter ="),
    "field twice": Fault('"age"]', '"age", "no"]', "listing.records item 2.fields item 5",
                         'the column "no" stands there twice', "its own name", 'fields = ['),
    "field with a blank": Fault('fields = ["", "no", ', 'fields = ["x ", "no", ',
                                "listing.records item 2.fields item 1", "begins or ends with a blank", 'Write "x"',
                                "fields = ["),
    "width from nought": Fault("[3, 5]", "[0, 5]", "listing.records item 3.widths.pulse",
                               "no characters from 0 to 5", "counted from 1", "widths ="),
    "width backwards": Fault("[3, 5]", "[5, 3]", "listing.records item 3.widths.pulse",
                             "no characters from 5 to 3", "counted from 1", "widths ="),
    "half a width": Fault("[3, 5]", "[3]", "listing.records item 3.widths.pulse", "must be two numbers",
                          "Write pulse = [first, last], counted from 1", "widths ="),
    "three for a width": Fault("[3, 5]", "[3, 4, 5]", "listing.records item 3.widths.pulse", "must be two numbers",
                               "[first, last]", "widths ="),
    "width in words": Fault("[3, 5]", '["3", 5]', "listing.records item 3.widths.pulse item 1",
                            "a whole number is expected", "Write", "widths ="),
    "meaning of no event": Fault("pattern = '-+'", "pattern = '-+'\nmeaning = \"line\"",
                                 "listing.records item 5.meaning", "has no meaning in words", "Take it out",
                                 'meaning = "line"'),
    "header without columns": Fault("pattern = '-+'", "pattern = '-+'\n\n[[listing.records]]\nuse = \"header\"\n"
                                    "pattern = 'LIST'", "listing.records item 6", "gives no column",
                                    'write use = "ignore"', "[[listing.records]]\nuse = \"header\"\npattern = 'LIST'"),
    "capture time taken": Fault('["", "no"', '["capture time", "no"', "listing.records item 2",
                                "is the gateway's own column", "another name", '[[listing.records]]\nuse = "entry"'),
    # Records that take too much
    "empty text": Fault("'-+'", "'-*'", "listing.records item 5.pattern", "fits the empty text", "never left out",
                        "'-*'"),
    "ignores all": Fault("'-+'", "'.+'", "listing.records item 5.pattern", "fits every record", "begins with", "'.+'"),
    "event for all": Fault("'BATT (?P<level>\\d+)'", "'.*\\S.*'", "listing.records item 4.pattern",
                           "whatever else comes would vanish", "begins with", "'.*\\S.*'"),
    "ignores all fields": Fault("pattern = '-+'", 'fields = ["x"]', "listing.records item 5", "it fits every record",
                                "Add match", '[[listing.records]]\nuse = "ignore"'),
    "hides the others": Fault("match = 'R\\|'\n", "", "listing.records item 2", "declared after it are never found",
                              "put it last", '[[listing.records]]\nuse = "entry"'),
    # Agreement with the rest
    "no entry": Fault('use = "entry"', 'use = "part"', "listing.records", "no record begins an entry",
                      'Write use = "entry"', "[[listing.records]]\nuse = \"header\""),
    "unknown column": Fault('column = "pulse"', 'column = "pulze"', "vitals.heart_rate.column",
                            '"pulze" is not among the groups, fields and widths', "Write pulse, if that",
                            'column = "pulze"'),
    "unknown time column": Fault('columns = ["sent"]', 'columns = ["Sent at"]', "time.columns item 1",
                                 "is not among the groups", "sent", "columns ="),
    "unknown age column": Fault('column = "age"', 'column = "ages"', "time.age.column", "is not among the groups",
                                "Write age", 'column = "ages"'),
    "unknown sequence": Fault('sequence = "no"', 'sequence = "num"', "sequence", "is not among the groups",
                              "Known: sent, no,", "sequence ="),
    "column of an event": Fault('column = "temp"', 'column = "level"', "vitals.temperature.column",
                                'is only in records with use = "event"', 'use = "part"', 'column = "level"'),
    "vital without column": Fault('column = "temp"\n', "", "vitals.temperature",
                                  "the form listing needs the column of this vital", "Add column",
                                  "[vitals.temperature]"),
    "labels": Fault('column = "temp"', 'labels = ["temp"]', "vitals.temperature.labels",
                    "labels belong to the long layout of delimited exports", 'add column = "temp"', "labels ="),
    "no unit": Fault('unit = "Cel"\n', "", "vitals.temperature", "in which unit temperature is exported",
                     "or unit_column,", "[vitals.temperature]"),
    # Ages
    "age on the time column": Fault('column = "age"', 'column = "sent"', "time.age.column", "is already the time",
                                    "Name the column", 'column = "sent"'),
    "anchor without columns": Fault('columns = ["sent"]\n', "", "time.columns", "the key columns is missing",
                                    "Add columns", "[time]"),
    "anchor without formats": Fault('formats = ["%Y-%m-%d %H:%M"]\n', "", "time.formats", "the key formats is missing",
                                    "Add formats", "[time]"),
    "no age, no columns": Fault('columns = ["sent"]\nformats = ["%Y-%m-%d %H:%M"]\nzone = "America/New_York"\n\n'
                                '[time.age]\ncolumn = "age"\nanchor = "columns"\n',
                                'formats = ["%Y-%m-%d %H:%M"]\nzone = "America/New_York"\n', "time.columns",
                                "the key columns is missing", "Add columns", "[time]"),
    "anchor of a day": Fault("%Y-%m-%d %H:%M", "%Y-%m-%d", "time.formats item 1",
                             "holds no time of day, so minutes cannot be counted back", "Add hour and minute",
                             "formats ="),
    "anchor missing": Fault('anchor = "columns"\n', "", "time.age.anchor", "the key anchor is missing",
                            'Add anchor = "columns", "capture" or "given"', "[time.age]"),
    "capture of a delimited export": Fault('anchor = "columns"', 'anchor = "capture"', "time.age.anchor",
                                           "has no record of when it was captured", 'anchor = "given"',
                                           'anchor = "capture"', DELIMITED),
    "offset without text": Fault(
        'columns = ["sent"]\nformats = ["%Y-%m-%d %H:%M"]\nzone = "America/New_York"\n\n[time.age]\ncolumn = "age"\n'
        'anchor = "columns"',
        'zone = "offset-in-text"\n\n[time.age]\ncolumn = "age"\nanchor = "capture"', "time.zone",
        "no time is read from a text", "Name the zone", "zone =",
    ),
    # Frames
    "start in words": Fault('start = "02"', 'start = "STX"', "framed.start", "is not a row of bytes in hexadecimal",
                            'such as "02"', "start =", FRAMED),
    "half a byte": Fault('after = "0D0A"', 'after = "0D0"', "framed.after", "is not a row of bytes in hexadecimal",
                         "two digits for each byte", "after =", FRAMED),
    "end also start": Fault('end = ["03"]', 'end = ["03", "02"]', "framed.end item 2", "given in start already",
                            "one meaning", "end =", FRAMED),
    "end also control": Fault('"05", "04"', '"05", "03"', "framed.control item 2", "given in end already",
                              "one meaning", "control =", FRAMED),
    "control twice": Fault('"05", "04"', '"05", "05"', "framed.control item 2", "given in control already",
                           "one meaning", "control =", FRAMED),
    "column of a frame": Fault('column = "pulse"', 'column = "puls"', "vitals.heart_rate.column",
                               "is not among the groups", "Write pulse", 'column = "puls"', FRAMED),
}  # fmt: skip


@pytest.mark.parametrize("text", [LISTING, FRAMED, DELIMITED], ids=["listing", "framed", "delimited"])
def test_good_mapping_has_no_mistake(text: str) -> None:
    loaded = load(text)
    assert "age" in columns(loaded.mapping)


@pytest.mark.parametrize("fault", FAULTS.values(), ids=FAULTS)
def test_mistake_is_told_at_its_line(fault: Fault) -> None:
    assert fault.base.count(fault.old) == 1
    text = fault.base.replace(fault.old, fault.new)
    with pytest.raises(MappingError) as caught:
        load(text)
    problems = list(caught.value.problems)
    assert [str(problem) for problem in problems] == [str(problems[0])], "one fault, one error"
    assert text.count(fault.at) >= 1
    line = text[: text.index(fault.at)].count("\n") + 1
    assert problems[0].where == f"mapping, line {line}, key {fault.key}"
    assert fault.what in problems[0].what
    assert fault.todo in problems[0].todo


@pytest.mark.parametrize("anchor", ["capture", "given"])
def test_another_anchor_needs_no_columns(anchor: str) -> None:
    old = 'columns = ["sent"]\nformats = ["%Y-%m-%d %H:%M"]\nzone'
    assert LISTING.count(old) == 1
    text = LISTING.replace(old, "zone").replace('anchor = "columns"', f'anchor = "{anchor}"')
    assert load(text).mapping.time.columns == []


def test_times_without_an_age_are_allowed() -> None:
    text = LISTING.replace('[time.age]\ncolumn = "age"\nanchor = "columns"\n', "")
    assert load(text).mapping.time.age is None


def test_a_fault_in_the_form_hides_nothing_and_invents_nothing() -> None:
    text = LISTING.replace('form = "listing"', 'form = "listng"').replace('unit = "Cel"', 'unit = "Celcius"')
    with pytest.raises(MappingError) as caught:
        load(text)
    assert [problem.where.rpartition("key ")[2] for problem in caught.value.problems] == [
        "form", "vitals.temperature.unit",
    ]  # fmt: skip


def test_memory_is_for_exports_with_ages() -> None:
    text = ready()["wide-example"].read_text("utf-8") + "\n[memory]\nentries = 40\n"
    with pytest.raises(MappingError) as caught:
        load(text)
    (problem,) = caught.value.problems
    assert problem.where == f"mapping, line {text[: text.index('[memory]')].count(chr(10)) + 1}, key memory"
    assert "no [time.age]" in problem.what
