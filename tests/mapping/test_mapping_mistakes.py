"""Every mistake in a mapping is told at its own line, with its key and with what to do: one mutant for each."""

from __future__ import annotations

import re
from dataclasses import dataclass

import pytest

from gateway.errors import MappingError
from gateway.mapping import load, zones
from gateway.mapping.places import places
from gateway.mapping.problems import Problems

WIDE = """\
title = "Ward monitors"
version = "1"
form = "delimited"
namespace = "https://hospital.example/spot-check"
sequence = "Rec"
notes = ["Remark"]

[delimited]
layout = "wide"
delimiter = ","
quote = '"'
encoding = "utf-8"
header = true
footer = ['^Total']

[numbers]
decimal = "."
thousands = ""

[time]
columns = ["Date", "Time"]
formats = ["%m/%d/%Y %H:%M"]
zone = "America/New_York"

[patient]
column = "MRN"
system = "https://hospital.example/mrn"
pattern = '[0-9]{8}'

[device]
column = "Serial"
system = "urn:oid:2.16.840.1"

[location]
column = "Room"

[category]
column = "Mode"
values = { "A" = "adult", "P" = "child" }

[absent]
"---" = "not-performed"
"ERR" = { reason = "error", meaning = "measurement failed" }

[mode]
column = "Start"
values = { "M" = "manual", "A" = "automatic" }

[cuff]
fixed = "thigh"

[vitals.systolic]
column = "NIBP"
pattern = '(?P<systolic>[0-9]+)/(?P<diastolic>[0-9]+)'
unit = "mmHg"
method = "oscillometric"

[vitals.diastolic]
column = "NIBP"
pattern = '(?P<systolic>[0-9]+)/(?P<diastolic>[0-9]+)'
unit = "mmHg"

[vitals.heart_rate]
column = "HR"
unit_column = "HR unit"
units = ["/min", "bpm"]

[vitals.temperature]
column = "Temp"
unit = "Cel"
decimals = 1
method = { column = "Temp by", values = { "M" = "manual" } }
quality = { column = "Temp ok", values = { "1" = "good", "0" = "questionable" } }
site = { column = "Temp site", values = { "O" = "oral" } }

[vitals.weight]
column = "Wt"
unit_in_text = true
units = { "pds" = "lb" }
record_unit = "kg"
absent = { "Q1" = "error" }

[vitals.consciousness]
column = "LOC"
codes = { "A" = "alert", "V" = "voice" }

[rules]
time-ambiguous = "hold"

[plausibility]
profile = "proposal"

[plausibility.limits.adult]
temperature = { hold = [25, 45.5], flag = [34, 42] }

[output]
status = "final"

[output.fhir]
bundle_limit = 500

[output.oru]
sending_application = "SPOTCHECK"
"""

SYSTEMS = """\
[patient.systems]
column = "Hospital"
values = { "S" = { system = "urn:oid:2.9.7", type = "PI" } }
"""

PULSE = """\
title = "Pulses"
version = "1"
form = "delimited"
namespace = "https://hospital.example/spot-check"

[delimited]
layout = "wide"

[time]
columns = ["Time"]
formats = ["%Y-%m-%d %H:%M"]
zone = "Europe/Berlin"

[patient]
column = "MRN"
pattern = "any"
system = "https://hospital.example/mrn"

[vitals.heart_rate]
column = "HR"
unit = "/min"
"""

LONG = """\
title = "Ward monitors"
version = "1"
form = "delimited"
namespace = "https://hospital.example/spot-check"

[delimited]
layout = "long"
delimiter = ";"
label_column = "Label"
value_column = "Value"
unit_column = "Unit"

[numbers]
decimal = ","

[time]
columns = ["Time"]
formats = ["%d.%m.%Y %H:%M"]
zone = "Europe/Berlin"

[patient]
column = "MRN"
pattern = "any"
system = "https://hospital.example/mrn"

[vitals.spo2]
labels = ["SpO2"]
units = ["%"]

[vitals.pulse_oximeter]
labels = ["PR", "Puls"]
units = ["/min"]

[vitals.pain]
labels = ["NRS"]
unit = "{score}"
"""

RULES = {"time-ambiguous": True, "time-in-dst-gap": True, "undeclared-unit": False}


def mistakes(text: str) -> list[MappingError]:
    with pytest.raises(MappingError) as caught:
        load(text, known_rules=RULES, adjustable_rules={slug: ("hold", "note") for slug, free in RULES.items() if free})
    problems = list(caught.value.problems)
    assert problems, "each mistake is an error of its own"
    return problems


def line_with(text: str, part: str) -> int:
    """The line that holds `part`, which must stand once in the text."""
    assert text.count(part) == 1, f"{part!r} stands {text.count(part)} times"
    return text[: text.index(part)].count("\n") + 1


@dataclass(frozen=True)
class Fault:
    """A mistake made in a good mapping.

    `old` becomes `new`; the error must stand at the line that holds `at` (default: the first line of `new`), name
    `key`, and say the words in `what` and `todo`.
    """

    old: str
    new: str
    key: str
    what: str
    todo: str
    at: str = ""
    base: str = WIDE


PATTERN = "pattern = '(?P<systolic>[0-9]+)/(?P<diastolic>[0-9]+)'\nunit = \"mmHg\"\nmethod"

FAULTS = {
    # Keys, types and words
    "unknown key": Fault(
        'unit = "Cel"', 'unti = "Cel"', "vitals.temperature.unti", "no such key",
        "Write unit, if that is what was meant",
    ),
    "unknown key in other letters": Fault(
        'delimiter = ","', 'Delimiter = ","', "delimited.Delimiter", "no such key", "Write delimiter"
    ),
    "key below a foreign header": Fault(
        'zone = "America/New_York"', 'zone = "America/New_York"\nstatus = "final"  # here', "time.status",
        "no such key", "status belongs in [output]", at="# here",
    ),
    "top key below a header": Fault(
        'profile = "proposal"', 'profile = "proposal"\nsequence = "No"', "plausibility.sequence", "no such key",
        "Move sequence to the top of the file, before the first [table]", at='sequence = "No"',
    ),
    "unknown table": Fault("[rules]", "[ruels]", "ruels", "no such key", "Write rules, if that is what was meant"),
    "missing key": Fault(
        'zone = "America/New_York"\n', "", "time.zone", "zone is missing", 'Add zone = "America/New_York"', at="[time]"
    ),
    "missing title": Fault('title = "Ward monitors"\n', "", "title", "title is missing", "Add title =",
                           at='version = "1"'),
    "missing layout": Fault('layout = "wide"\n', "", "delimited.layout", "layout is missing", "one row per set",
                            at="[delimited]"),
    "missing reason": Fault(
        '{ reason = "error", meaning = "measurement failed" }', '{ meaning = "broken" }', "absent.ERR.reason",
        "reason is missing", 'Add reason = "error"',
    ),
    "number for a text": Fault('version = "1"', "version = 1.10", "version", "a text is expected, and this is a number",
                               'Put it in quotes: version = "1.10"'),
    "date for a text": Fault('version = "1"', "version = 2026-03-14", "version", "this is a date",
                             'version = "2026-03-14"'),
    "text for true": Fault("header = true", 'header = "yes"', "delimited.header", "true or false is expected",
                           "Write header = true or header = false, without quotes"),
    "text for a number": Fault("decimals = 1", 'decimals = "1"', "vitals.temperature.decimals",
                               "a whole number is expected", "from 0 to 4, without quotes"),
    "text for a list": Fault('columns = ["Date", "Time"]', 'columns = "Date"', "time.columns",
                             "a list is expected, and this is a text", 'Write columns = ["Date"]'),
    "text for a list or table": Fault('units = ["/min", "bpm"]', 'units = "bpm"', "vitals.heart_rate.units",
                                      "a list or a table is expected", 'Write units = ["bpm"]'),
    "number for a token's reason": Fault('"---" = "not-performed"', '"---" = 1', 'absent.---',
                                         "a table or a text is expected", 'Write "---" = "error"'),
    "empty text": Fault('column = "MRN"', 'column = ""', "patient.column", "the text is empty", "leave the key out"),
    "empty list": Fault('formats = ["%m/%d/%Y %H:%M"]', "formats = []", "time.formats", "nothing in it",
                        'Add formats = ["%Y-%m-%d %H:%M"]'),
    "too many time columns": Fault('columns = ["Date", "Time"]', 'columns = ["a", "b", "c", "d"]', "time.columns",
                                   "there are 4 items", "Keep at most 3"),
    "number out of range": Fault("bundle_limit = 500", "bundle_limit = 0", "output.fhir.bundle_limit", "out of range",
                                 "from 1 to 10000"),
    "tab in single quotes": Fault('delimiter = ","', "delimiter = '\\t'", "delimited.delimiter",
                                  "more than one character", 'Write a tab as "\\t" in double quotes'),
    "unknown word": Fault('status = "final"', 'status = "finnal"', "output.status", '"finnal" is not known here',
                          "Write final, if that is what was meant"),
    "unknown reason": Fault('"---" = "not-performed"', '"---" = "not performed"', "absent.---",
                            '"not performed" is not known here', "Write not-performed"),
    "unknown category": Fault('"P" = "child"', '"P" = "kid"', "category.values.P", '"kid" is not known here',
                              "Known: neonate, infant, child, adult, unknown", at='"P" = "kid"'),
    "unknown category of limits": Fault("[plausibility.limits.adult]", "[plausibility.limits.adults]",
                                        "plausibility.limits.adults", '"adults" is not known here', "Write adult"),
    "one limit of two": Fault("hold = [25, 45.5]", "hold = [25]", "plausibility.limits.adult.temperature.hold",
                              "there must be two numbers", "Write hold = [low, high]"),
    "limit in quotes": Fault("hold = [25, 45.5]", 'hold = ["25", 45.5]',
                             "plausibility.limits.adult.temperature.hold item 1", "a number is expected",
                             "Write the number without quotes"),
    "limit without end": Fault("hold = [25, 45.5]", "hold = [25, inf]",
                               "plausibility.limits.adult.temperature.hold item 2", "no limit", "Write a number"),
    # The vocabulary
    "unknown vital": Fault("[vitals.heart_rate]", "[vitals.hart_rate]", "vitals.hart_rate", "not a vital",
                           "Write [vitals.heart_rate], if that is what was meant"),
    "a monitor's label as vital": Fault("[vitals.heart_rate]", "[vitals.HR]", "vitals.HR", "not a vital",
                                        "Write [vitals.heart_rate], if heart rate is meant"),
    "unknown unit": Fault('unit = "Cel"', 'unit = "Celcius"', "vitals.temperature.unit", '"Celcius" is not a unit',
                          'Write "Cel", if that is what was meant; known here: Cel, [degF], K'),
    "unit of another dimension": Fault('unit = "Cel"', 'unit = "kPa"', "vitals.temperature.unit",
                                       '"kPa" measures pressure', "Write one of Cel, [degF], K"),
    "unknown unit text": Fault('units = ["/min", "bpm"]', 'units = ["/min", "Schläge"]',
                               "vitals.heart_rate.units item 2",
                               '"Schläge" is not a unit', 'units = { "Schläge" = "..." }'),
    "unknown unit of a text": Fault('"pds" = "lb"', '"pds" = "lbsx"', "vitals.weight.units.pds", '"lbsx" is not a unit',
                                    'Write "[lb_av]", if that is what was meant', at='"pds" = "lbsx"'),
    "unit text twice": Fault('units = ["/min", "bpm"]', 'units = ["/min", "/min"]', "vitals.heart_rate.units item 2",
                             "stands there twice", "Take one out"),
    "record unit not allowed": Fault('record_unit = "kg"', 'record_unit = "[stone_av]"', "vitals.weight.record_unit",
                                     "a record of weight cannot be in", "Write kg or [lb_av] or g"),
    "no unit": Fault('unit = "Cel"\n', "", "vitals.temperature", "in which unit temperature is exported",
                     'Add unit = "..." (Cel, [degF], K)', at="[vitals.temperature]"),
    "unit column without texts": Fault('units = ["/min", "bpm"]\n', "", "vitals.heart_rate",
                                       "which unit texts may stand in the unit column", "Add units = [...]",
                                       at="[vitals.heart_rate]"),
    "unit in the text without texts": Fault('units = { "pds" = "lb" }\n', "", "vitals.weight",
                                            "which unit texts may stand in the text", "Add units = [...]",
                                            at="[vitals.weight]"),
    "unit texts for a fixed unit": Fault('unit = "Cel"', 'unit = "Cel"\nunits = ["°C"]', "vitals.temperature.units",
                                         "in a column or behind the number", "Take units out", at='units = ["°C"]'),
    "unknown site": Fault('"O" = "oral"', '"O" = "orall"', "vitals.temperature.site.values.O",
                          '"orall" is not a site of temperature', "Write oral"),
    "site of another vital": Fault('unit_in_text = true', 'unit_in_text = true\nsite = "oral"', "vitals.weight.site",
                                   '"oral" is not a site of weight', "Take it out", at='site = "oral"'),
    "unknown method": Fault('method = "oscillometric"', 'method = "oscilometric"', "vitals.systolic.method",
                            "is not a method of systolic", "Write oscillometric"),
    "unknown answer": Fault('"V" = "voice"', '"V" = "verbal"', "vitals.consciousness.codes.V",
                            '"verbal" is not an answer of consciousness', "alert"),
    "coded vital without answers": Fault('codes = { "A" = "alert", "V" = "voice" }\n', "", "vitals.consciousness",
                                         "which texts mean which answer", "Add codes =", at="[vitals.consciousness]"),
    "coded vital with a unit": Fault('column = "LOC"', 'column = "LOC"\nunit = "1"', "vitals.consciousness.unit",
                                     "has no unit", "Take it out", at='unit = "1"'),
    "codes for a number": Fault("decimals = 1", 'codes = { "H" = "alert" }', "vitals.temperature.codes",
                                "temperature is a number", "belong in absent"),
    "token both answer and absent": Fault('column = "LOC"', 'column = "LOC"\nabsent = { "V" = "error" }',
                                          "vitals.consciousness.absent.V", '"V" is an answer in codes as well',
                                          "Keep one", at='absent = { "V"'),
    "token with blanks": Fault('"Q1" = "error"', '" Q1" = "error"', 'vitals.weight.absent." Q1"',
                               "begins or ends with a blank", 'Write "Q1"'),
    "blank answer": Fault('"V" = "voice"', '"" = "voice"', 'vitals.consciousness.codes.""', "never compared",
                          "Take the line out"),
    "unknown profile": Fault('profile = "proposal"', 'profile = "propsal"', "plausibility.profile",
                             'no table of limits named "propsal"', "Write proposal"),
    "limits of an unknown vital": Fault("temperature = { hold", "temperatur = { hold",
                                        "plausibility.limits.adult.temperatur", "not a vital", "Write temperature"),
    "limits the wrong way round": Fault("hold = [25, 45.5]", "hold = [45, 25]",
                                        "plausibility.limits.adult.temperature.hold", "45 is not below", "[low, high]"),
    "flag wider than hold": Fault("flag = [34, 42]", "flag = [20, 42]", "plausibility.limits.adult.temperature.flag",
                                  "wider than hold", "Keep flag inside hold"),
    "limits that say nothing": Fault("{ hold = [25, 45.5], flag = [34, 42] }", "{}",
                                     "plausibility.limits.adult.temperature", "neither hold nor flag", "Add hold"),
    "unknown rule": Fault("time-ambiguous =", "time-ambigous =", "rules.time-ambigous", "no rule named",
                          "Write time-ambiguous"),
    "rule not adjustable": Fault("time-ambiguous =", "undeclared-unit =", "rules.undeclared-unit",
                                 "not for a mapping to choose", "adjustable are time-ambiguous, time-in-dst-gap"),
    # The layout
    "wide without column": Fault('column = "Temp"\n', "", "vitals.temperature", "needs the column of this vital",
                                 "Add column =", at="[vitals.temperature]"),
    "wide with labels": Fault('column = "Temp"', 'labels = ["Temp"]', "vitals.temperature.labels",
                              "labels belong to the long layout", 'add column = "Temp"'),
    "wide with a label column": Fault("header = true", 'header = true\nlabel_column = "Label"',
                                      "delimited.label_column",
                                      "one column for each vital", 'Take it out, or write layout = "long"',
                                      at="label_column"),
    "long without label column": Fault('label_column = "Label"\n', "", "delimited.label_column",
                                       "needs the column that names the vital", 'Add label_column = "Parameter"',
                                       at="[delimited]", base=LONG),
    "long without value column": Fault('value_column = "Value"\n', "", "delimited.value_column",
                                       "needs the column that holds the value", "Add value_column", at="[delimited]",
                                       base=LONG),
    "long without labels": Fault('labels = ["SpO2"]\n', "", "vitals.spo2", "needs the texts of the label column",
                                 "Add labels =", at="[vitals.spo2]", base=LONG),
    "long with a column": Fault('labels = ["SpO2"]', 'column = "SpO2"', "vitals.spo2.column",
                                "one value column for all vitals", 'add labels = ["SpO2"]', base=LONG),
    "long with a unit column of one vital": Fault('units = ["%"]', 'units = ["%"]\nunit_column = "U"',
                                                  "vitals.spo2.unit_column", "one unit column for all vitals",
                                                  "name the column as unit_column in [delimited]",
                                                  at='unit_column = "U"', base=LONG),
    "long without any unit": Fault('unit_column = "Unit"\n', "", "vitals.pulse_oximeter", "in which unit",
                                   "Add unit =", at="[vitals.pulse_oximeter]",
                                   base=LONG.replace('units = ["%"]', 'unit = "%"').replace('units = ["/min"]\n', "")),
    "label of two vitals": Fault('labels = ["PR", "Puls"]', 'labels = ["PR", "SpO2"]',
                                 "vitals.pulse_oximeter.labels item 2", '"SpO2" already means spo2 (line 27)',
                                 "Give it to one vital", base=LONG),
    "label twice": Fault('labels = ["PR", "Puls"]', 'labels = ["PR", "PR"]', "vitals.pulse_oximeter.labels item 2",
                         "stands there twice", "Take one out", base=LONG),
    "label with a blank": Fault('labels = ["SpO2"]', 'labels = ["SpO2 "]', "vitals.spo2.labels item 1",
                                "begins or ends with a blank", 'Write "SpO2"', base=LONG),
    "decimal mark between cells": Fault('delimiter = ";"', "delimiter = ','\nquote = ''", "delimited.delimiter",
                                        "is the decimal mark as well", "check delimiter", base=LONG),
    "decimal and thousands alike": Fault('thousands = ""', 'thousands = "."', "numbers.thousands",
                                         "is the decimal mark as well", 'thousands = ""'),
    "letter between cells": Fault('delimiter = ","', 'delimiter = "x"', "delimited.delimiter", "a letter or digit",
                                  "Write the character between two cells"),
    "line end between cells": Fault('delimiter = ","', 'delimiter = "\\n"', "delimited.delimiter", "a line end",
                                    "Write the character between two cells"),
    "quote is the delimiter": Fault("quote = '\"'", "quote = ','", "delimited.quote", "must differ", "Write quote ="),
    "unknown encoding": Fault('encoding = "utf-8"', 'encoding = "utf-9"', "delimited.encoding", "not an encoding",
                              "Write utf-8"),
    "everyday name of an encoding": Fault('encoding = "utf-8"', 'encoding = "ANSI"', "delimited.encoding",
                                          "not an encoding", "Write cp1252"),
    "codec that is no encoding, by another name": Fault('encoding = "utf-8"', 'encoding = "u7"', "delimited.encoding",
                                                        "not an encoding", "usual ones are"),
    "codec that is no encoding": Fault('encoding = "utf-8"', 'encoding = "base64"', "delimited.encoding",
                                       "not an encoding", "usual ones are"),
    "fault in a footer": Fault("footer = ['^Total']", "footer = ['^Total', '(']", "delimited.footer item 2",
                               "fault at character 1", "Mend it"),
    "footer that fits all": Fault("footer = ['^Total']", "footer = ['.*']", "delimited.footer item 1",
                                  "could leave out every line", "'^Total:'"),
    "names without need": Fault("header = true", 'header = true\ncolumns = ["Date"]', "delimited.columns",
                                "without a header line", "header = false", at='columns = ["Date"]\n'),
    "no header and no names": Fault("header = true", "header = false", "delimited.columns", "needs the names",
                                    "Add columns =", at="[delimited]"),
    "column not among the names": Fault(
        'value_column = "Value"', 'value_column = "Val"\nheader = false\n'
        'columns = ["Label", "Value", "Unit", "Time", "MRN"]', "delimited.value_column",
        '"Val" is not among the names', "Write Value", base=LONG,
    ),
    "name twice": Fault(
        'value_column = "Value"', 'value_column = "Value"\nheader = false\n'
        'columns = ["Label", "Value", "Unit", "Time", "MRN", "Time"]', "delimited.columns item 6",
        '"Time" stands there twice', "its own name", at="columns = [\"Label\"", base=LONG,
    ),
    # Columns
    "two vitals on one column": Fault('column = "HR"', 'column = "Temp"', "vitals.temperature.column",
                                      "is already heart_rate (line 64)", "Give temperature its own column",
                                      at='column = "Temp"\nunit = "Cel"'),
    "one of two without pattern": Fault("pattern = '(?P<systolic>[0-9]+)/(?P<diastolic>[0-9]+)'\nunit = \"mmHg\"\n\n",
                                        'unit = "mmHg"\n\n', "vitals.diastolic.column", "is already systolic (line 53)",
                                        "needs a pattern in both", at='column = "NIBP"\nunit'),
    "vital on the patient's column": Fault('column = "Wt"', 'column = "MRN"', "vitals.weight.column",
                                           "is already the patient (line 26)", "Name the column that holds it",
                                           at='column = "MRN"\nunit_in'),
    "patient in the notes": Fault('notes = ["Remark"]', 'notes = ["Remark", "MRN"]', "notes item 2",
                                  "is already the patient", "Take it out of the notes"),
    "note twice": Fault('notes = ["Remark"]', 'notes = ["Remark", "Remark"]', "notes item 2", "is already a note",
                        "Take it out"),
    "time column twice": Fault('columns = ["Date", "Time"]', 'columns = ["Date", "Date"]', "time.columns item 2",
                               "is already the time", "Name the column"),
    "unit column is a value": Fault('unit_column = "HR unit"', 'unit_column = "HR"', "vitals.heart_rate.unit_column",
                                    "is already heart_rate", "Name the column"),
    "value column is the label": Fault('value_column = "Value"', 'value_column = "Label"', "delimited.value_column",
                                       "is already the label", "Name the column", base=LONG),
    "column with a blank": Fault('column = "Temp"', 'column = "Temp "', "vitals.temperature.column",
                                 "begins or ends with a blank", 'Write "Temp"'),
    # Time
    "unknown zone": Fault("America/New_York", "America/Newyork", "time.zone", "not in the IANA time zone database",
                          "Write America/New_York, if that is what was meant"),
    "abbreviated zone": Fault("America/New_York", "EST", "time.zone", "is an abbreviation", "Write the place"),
    "abbreviation of another language": Fault("America/New_York", "MEZ", "time.zone", "is an abbreviation",
                                               "Write the place, such as Europe/Berlin"),
    "no zone at all": Fault("America/New_York", "METT", "time.zone", "not in the IANA",
                             "Write the IANA zone of the place"),
    "sign turned round": Fault("America/New_York", "Etc/GMT+5", "time.zone", "it means UTC-5", 'zone = "-05:00"'),
    "offset without colon": Fault("America/New_York", "-0500", "time.zone", "is not an offset", "+05:30 or -05:00"),
    "offset too far": Fault("America/New_York", "+15:00", "time.zone", "is not an offset", "two digits, colon"),
    "the machine's own zone": Fault("America/New_York", "localtime", "time.zone", "not in the IANA", "Write"),
    "format without date": Fault("%m/%d/%Y %H:%M", "%H:%M %p%I", "time.formats item 1", "twice", "one directive"),
    "format of a time of day": Fault("%m/%d/%Y %H:%M", "%H:%M :%S", "time.formats item 1", "holds no whole date",
                                     "the date's column to time.columns"),
    "example for a format": Fault("%m/%d/%Y %H:%M", "03/14/2026 09:30", "time.formats item 1", "holds no directives",
                                  "not an example"),
    "offset of zero written out": Fault("%m/%d/%Y %H:%M", "%m/%d/%Y %H:%M:%SZ", "time.formats item 1",
                                        'holds "Z" as a text', "Write %z in its place"),
    "UTC written out": Fault("%m/%d/%Y %H:%M", "%m/%d/%Y %H:%M UTC", "time.formats item 1", "an offset of zero",
                             "Write %z"),
    "zone written out": Fault("%m/%d/%Y %H:%M", "%m/%d/%Y %H:%M EST", "time.formats item 1", "short name of a zone",
                              "Write %Z in its place"),
    "offset written out": Fault("%m/%d/%Y %H:%M", "%m/%d/%Y %H:%M +01:00", "time.formats item 1",
                                "the offset +01:00 as a text", "Write %z"),
    "half of the day written out": Fault("%m/%d/%Y %H:%M", "%m/%d/%Y %H:%M p.m.", "time.formats item 1",
                                         "half of the day", "%I for the hour and %p"),
    "unknown directive": Fault("%m/%d/%Y %H:%M", "%m/%d/%Y %H:%N", "time.formats item 1", "%N is not a directive",
                               "Use %Y"),
    "directive of one system": Fault("%m/%d/%Y %H:%M", "%-m/%d/%Y %H:%M", "time.formats item 1",
                                     "%- is not a directive", "Take the hyphen out"),
    "single percent sign": Fault("%m/%d/%Y %H:%M", "%m/%d/%Y %H:%M%", "time.formats item 1", "ends in a single %",
                                 "Write %%"),
    "month said twice": Fault("%m/%d/%Y %H:%M", "%m/%d/%Y %b %H:%M", "time.formats item 1", "twice", "Keep one"),
    "12 hours without half of the day": Fault("%m/%d/%Y %H:%M", "%m/%d/%Y %I:%M", "time.formats item 1",
                                         "%I (12-hour clock) and %p", "Use both"),
    "hour without minute": Fault("%m/%d/%Y %H:%M", "%m/%d/%Y %H", "time.formats item 1", "without hour and minute",
                                 "Write %H:%M"),
    "fraction without second": Fault("%m/%d/%Y %H:%M", "%m/%d/%Y %H:%M .%f", "time.formats item 1",
                                     "without seconds", "%S.%f"),
    "format twice": Fault('["%m/%d/%Y %H:%M"]', '["%m/%d/%Y %H:%M", "%m/%d/%Y %H:%M"]', "time.formats item 2",
                          "stands there twice", "Take one out"),
    "day and month either way": Fault('["%m/%d/%Y %H:%M"]', '["%m/%d/%Y %H:%M", "%d/%m/%Y %H:%M"]',
                                      "time.formats item 2", "read the same text as different days",
                                      "never guessed row by row"),
    "columns joined, format not": Fault("%m/%d/%Y %H:%M", "%m/%d/%YT%H:%M", "time.formats item 1", "has no blank",
                                        "with a blank between"),
    "offset in the format only": Fault("%m/%d/%Y %H:%M", "%m/%d/%Y %H:%M%z", "time.formats item 1",
                                       "the zone is America/New_York", 'Write zone = "offset-in-text"'),
    "offset in the zone only": Fault("America/New_York", "offset-in-text", "time.formats item 1", "has no %z", "Add %z",
                                     at="%m/%d/%Y %H:%M"),
    # Who
    "namespace without scheme": Fault("https://hospital.example/spot-check", "hospital.example/spot-check", "namespace",
                                      "not an absolute URI", "Write https://hospital.example/spot-check"),
    "bare OID": Fault("https://hospital.example/mrn", "2.16.840.1.113883", "patient.system", "not an absolute URI",
                      "Write urn:oid:2.16.840.1.113883"),
    "broken OID": Fault("urn:oid:2.16.840.1", "urn:oid:2.16..1", "device.system", "not an OID", "urn:oid:"),
    "blank in a URI": Fault("https://hospital.example/mrn", "https://hospital.example/m r n", "patient.system",
                            "not an absolute URI", "Write one such as"),
    "scheme alone": Fault("https://hospital.example/mrn", "https://", "patient.system", "not an absolute URI", "Write",
                          at='"https://"'),
    "fault in the identifier's pattern": Fault("[0-9]{8}", "[0-9{8}", "patient.pattern",
                                               "regular expression has a fault",
                                               "single quotes"),
    "check digit misspelt": Fault('column = "MRN"', 'column = "MRN"\ncheck = "gb.nsh"', "patient.check",
                                  "no check digit scheme named", "Write gb.nhs", at="check ="),
    "check digit of another spelling": Fault('column = "Serial"', 'column = "Serial"\ncheck = "mod_97_10"',
                                             "device.check", "no check digit scheme named", "Write mod-97-10",
                                             at="check ="),
    "check digit of nobody": Fault('column = "MRN"', 'column = "MRN"\ncheck = "4711"', "patient.check",
                                   "no check digit scheme named", "damm, luhn, mod-11", at="check ="),
    "country without a scheme": Fault('column = "MRN"', 'column = "MRN"\ncheck = "iso7064"', "patient.check",
                                      "no check digit scheme named", "", at="check ="),
    "fixed value fails its check digit": Fault('column = "Room"', 'fixed = "78948"\ncheck = "luhn"',
                                               "location.check", "the fixed value fails", "Correct the one",
                                               at="check ="),
    "prefix of a fixed value": Fault('column = "Room"', 'fixed = "R7"\nstrip = ["R"]', "location.strip",
                                     "no column holds this identifier", "Add column =", at="strip ="),
    "prefix twice": Fault('column = "MRN"', 'column = "MRN"\nstrip = ["]C1", "]C1"]', "patient.strip item 2",
                          "stands there twice", "Keep one", at="strip ="),
    "prefix with a blank": Fault('column = "MRN"', 'column = "MRN"\nstrip = ["P "]', "patient.strip item 1",
                                 "begins or ends with a blank", 'Write "P"', at="strip ="),
    "system of a system": Fault("[device]", SYSTEMS.replace("urn:oid:2.9.7", "2.9.7") + "[device]",
                                'patient.systems.values."S".system'.replace('"', ""), "not an absolute URI",
                                "urn:oid:2.9.7", at='"S" = {'),
    "type of a system": Fault("[device]", SYSTEMS.replace("PI", "internal") + "[device]",
                              "patient.systems.values.S.type", "table 0203", "Write MR", at='"S" = {'),
    "one system with two authorities": Fault("[device]", SYSTEMS.replace("urn:oid:2.9.7",
                                                                         "https://hospital.example/mrn") + "[device]",
                                             "patient.systems.values.S.system", "with another authority or type",
                                             "the same authority", at='"S" = {'),
    "systems without a column": Fault("[device]", '[patient.systems]\nvalues = { "S" = { system = "urn:oid:2.9" } }\n'
                                      "[device]", "patient.systems.column", "the key column is missing", "Add column =",
                                      at="[patient.systems]"),
    "systems for references": Fault("[device]", SYSTEMS + "[device]", "patient.subject", "holds no identifier system",
                                    "take [patient.systems] out", at="subject =", base=WIDE.replace(
                                        'column = "MRN"', 'column = "MRN"\nsubject = "reference"')),
    "systems on the patient's column": Fault("[device]", SYSTEMS.replace("Hospital", "MRN") + "[device]",
                                             "patient.systems.column", "is already the patient", "Name the column",
                                             at='column = "MRN"\nvalues'),
    "identifier type in words": Fault('column = "MRN"', 'column = "MRN"\ntype = "record number"', "patient.type",
                                      "table 0203", "Write MR", at="type ="),
    "column and fixed value": Fault('column = "Room"', 'column = "Room"\nfixed = "7"', "location.fixed",
                                    "a column and a fixed value", "Keep the one", at='fixed = "7"'),
    "neither column nor fixed value": Fault('column = "Room"', 'authority = "WARD"', "location",
                                            "where the location stands", "Add column =", at="[location]"),
    "nobody to ask about": Fault('[patient]\ncolumn = "MRN"\n', "[patient]\n", "patient.column",
                                 "no device is known to ask associations", "or [device] with column or fixed",
                                 at="[patient]", base=LONG),
    "category without values": Fault('values = { "A" = "adult", "P" = "child" }\n', "", "category.values",
                                     "what the texts of the column mean", "Add values =", at="[category]"),
    "category without column": Fault('column = "Mode"\n', "", "category.values", "no column whose texts",
                                     "Add column =",
                                     at="values = { \"A\""),
    "unknown mode": Fault('"M" = "manual", "A"', '"M" = "manuell", "A"', "mode.values.M",
                          '"manuell" is not an answer of mode', "Write manual"),
    "unknown fixed cuff": Fault('fixed = "thigh"', 'fixed = "grown-up"', "cuff.fixed",
                                '"grown-up" is not an answer of cuff', "large_adult"),
    "mode without values": Fault('values = { "M" = "manual", "A" = "automatic" }\n', "", "mode.values",
                                 "what the texts of the column mean", "Add the texts of the export", at="[mode]"),
    "mode without column": Fault('column = "Start"\n', "", "mode", "nothing about where the mode stands",
                                 "Add column =", at="[mode]"),
    "mode twice": Fault('column = "Start"', 'column = "Start"\nfixed = "manual"', "mode.fixed",
                        "a column and a fixed mode", "Keep the one", at='fixed = "manual"'),
    "texts of a fixed cuff": Fault('fixed = "thigh"', 'fixed = "thigh"\nvalues = { "A" = "adult" }', "cuff.values",
                                   "no column whose texts", "Take values out", at='values = { "A" = "adult" }'),
    "mode with a blank": Fault('"M" = "manual", "A"', '"M " = "manual", "A"', 'mode.values."M "',
                               "begins or ends with a blank", 'Write "M"'),
    "mode in the column of the patient": Fault('column = "Start"', 'column = "MRN"  # here', "mode.column",
                                               "is already the patient", "Name the column", at="# here"),
    "mode without a pressure": Fault('[vitals.heart_rate]', '[position]\nfixed = "sitting"\n\n[vitals.heart_rate]',
                                     "position", "the mapping reads none", "Take [position] out", at="[position]",
                                     base=PULSE),
    "unknown method in a column": Fault('{ "M" = "manual" }', '{ "M" = "oscillometric" }',
                                        "vitals.temperature.method.values.M",
                                        '"oscillometric" is not a method of temperature', "automatic"),
    "method without values": Fault('values = { "M" = "manual" }', "values = {}", "vitals.temperature.method.values",
                                   "what the texts of the column mean", "Add the texts"),
    "unknown quality": Fault('"0" = "questionable"', '"0" = "bad"', "vitals.temperature.quality.values.0",
                             '"bad" is not known here', "questionable"),
    "quality without values": Fault('values = { "1" = "good", "0" = "questionable" }', "values = {}",
                                    "vitals.temperature.quality.values", "what the texts of the column mean",
                                    "Add the texts"),
    "quality of an answer": Fault('codes = { "A" = "alert", "V" = "voice" }',
                                  'codes = { "A" = "alert", "V" = "voice" }\n'
                                  'quality = { column = "Q", values = { "1" = "good" } }',
                                  "vitals.consciousness.quality", "has no quality", "Take it out",
                                  at='quality = { column = "Q"'),
    "category twice": Fault('column = "Mode"', 'column = "Mode"\nfixed = "adult"', "category.fixed",
                            "a column and a fixed category", "Keep the one", at='fixed = "adult"'),
    # Patterns
    "fault in a pattern": Fault(PATTERN,
                                "pattern = '(?P<systolic>[0-9]+/'\nunit = \"mmHg\"\nmethod", "vitals.systolic.pattern",
                                "regular expression has a fault", "Mend it"),
    "pattern without its group": Fault(PATTERN,
                                       "pattern = '[0-9]+/[0-9]+'\nunit = \"mmHg\"\nmethod", "vitals.systolic.pattern",
                                       "no group is named systolic", "(?P<systolic>"),
    "group nobody reads": Fault(PATTERN,
                                "pattern = '(?P<systolic>[0-9]+)/[0-9]+ (?P<mean_pressure>[0-9]+)'\nunit = \"mmHg\"\n"
                                "method", "vitals.systolic.pattern", "mean_pressure is read by no vital",
                                'Add [vitals.mean_pressure] with column = "NIBP"'),
    "group of no vital": Fault(PATTERN,
                               "pattern = '(?P<systolic>[0-9]+)/(?P<diastolik>[0-9]+)'\nunit = \"mmHg\"\nmethod",
                               "vitals.systolic.pattern", "the group diastolik is not a vital", "write diastolic"),
    "pattern that fits nothing": Fault("column = \"Temp\"", "column = \"Temp\"\npattern = '(?P<temperature>[0-9.]*)'",
                                       "vitals.temperature.pattern", "fits the empty text", "Make the number necessary",
                                       at="pattern = '(?P<temperature>"),
    # Output
    "bar in a field": Fault('sending_application = "SPOTCHECK"', 'sending_application = "A|B"',
                            "output.oru.sending_application", "cannot stand in a field", "without |"),
    "too many parts": Fault('sending_application = "SPOTCHECK"', 'profile_identifier = "a^b^c^d^e"',
                            "output.oru.profile_identifier", "at most four parts", "name^namespace^oid^ISO"),
}  # fmt: skip


@pytest.mark.parametrize("text", [WIDE, LONG], ids=["wide", "long"])
def test_good_mapping_has_no_mistake(text: str) -> None:
    assert load(text, known_rules=RULES).mapping.version == "1"


@pytest.mark.parametrize("fault", FAULTS.values(), ids=FAULTS)
def test_mistake_is_told_at_its_line(fault: Fault) -> None:
    assert fault.base.count(fault.old) == 1
    text = fault.base.replace(fault.old, fault.new)
    line = line_with(text, fault.at or fault.new.partition("\n")[0])
    problems = mistakes(text)
    assert [str(problem) for problem in problems] == [str(problems[0])], "one fault, one error"
    assert problems[0].where == f"mapping, line {line}, key {fault.key}"
    assert fault.what in problems[0].what
    assert fault.todo in problems[0].todo
    assert str(problems[0]).endswith(".")


SYNTAX = {
    "backslash in double quotes": ("pattern = '[0-9]{8}'", 'pattern = "\\d{8}"', 'pattern = "', "single quotes"),
    "open text": ('version = "1"', 'version = "1', "version =", "closing quote"),
    "key twice": ('version = "1"', 'version = "1"\ntitle = "again"', 'title = "again"', "Keep one"),
    "table twice": ("[rules]", "[time]", "", "below one header"),
    "bare text": ('layout = "wide"', "layout = wide", "layout = wide", "Put texts in quotes"),
    "no equals sign": ('layout = "wide"', "layout wide", "layout wide", "Write key = value"),
    "open header": ("[numbers]", "[numbers", "[numbers", "Write [name]"),
    "blank in a header": ("[numbers]", "[num bers]", "[num bers]", "Write [name]"),
    "open table": ('values = { "A" = "adult", "P" = "child" }', 'values = { "A" = "adult"', '"A" = "adult"', "Write {"),
    "comma left out": ('["Date", "Time"]', '["Date" "Time"]', '["Date" "Time"]', "comma"),
    "two on a line": ('version = "1"', 'version = "1" form = "x"', 'form = "x"', "one key = value on a line"),
    "decimal comma": ("hold = [25, 45.5]", "hold = [25, 45.]", "hold = [25, 45.]", ""),
    "no key": ('version = "1"', "; a comment", "; a comment", "# before a comment"),
    "added to a finished table": ('"ERR" = {', '[absent.x]\nreason = "error"\n[vitals.weight.absent.Q2]\n"ERR" = {',
                                  "", ""),
}  # fmt: skip


@pytest.mark.parametrize(("old", "new", "at", "todo"), SYNTAX.values(), ids=SYNTAX)
def test_what_is_not_toml_is_told_at_its_line(old: str, new: str, at: str, todo: str) -> None:
    text = WIDE.replace(old, new)
    assert text != WIDE
    (problem,) = mistakes(text)
    if at:
        assert problem.where == f"mapping, line {line_with(text, at)}"
    assert todo in problem.todo


def test_second_key_names_the_line_of_the_first() -> None:
    (problem,) = mistakes(WIDE.replace('zone = "America/New_York"', 'zone = "UTC"\nzone = "Europe/Berlin"'))
    assert problem.what == "the key stands there twice, first in line 23"
    assert problem.where == "mapping, line 24"


def test_all_mistakes_are_told_in_the_order_of_the_file() -> None:
    text = (
        WIDE.replace('version = "1"\n', "")
        .replace('layout = "wide"', 'layout = "tall"')
        .replace("America/New_York", "EST")
        .replace('unit = "Cel"', 'unti = "Cel"')
        .replace('"V" = "voice"', '"V" = "verbal"')
        .replace("[vitals.heart_rate]", "[vitals.HR]")
        .replace("flag = [34, 42]", "flag = [42, 34]")
    )
    problems = mistakes(text)
    keys = [problem.where.partition("key ")[2] for problem in problems]
    assert keys == [
        "version",
        "delimited.layout",
        "time.zone",
        "vitals.HR",
        "vitals.temperature.unti",
        "vitals.consciousness.codes.V",
        "plausibility.limits.adult.temperature.flag",
    ]
    lines = [int(problem.where.split("line ")[1].split(",")[0]) for problem in problems]
    assert lines == sorted(lines)


def test_error_prints_one_paragraph_for_each_mistake() -> None:
    with pytest.raises(MappingError) as caught:
        load(WIDE.replace("America/New_York", "EST").replace('unit = "Cel"', 'unit = "kPa"'))
    assert str(caught.value).count("\n") == 1
    assert "2 mistakes" in caught.value.what


@pytest.mark.parametrize("name", ["delimited", "time", "patient", "vitals"])
def test_missing_table_hides_no_other_mistake(name: str) -> None:
    lines: list[str] = []
    skipping = False
    for line in WIDE.splitlines(keepends=True):
        if line.startswith("["):
            skipping = line.startswith((f"[{name}]", f"[{name}."))
        if not skipping:
            lines.append(line)
    text = "".join(lines).replace('status = "final"', 'status = "maybe"')
    text = text.replace("https://hospital.example/spot-check", "nowhere")
    keys = [problem.where.partition("key ")[2] for problem in mistakes(text)]
    assert keys == [name, "namespace", "output.status"] or sorted(keys) == sorted([name, "namespace", "output.status"])


@pytest.mark.parametrize(
    "junk", ["a = 1\nb = 2", "\n", "[time]\nzone = 3\n", "time = 4\nvitals = []\n", "vitals = {}\n"]
)
def test_a_stranger_file_is_refused_with_its_mistakes(junk: str) -> None:
    assert all("key " in problem.where and problem.todo for problem in mistakes(junk + "\n"))


def test_a_blank_cell_may_be_declared_absent() -> None:
    assert "" in load(WIDE.replace('"---" = ', '"" = ')).mapping.absent


def test_a_token_may_read_as_a_number() -> None:
    assert "999" in load(WIDE.replace('"---" = ', '"999" = ')).mapping.absent


def test_no_zone_is_advised_that_would_be_refused() -> None:
    """What stands in the advice can be written: every abbreviation and every near miss of one."""
    for wrong in (*zones.ABBREVIATIONS, *(f"{zone}{letter}" for zone in zones.names() for letter in "XZ")):
        problems = Problems("m.toml", places(""))
        zones.check(wrong, problems)
        for problem in problems.error().problems:
            for word in re.findall(r"(?:Write|such as) ([A-Za-z]+(?:/[A-Za-z_+-]+)*)(?=,)", problem.todo):
                again = Problems("m.toml", places(""))
                zones.check(word, again)
                assert not again, (wrong, word)
