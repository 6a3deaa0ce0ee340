"""[time.clock]: each mistake is told once, at its line, with what to do; what may be left out may be left out."""

from __future__ import annotations

from typing import NamedTuple

import pytest

from gateway.errors import MappingError
from gateway.mapping import columns, load

GOOD = """\
title = "A monitor with a clock"
version = "1"
form = "delimited"
namespace = "https://hospital.example/spot-check"

[delimited]
layout = "wide"

[time]
columns = ["When"]
formats = ["%Y-%m-%d %H:%M"]
zone = "America/New_York"

[time.clock]
columns = ["Shown"]
formats = ["%d.%m.%Y %H:%M"]
reference = "columns"
reference_columns = ["True"]
reference_formats = ["%m/%d/%Y %H:%M:%S"]
policy = "correct"
limit_minutes = 60
order = "newest-first"

[patient]
column = "MRN"
pattern = "any"
system = "https://hospital.example/mrn"

[device]
column = "Serial"

[vitals.heart_rate]
column = "HR"
unit = "/min"
"""


class Fault(NamedTuple):
    """One change, the key that is named, what is said, what is advised, and the text on the line named."""

    old: str
    new: str
    key: str
    what: str
    todo: str
    at: str


CLOCK = "time.clock"
FAULTS: dict[str, Fault] = {
    "no order": Fault('order = "newest-first"\n', "", f"{CLOCK}.order", "the key order is missing",
                      'Add order = "oldest-first" or', "[time.clock]"),
    "another order": Fault('"newest-first"', '"descending"', f"{CLOCK}.order", '"descending" is not known here',
                           "oldest-first", "descending"),
    "no reference": Fault('reference = "columns"\n', "", f"{CLOCK}.reference", "the key reference is missing",
                          'Add reference = "columns", "capture" or "given"', "[time.clock]"),
    "no policy": Fault('policy = "correct"\n', "", f"{CLOCK}.policy", "the key policy is missing", "Add policy =",
                       "[time.clock]"),
    "no limit": Fault("limit_minutes = 60\n", "", f"{CLOCK}.limit_minutes", "the key limit_minutes is missing",
                      "Add limit_minutes = 60", "[time.clock]"),
    "limit of nothing": Fault("limit_minutes = 60", "limit_minutes = 0", f"{CLOCK}.limit_minutes", "is out of range",
                              "Write a whole number", "limit_minutes = 0"),
    "a policy of its own": Fault('"correct"', '"repair"', f"{CLOCK}.policy", '"repair" is not known here', "correct",
                                 '"repair"'),
    "no reference columns": Fault('reference_columns = ["True"]\n', "", f"{CLOCK}.reference",
                                  "reference_columns names none", "reference_columns", "reference ="),
    "capture of a delimited export": Fault(
        'reference = "columns"\nreference_columns = ["True"]\nreference_formats = ["%m/%d/%Y %H:%M:%S"]\n',
        'reference = "capture"\n', f"{CLOCK}.reference", "no record of when it was captured", 'reference = "given"',
        "reference ="),
    "columns that are not read": Fault(
        'reference = "columns"\nreference_columns = ["True"]\nreference_formats = ["%m/%d/%Y %H:%M:%S"]\n',
        'reference = "given"\nreference_columns = ["True"]\n', f"{CLOCK}.reference_columns", "is not read",
        'Write reference = "columns"', "reference_columns"),
    "whose clock": Fault('[device]\ncolumn = "Serial"\n', "", f"{CLOCK}.columns", "whose clock this is",
                         "Name the monitor in [device]", 'columns = ["Shown"]'),
    "the time of the entries": Fault('["Shown"]', '["When"]', f"{CLOCK}.columns item 1", "is already the time",
                                     "Name the column that holds it", 'columns = ["When"]\nformats = ["%d'),
    "one column for both": Fault('["True"]', '["Shown"]', f"{CLOCK}.reference_columns item 1",
                                 "is already the monitor's own time", "Name the column", "reference_columns"),
    "a bad format": Fault("%d.%m.%Y %H:%M", "%d.%m.%Q %H:%M", f"{CLOCK}.formats item 1", "%Q is not a directive",
                          "Use", "%Q"),
    "an offset in one text": Fault("%H:%M:%S", "%H:%M:%S %z", f"{CLOCK}.reference_formats item 1",
                                   "%z reads an offset", 'zone = "offset-in-text"', "%z"),
    "a day without a time": Fault("%d.%m.%Y %H:%M", "%d.%m.%Y", f"{CLOCK}.formats item 1", "holds no time of day",
                                  "Add hour and minute", "%d.%m.%Y"),
    "entries by the day": Fault('"%Y-%m-%d %H:%M"', '"%Y-%m-%d"', "time.formats item 1", "holds no time of day",
                                "leave [time.clock] out", '"%Y-%m-%d"'),
    "ages as well": Fault(
        "[time.clock]", '[time.age]\ncolumn = "Ago"\nanchor = "columns"\n\n[time.clock]', CLOCK,
        "entries with ages do not depend on the monitor's clock", "Leave [time.clock] out", "[time.clock]"),
    "a policy and nothing to compare": Fault(
        GOOD[GOOD.index('columns = ["Shown"]'):GOOD.index('order = "newest')], 'policy = "hold"\n', f"{CLOCK}.policy",
        "no columns hold the monitor's own time", "only resets are looked for", "policy ="),
}  # fmt: skip


def test_good_mapping_has_no_mistake() -> None:
    mapping = load(GOOD).mapping
    assert mapping.time.clock is not None
    assert {"Shown", "True"} <= set(columns(mapping))
    short = FAULTS["a policy and nothing to compare"]
    only_resets = load(GOOD.replace(short.old, "")).mapping
    assert only_resets.time.clock is not None
    assert only_resets.time.clock.columns == []


@pytest.mark.parametrize("fault", FAULTS.values(), ids=FAULTS)
def test_mistake_is_told_at_its_line(fault: Fault) -> None:
    assert GOOD.count(fault.old) == 1
    text = GOOD.replace(fault.old, fault.new)
    with pytest.raises(MappingError) as caught:
        load(text)
    problems = list(caught.value.problems)
    assert [str(problem) for problem in problems] == [str(problems[0])], "one fault, one error"
    line = text[: text.index(fault.at)].count("\n") + 1
    assert problems[0].where == f"mapping, line {line}, key {fault.key}"
    assert fault.what in problems[0].what
    assert fault.todo in problems[0].todo


def test_the_stated_time_and_the_capture_need_no_columns() -> None:
    old = 'reference = "columns"\nreference_columns = ["True"]\nreference_formats = ["%m/%d/%Y %H:%M:%S"]\n'
    assert load(GOOD.replace(old, 'reference = "given"\n')).mapping.time.clock is not None
