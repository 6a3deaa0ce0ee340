"""From records of declared kinds to entries: which kind a record is of, and what belongs together."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from gateway.adapters._records import LONGEST_RECORD, Fit, RecordKinds, RecordReader
from gateway.checks import rules
from gateway.mapping.record import CAPTURE_TIME, Record
from gateway.model import LineKind

K = LineKind


def kinds(*records: dict[str, Any]) -> RecordKinds:
    return RecordKinds([Record.model_validate(record) for record in records])


LIST = kinds(
    {"use": "header", "pattern": "MONITOR (?P<monitor>.+)"},
    {"use": "header", "pattern": "SENT (?P<sent>.+)"},
    {"use": "header", "pattern": "MODE (?P<mode>.*)"},
    {"use": "entry", "pattern": r"#(?P<no>\d+)(?: P(?P<patient>\d+))?"},
    {"use": "part", "pattern": r" (?:PR (?P<pulse>\S+))? ?(?:T (?P<temp>\S+))?"},
    {"use": "event", "pattern": "BATT.*", "meaning": "battery low"},
    {"use": "event", "pattern": "!.*"},
    {"use": "ignore", "pattern": "-+"},
)


def read(text: str, own: RecordKinds = LIST, context: dict[str, str] | None = None) -> RecordReader:
    reader = RecordReader(own, 1, context)
    for place, record in enumerate(text.split("|"), 1):
        reader.add(record, place, captured=f"at {place}")
    reader.finish()
    return reader


def seen(reader: RecordReader) -> list[tuple[int, dict[str, str]]]:
    """The entries with the cells that hold something, without the time of capture."""
    return [
        (line, {name: cell for name, cell in zip(LIST.fields, cells, strict=True) if cell and name != CAPTURE_TIME})
        for line, cells in reader.entries
    ]


def told(reader: RecordReader) -> list[tuple[str, int]]:
    return [(finding.rule, finding.line) for finding in reader.findings]


# -- one record


def test_columns_stand_in_the_order_of_the_mapping_each_once() -> None:
    assert LIST.fields == ("monitor", "sent", "mode", "no", "patient", "pulse", "temp", CAPTURE_TIME)
    two = kinds(
        {"use": "entry", "match": "R", "fields": ["", "b", "a"]},
        {"use": "part", "match": "S", "widths": {"c": [2, 3], "a": [4, 4]}},
        {"use": "event", "pattern": "(?P<code>E)"},
        {"use": "ignore", "pattern": "(?P<page>P)"},
    )
    assert two.fields == ("b", "a", "c", CAPTURE_TIME)


def fitted(own: RecordKinds, text: str) -> tuple[str, dict[str, str]]:
    fit = own.fit(text)
    assert isinstance(fit, Fit), fit
    return fit.record.use, fit.cells


def test_the_first_kind_that_fits_decides() -> None:
    own = kinds({"use": "ignore", "pattern": "A1"}, {"use": "entry", "pattern": "A(?P<a>.)"})
    assert fitted(own, "A1") == ("ignore", {})
    assert fitted(own, "A2") == ("entry", {"a": "2"})


def test_a_pattern_is_for_the_whole_record() -> None:
    own = kinds({"use": "entry", "pattern": r"PR (?P<pulse>\d+)"})
    assert fitted(own, "PR 72") == ("entry", {"pulse": "72"})
    assert isinstance(own.fit("PR 72 ?"), str)
    assert isinstance(own.fit("x PR 72"), str)


def test_blanks_at_the_end_and_form_feeds_are_passed_over() -> None:
    own = kinds({"use": "entry", "pattern": r"  PR (?P<pulse>\d+)"})
    assert fitted(own, "\f  PR 72 \t\r\f") == ("entry", {"pulse": "72"})
    assert isinstance(own.fit(" PR 72"), str)
    assert fitted(kinds({"use": "entry", "pattern": "MODE (?P<mode>.*)"}), "MODE ") == ("entry", {"mode": ""})


def test_fields_by_position() -> None:
    own = kinds({"use": "entry", "match": "R;", "delimiter": ";", "fields": ["", "no", "", "pulse"]})
    assert fitted(own, "R;7;x; 72 ") == ("entry", {"no": "7", "pulse": " 72 "})
    assert fitted(own, "R;7") == ("entry", {"no": "7"})
    assert fitted(own, "R;7;;72;;") == ("entry", {"no": "7", "pulse": "72"})
    assert own.fit("Q;7") == "no kind of record in the mapping fits it"


def test_one_field_too_many_shifts_none_of_them_into_a_record() -> None:
    own = kinds({"use": "entry", "match": "R", "fields": ["", "no", "pulse"]}, {"use": "ignore", "pattern": ".+"})
    assert own.fit("R|7|72|98") == "it has 4 fields, and the mapping names 3"


@pytest.mark.parametrize(
    ("text", "edge"),
    [
        ("R 38.9 72", "temp"),  # 38 would be read
        ("R102.5 72", "temp"),  # the mark is no value, but here a digit of one stands before the width
        ("R 38 7299", "pulse"),
        ("R 381 72", "temp"),
    ],
)
def test_a_text_that_runs_over_the_edge_of_a_width_is_not_cut(text: str, edge: str) -> None:
    own = kinds({"use": "entry", "match": "R ?", "widths": {"temp": [3, 4], "pulse": [6, 8]}})
    told = own.fit(text)
    assert isinstance(told, str)
    assert f"the edge of '{edge}'" in told
    assert fitted(own, "R 38 72")[1] == {"temp": "38", "pulse": "72"}


def test_widths_without_a_gap() -> None:
    own = kinds({"use": "entry", "match": "R", "widths": {"sys": [2, 4], "dia": [5, 7]}})
    assert fitted(own, "R121079")[1] == {"sys": "121", "dia": "079"}
    assert isinstance(own.fit("R102.5 "), str)
    assert isinstance(own.fit("R12107979"), str)


def test_fixed_widths_count_characters_from_one() -> None:
    own = kinds({"use": "entry", "match": "R", "widths": {"a": [1, 2], "pulse": [4, 6], "far": [9, 9]}})
    assert fitted(own, "R1 é72  x") == ("entry", {"a": "R1", "pulse": "é72", "far": "x"})
    assert fitted(own, "R1") == ("entry", {"a": "R1", "pulse": "", "far": ""})


def test_no_regular_expression_meets_a_very_long_record() -> None:
    own = kinds({"use": "entry", "pattern": "(?P<a>x+)"})
    assert fitted(own, "x" * LONGEST_RECORD)[0] == "entry"
    assert "4,000 characters" in str(own.fit("x" * (LONGEST_RECORD + 1)))


# -- entries


def test_parts_join_the_entry_before_them() -> None:
    reader = read("#1 P17| PR 72| T 36.9|#2| T 37")
    assert seen(reader) == [
        (1, {"no": "1", "patient": "17", "pulse": "72", "temp": "36.9"}),
        (4, {"no": "2", "temp": "37"}),
    ]
    assert reader.lines == {K.ENTRY: 2, K.CONTINUATION: 3}
    assert reader.findings == []
    assert reader.lost == 0


def test_a_column_may_be_said_twice_but_not_differently() -> None:
    assert seen(read("#1| PR 72| PR 72 T 36")) == [(1, {"no": "1", "pulse": "72", "temp": "36"})]
    reader = read("#1| PR 72| PR 95| PR 96|#2| PR 80")
    assert seen(reader) == [(5, {"no": "2", "pulse": "80"})]
    assert reader.lines == {K.UNREADABLE: 4, K.ENTRY: 1, K.CONTINUATION: 1}
    assert [(f.rule, f.line, f.column) for f in reader.findings] == [("field-repeated", 3, "pulse")]
    assert "72" not in reader.findings[0].message
    assert reader.lost == 1


def test_a_part_without_a_beginning_is_not_read() -> None:
    reader = read(" PR 72|#1| PR 80")
    assert seen(reader) == [(2, {"no": "1", "pulse": "80"})]
    assert told(reader) == [("record-out-of-place", 1)]
    assert (reader.lines[K.UNREADABLE], reader.lost) == (1, 1)


def test_what_follows_a_lost_beginning_is_not_added_to_the_entry_before() -> None:
    reader = read("#1 P17| T 36.9|#2 P\ufffd18| PR 95|#3| PR 60")
    assert seen(reader) == [(1, {"no": "1", "patient": "17", "temp": "36.9"}), (5, {"no": "3", "pulse": "60"})]
    assert told(reader) == [("record-not-declared", 3), ("record-out-of-place", 4)]


def test_an_unreadable_record_closes_the_entry_as_well() -> None:
    reader = RecordReader(LIST, 3)
    reader.add("#1", 1, size=10)
    reader.add(" T 36", 2, size=7)
    reader.unreadable(25)
    reader.add(" PR 72", 4, size=8, offset=42)
    reader.finish()
    assert [line for line, _ in reader.entries] == [1]
    assert reader.lines == {K.ENTRY: 10, K.CONTINUATION: 7, K.UNREADABLE: 33}
    assert [(f.rule, f.export, f.line, f.offset) for f in reader.findings] == [("record-out-of-place", 3, 4, 42)]
    assert reader.lost == 2


def test_events_and_ignored_records_leave_an_entry_open() -> None:
    reader = read("#1| PR 72|BATT 10%|---| T 36.9")
    assert seen(reader) == [(1, {"no": "1", "pulse": "72", "temp": "36.9"})]
    assert reader.lines == {K.ENTRY: 1, K.CONTINUATION: 2, K.EVENT: 1, K.FOOTER: 1}
    (finding,) = reader.findings
    assert (finding.rule, finding.severity, finding.line) == ("monitor-event", "information", 3)
    assert finding.message == "The monitor says: battery low"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("!PAPER  OUT", '"!PAPER OUT"'),
        ("!CODE 12345", '"!CODE 12345"'),
        ("!ID 123456", "a text of 10 characters"),
        ("!ID \u0661\u0662\u0663\u0664\u0665\u0666", "a text of 10 characters"),
        ("!" + "a" * 39, '"!' + "a" * 39 + '"'),
        ("!" + "a" * 40, "a text of 41 characters"),
        ("!\x1b[2J", "a text of 5 characters"),
    ],
)
def test_an_event_without_a_meaning_is_shown_with_care(text: str, message: str) -> None:
    assert read(text).findings[0].message == f"The monitor says: {message}"


# -- headers


def test_header_columns_go_with_the_entries_that_follow() -> None:
    reader = read("#1|MONITOR A|SENT 9:00|#2|#3| T 36")
    assert seen(reader) == [
        (1, {"no": "1"}),
        (4, {"monitor": "A", "sent": "9:00", "no": "2"}),
        (5, {"monitor": "A", "sent": "9:00", "no": "3", "temp": "36"}),
    ]
    assert reader.lines == {K.ENTRY: 3, K.HEADER: 2, K.CONTINUATION: 1}


def test_a_header_closes_the_entry_so_that_its_time_is_not_for_what_came_before() -> None:
    reader = read("SENT 9:00|#1|SENT 10:00| T 36|#2")
    assert seen(reader) == [(2, {"sent": "9:00", "no": "1"}), (5, {"sent": "10:00", "no": "2"})]
    assert told(reader) == [("record-out-of-place", 4)]


def test_a_new_dump_inherits_nothing() -> None:
    reader = read("MONITOR A|SENT 9:00|MODE N|#1|MONITOR A|#2")
    assert seen(reader)[1] == (6, {"monitor": "A", "no": "2"})
    assert reader.context == {"monitor": "A", CAPTURE_TIME: "at 5"}
    blank = read("MODE |SENT 9:00|#1|MODE A|#2")
    assert seen(blank)[1] == (5, {"mode": "A", "no": "2"})


def test_an_entry_has_the_last_word_over_a_header() -> None:
    own = kinds({"use": "header", "pattern": "MODE (?P<mode>.)"}, {"use": "entry", "pattern": r"#\d(?: (?P<mode>.))?"})
    assert [cells[0] for _, cells in read("MODE A|#1|#2 N|#3", own).entries] == ["A", "N", "A"]


def test_the_time_of_capture_is_that_of_the_first_header() -> None:
    def captured(text: str, context: dict[str, str] | None = None) -> list[str]:
        return [cells[-1] for _, cells in read(text, context=context).entries]

    assert captured("---|MONITOR A|SENT 9:00|#1|#2") == ["at 2", "at 2"]
    assert captured("BATT|#1|#2") == ["at 2", "at 2"]
    assert captured("SENT 9:00|#1|SENT 9:30|MODE A|#2") == ["at 1", "at 3"]
    # What came before the first header was the end of another dump.
    assert captured("#8|#9|SENT 9:30|#1") == ["at 1", "at 1", "at 3"]
    assert captured("#1|SENT 9:30|#1", {"sent": "9:00", CAPTURE_TIME: "before"}) == ["before", "at 2"]
    assert captured("#1", {CAPTURE_TIME: "before"}) == ["before"]


def test_the_context_of_one_block_continues_in_the_next() -> None:
    whole = read("MONITOR A|SENT 9:00|#1|#2| T 36|MONITOR B|#3")
    first = read("MONITOR A|SENT 9:00|#1")
    second = RecordReader(LIST, 1, first.context)
    for place, record in enumerate(["#2", " T 36", "MONITOR B", "#3"], 4):
        second.add(record, place, captured=f"at {place}")
    second.finish()
    assert first.entries + second.entries == whole.entries
    assert first.lines + second.lines == whole.lines


def test_the_given_context_is_not_changed() -> None:
    context = {"sent": "9:00"}
    read("MODE A|#1", context=context)
    assert context == {"sent": "9:00"}


def test_every_record_counts_once() -> None:
    records = ["#1", " T 36", " T 37", "SENT 9", "what", "---", "BATT", " PR 7", "#2", ""]
    reader = RecordReader(LIST, 1)
    for place, record in enumerate(records, 1):
        reader.add(record, place, size=2**place)
    reader.finish()
    assert reader.lines.total() == sum(2**place for place in range(1, len(records) + 1))
    assert reader.lines == Counter(
        {K.UNREADABLE: 2 + 4 + 8 + 32 + 256 + 1024, K.HEADER: 16, K.FOOTER: 64, K.EVENT: 128, K.ENTRY: 512}
    )


def test_its_rules_are_in_the_registry() -> None:
    reader = read("what| PR 7|#1| PR 7| PR 8|BATT")
    for finding in reader.findings:
        rule = rules()[finding.rule]
        assert (rule.severity, rule.effect) == (finding.severity, finding.effect)
    assert len({finding.rule for finding in reader.findings}) == 4
