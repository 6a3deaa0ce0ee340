"""The delimited adapter: what it reads, what it refuses, and where it says so."""

from __future__ import annotations

import io
import tracemalloc
from collections import Counter
from typing import Any, BinaryIO, cast

import pytest

from gateway.adapters.delimited import Delimited
from gateway.checks import rules
from gateway.errors import InputError, MappingError
from gateway.mapping.model import Mapping
from gateway.model import Block, Entry, Finding, LineKind

NEEDED = ("patient", "taken", "pulse")
HEAD = "patient,taken,pulse,note\n"
K = LineKind


def adapter(needed: tuple[str, ...] = NEEDED, **layout: object) -> Delimited:
    data, _ = Delimited.example()
    data["delimited"] = {"layout": "wide", **layout}
    data["vitals"] = {"heart_rate": {"column": "pulse", "unit": "/min"}}
    return Delimited(Mapping.model_validate(data), needed)


class Result:
    def __init__(self, blocks: list[Block], own: Delimited) -> None:
        self.blocks = blocks
        self.entries: list[Entry] = []
        self.lines: Counter[LineKind] = Counter()
        self.findings: list[Finding] = []
        for block in blocks:
            parsed = own.parse(block)
            self.entries += parsed.entries
            self.lines.update(block.lines)
            self.lines.update(parsed.lines)
            self.findings += [*block.findings, *parsed.findings]

    @property
    def fields(self) -> tuple[str, ...]:
        return self.blocks[0].fields

    @property
    def rules(self) -> list[tuple[str, int]]:
        return [(finding.rule, finding.line) for finding in self.findings]


def read(export: str | bytes, own: Delimited | None = None, **layout: object) -> Result:
    own = own or adapter(**cast(Any, layout))
    data = export.encode() if isinstance(export, str) else export
    return Result(list(own.blocks(io.BytesIO(data), 1)), own)


# -- plain reading


def test_cells_stay_verbatim() -> None:
    result = read(HEAD + "0017, 2026-03-14 ,072,37.0\u00a0\n")
    assert result.entries == [(2, ["0017", " 2026-03-14 ", "072", "37.0\u00a0"])]
    assert result.lines == {K.HEADER: 1, K.ENTRY: 1}
    assert result.findings == []


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends(end: str) -> None:
    result = read((HEAD + "1,t,2,a\n3,t,4,b\n").replace("\n", end))
    assert result.entries == [(2, ["1", "t", "2", "a"]), (3, ["3", "t", "4", "b"])]


def test_mixed_line_ends_each_count_once() -> None:
    result = read(HEAD + "1,t,2,a\r3,t,4,b\r\n5,t,6,c\n\r7,t,8,d\r\r\n")
    assert [line for line, _ in result.entries] == [2, 3, 4, 6]
    assert result.lines == {K.HEADER: 1, K.ENTRY: 4, K.BLANK: 2}


def test_only_cr_and_lf_end_lines() -> None:
    odd = "a\x0bb\x0cc\x1cd\x85e\u2028f"
    assert read(f"{HEAD}1,t,2,{odd}\n").entries == [(2, ["1", "t", "2", odd])]


@pytest.mark.parametrize("delimiter", [";", "\t", "|", "^"])
def test_delimiters(delimiter: str) -> None:
    text = (HEAD + "1,t,2,a\n").replace(",", delimiter)
    assert read(text, delimiter=delimiter).entries == [(2, ["1", "t", "2", "a"])]


def test_quotes() -> None:
    result = read(HEAD + '"1","t, later","2","said ""no"""\n1,t,5\'10",x\n')
    assert result.entries == [(2, ["1", "t, later", "2", 'said "no"']), (3, ["1", "t", "5'10\"", "x"])]
    assert read(HEAD + "'1,2',t,2,a\n", quote="'").entries == [(2, ["1,2", "t", "2", "a"])]


def test_no_quoting() -> None:
    result = read(HEAD + '"1,t,2,a"b\n', quote="")
    assert result.entries == [(2, ['"1', "t", "2", 'a"b'])]


def test_a_cell_may_run_over_lines() -> None:
    result = read(HEAD + '1,t,2,"one\r\ntwo\n\nthree"\n4,t,5,b\n')
    assert result.entries == [(2, ["1", "t", "2", "one\ntwo\n\nthree"]), (6, ["4", "t", "5", "b"])]
    assert result.lines == {K.HEADER: 1, K.ENTRY: 2, K.CONTINUATION: 3}


def test_no_header() -> None:
    result = read("1,t,2\n3,t,4\n", header=False, columns=["patient", "taken", "pulse"])
    assert result.fields == NEEDED
    assert result.entries == [(1, ["1", "t", "2"]), (2, ["3", "t", "4"])]
    with pytest.raises(MappingError, match="'pulse'"):
        adapter(header=False, columns=["patient", "taken"])


# -- encodings


@pytest.mark.parametrize(
    ("declared", "written"),
    [
        ("utf-8", "utf-8"),
        ("utf-8", "utf-8-sig"),
        ("utf-8-sig", "utf-8"),
        ("utf-8", "utf-16"),
        ("cp1252", "cp1252"),
        ("cp1252", "utf-8-sig"),
        ("utf-16", "utf-16"),
        ("utf-16", "utf-8-sig"),
        ("utf-16-le", "utf-16-le"),
        ("utf-16-be", "utf-16-be"),
        ("utf-16-be", "utf-16"),
        ("utf-32", "utf-32"),
        ("utf-32-be", "utf-32-be"),
        ("cp500", "cp500"),
        ("gb18030", "gb18030"),
    ],
)
@pytest.mark.parametrize("piece", [1, 7, 1 << 20])
def test_encodings(declared: str, written: str, piece: int) -> None:
    own = adapter(encoding=declared)
    own.piece = piece
    # U+0A41 U+0100 and U+0100 U+0A41 hold a line end for anyone who looks at odd bytes of UTF-16.
    note = "måling" if written in ("cp1252", "cp500") else "måling " + "\u0a41\u0100\u0a41\u0d41\u0100\u0d41" * 9
    result = read((HEAD + f"1,t,2,{note}\r\n3,t,4,b").encode(written), own)
    assert result.entries == [(2, ["1", "t", "2", note]), (3, ["3", "t", "4", "b"])]
    assert result.findings == []


@pytest.mark.parametrize("declared", ["utf-16", "utf-32"])
def test_byte_order_must_be_known(declared: str) -> None:
    with pytest.raises(InputError, match=f"does not begin with a byte order mark.*'{declared}-le'"):
        read(HEAD.encode(f"{declared}-le"), encoding=declared)
    assert read(b"", encoding=declared).rules == [("export-empty", 0)]


@pytest.mark.parametrize("encoding", ["no-such", "rot13", "hex", "utf-7", "iso2022_jp", "raw_unicode_escape", "idna"])
def test_encodings_that_cannot_be_used(encoding: str) -> None:
    with pytest.raises(MappingError, match=encoding):
        adapter(encoding=encoding)


def test_undecodable_bytes_cost_their_line_only() -> None:
    data = HEAD.encode() + b"1,t,2,ok\n3,t,4,m\xe5ling\n5,t,6,ok\n"
    result = read(data)
    assert [line for line, _ in result.entries] == [2, 4]
    assert result.lines[K.UNREADABLE] == 1
    (finding,) = result.findings
    assert (finding.rule, finding.line, finding.offset) == ("line-undecodable", 3, data.index(b"\xe5"))


def test_undecodable_bytes_before_a_line_end_do_not_join_lines() -> None:
    result = read(HEAD.encode() + b"1,t,2,\xe2\x82\n3,t,4,b\n5,t,6,\xc3")
    assert [line for line, _ in result.entries] == [3]
    assert result.rules == [("line-undecodable", 2), ("line-undecodable", 4)]


def test_offset_in_utf_16_counts_bytes_and_the_mark() -> None:
    start = ("\ufeff" + HEAD + "1,t,2,").encode("utf-16-le")
    result = read(start + b"\x00\xd8" + "\n3,t,4,b\n".encode("utf-16-le"), encoding="utf-16")
    assert [line for line, _ in result.entries] == [3]
    assert (result.findings[0].rule, result.findings[0].offset) == ("line-undecodable", len(start))


def test_utf_16_cut_inside_a_character() -> None:
    result = read((HEAD + "1,t,2,a\n").encode("utf-16") + b"3", encoding="utf-16")
    assert result.rules == [("line-undecodable", 3)]


def test_cp1252_has_holes() -> None:
    result = read(HEAD.encode() + b"1,t,2,37 \xb0C\n3,t,4,\x81\n", encoding="cp1252")
    assert result.entries == [(2, ["1", "t", "2", "37 °C"])]
    assert result.rules == [("line-undecodable", 3)]


# -- header


def test_preamble_header_and_blank_lines() -> None:
    result = read("Ward 4\n\nprinted,today\n" + HEAD + "1,t,2,a\n\n   \n,,,\n")
    assert result.lines == {K.PREAMBLE: 2, K.BLANK: 4, K.HEADER: 1, K.ENTRY: 1}
    assert result.entries[0][0] == 5


def test_header_names_are_trimmed_and_keep_the_mapping_s_spelling() -> None:
    own = adapter(needed=("patient", "taken", " pulse"))
    result = read('\u00a0patient, taken\u202f,"pulse ",x\n1,t,2,3\n', own)
    assert result.fields == ("patient", "taken", " pulse", "x")


def test_header_cell_over_two_lines() -> None:
    own = adapter(needed=("patient", "taken", "pulse\n(1/min)"))
    result = read('patient,taken,"pulse\r\n(1/min)"\n1,t,2\n', own)
    assert result.entries == [(3, ["1", "t", "2"])]
    assert result.lines == {K.HEADER: 2, K.ENTRY: 1}


def test_header_only_within_its_reach() -> None:
    assert read("x\n" * 3 + HEAD + "1,t,2,a\n", header_within=3).lines[K.PREAMBLE] == 3
    with pytest.raises(InputError, match="none of the first 4 lines"):
        read("x\n" * 4 + HEAD + "1,t,2,a\n", header_within=3)


def test_damage_before_and_in_the_header() -> None:
    result = read(b"\xb0\nok\npatient,taken,pulse,\xb0C\n1,t,2,3\n")
    assert result.lines == {K.UNREADABLE: 1, K.PREAMBLE: 1, K.HEADER: 1, K.ENTRY: 1}
    assert result.rules == [("line-undecodable", 1), ("line-undecodable", 3)]


def test_repeated_header() -> None:
    result = read(HEAD + "1,t,2,a\n" + HEAD + ' "patient",taken,pulse ,note\n'.strip(" ") + "3,t,4,pulse\n")
    assert [line for line, _ in result.entries] == [2, 5]
    assert result.lines[K.REPEATED_HEADER] == 2
    assert result.rules == [("header-repeated", 3), ("header-repeated", 4)]


def test_duplicate_and_empty_names() -> None:
    result = read("patient,taken,pulse,note,,note,\n1,t,2,a,b,c,d\n")
    assert result.fields == (*NEEDED, "note", "column 5", "note (column 6)", "column 7")
    assert [(f.rule, f.column) for f in result.findings] == [
        ("header-empty-name", "column 5"),
        ("header-duplicate-name", "note (column 6)"),
        ("header-empty-name", "column 7"),
    ]
    with pytest.raises(InputError, match=r"line 2: the header names 'pulse' more than once"):
        read("x\npatient,taken,pulse,pulse \n1,t,2,3\n")


def test_repeated_header_with_odd_names() -> None:
    head = "patient,taken,pulse,note,,note\n"
    assert read(head + "1,t,2,a,b,c\n" + head).lines[K.REPEATED_HEADER] == 1


def test_wrong_mapping_names_what_is_missing_and_what_is_near() -> None:
    with pytest.raises(InputError) as caught:
        read("Hospital\nPatient ,taken,Pulse rate\n0017,x,y\n")
    text = str(caught.value)
    assert "line 2" in text
    assert "'patient' (there is 'Patient')" in text
    assert "'pulse' (there is 'Pulse rate')" in text
    assert "'taken'" not in text


def test_wrong_mapping_quotes_no_entry() -> None:
    with pytest.raises(InputError) as caught:
        read("patient 0017,taken 14.03.,pulse 72\nAnna Example,now,71\n")
    assert "0017" not in str(caught.value)
    assert "Anna" not in str(caught.value)
    assert "'patient'" in str(caught.value)


def test_wrong_delimiter_is_named() -> None:
    with pytest.raises(InputError, match=r"delimited\.delimiter = ';'"):
        read((HEAD + "1,t,2,a\n").replace(",", ";"))


def test_utf_16_without_mark_in_a_utf_8_mapping_points_at_the_encoding() -> None:
    with pytest.raises(InputError, match=r"Line 1 .*delimited\.encoding"):
        read((HEAD + "1,t,2,a\n").encode("utf-16-le"))


@pytest.mark.parametrize(("delimiter", "quote"), [(",", ","), ("\n", '"'), (",", "\r"), ("\0", "")])
def test_delimiter_and_quote_that_cannot_be_used(delimiter: str, quote: str) -> None:
    with pytest.raises(MappingError, match="must differ"):
        adapter(delimiter=delimiter, quote=quote)


# -- empty exports


@pytest.mark.parametrize("export", [b"", b"\xef\xbb\xbf", b"\n \r\n", b"\0\0\0"])
def test_empty_exports(export: bytes) -> None:
    for layout in ({}, {"header": False, "columns": list(NEEDED)}):
        result = read(export, adapter(**cast(Any, layout)))
        assert "export-empty" in [rule for rule, _ in result.rules]
        assert result.entries == []
        assert set(result.lines) <= {K.BLANK}


def test_header_only() -> None:
    for rest in ("", "\n", "\nEnd\n"):
        result = read("x\n" + HEAD + rest, footer=["End"])
        assert result.rules == [("export-header-only", 2)]
        assert result.fields == (*NEEDED, "note")
    assert read(HEAD.strip()).rules == [("export-header-only", 1)]
    assert read(HEAD + "1,t,2\n").rules == [("row-ragged", 2)]


# -- rows that cannot be read


def test_ragged_rows() -> None:
    result = read(HEAD + "1,t,2\n1,t,2,a,b\n1,t,2,a,, \n3,t,4,b\n")
    assert result.entries == [(5, ["3", "t", "4", "b"])]
    assert result.rules == [("row-ragged", 2), ("row-ragged", 3), ("row-ragged", 4)]
    assert result.lines[K.UNREADABLE] == 3


@pytest.mark.parametrize(
    ("row", "shifted"),
    [("124,2025-11-20 13:05,72,97,80,36,8,", "weight"), ("120,,80,72,97,,,", "hr"), ("120,t,,,,,,", "")],
)
def test_a_surplus_cell_is_no_better_for_being_blank(row: str, shifted: str) -> None:
    """A decimal comma without quotes, or a separator too many, and a last column that is mostly blank."""
    head = "mrn,when,hr,spo2,weight,temp,remarks\n"
    own = adapter(("mrn", "when", "hr", "temp"))
    result = read(f"{head}1,t,72,97,80,36.5,\n{row}\n2,t,70,98,81,36.6,\n", own)
    assert [line for line, _ in result.entries] == [2, 4]
    assert result.rules == [("row-ragged", 3)]
    # As many of them as there are: what every row has may be a shift in every row.
    result = read(head + f"{row}\n" * 60, own)
    assert result.entries == []
    assert Counter(rule for rule, _ in result.rules) == {"row-ragged": 60}


def test_a_row_that_agrees_with_a_header_that_has_a_delimiter_too_many_is_the_shifted_one() -> None:
    """The header and one row have a cell too many, each at another place; all other rows have none."""
    rows = "1,t,72,a\n2,t,73,a\n3,,t,74,a\n4,t,75,a\n"
    by_position: dict[str, Any] = {"header": False, "columns": ["patient", "taken", "left", "pulse", "note"]}
    cases: list[tuple[str, dict[str, Any]]] = [
        ("patient,taken,,pulse,note\n" + rows, {}),
        ("patient,taken,pulse\n" + rows.replace("3,,t,74,a", "3,74,a"), {}),
        (rows, by_position),
        (rows.replace("\n", ",\n"), by_position | {"trailing_delimiter": True}),
    ]
    for text, more in cases:
        result = read(text, **more)
        assert result.entries == []
        assert [each for each in result.rules if each[0] == "row-ragged"] == [
            ("row-ragged", line) for line in range(1, 6) if line > bool(not more)
        ][:4]
    # A few lines of text below the rows are no rows with fewer cells.
    assert len(read(HEAD + "1,t,2,a\nEnd\nPage 1\n").entries) == 1
    # Where as many rows agree with the header as not, nothing is known against it.
    assert len(read(HEAD + "1,t,2,a\n1,t,2,a\n1,t,2\n1,t,2\n").entries) == 2


def test_rows_may_end_with_a_delimiter_where_the_mapping_says_so() -> None:
    rows = "1,t,2,a,\n3,t,4,b\n5,t,6,c,x\n7,t,8,d,,\n" + HEAD + '9,t,10,"d",\n'
    result = read(HEAD + rows, trailing_delimiter=True)
    assert result.entries == [(2, ["1", "t", "2", "a"]), (7, ["9", "t", "10", "d"])]
    assert result.rules == [("row-ragged", 3), ("row-ragged", 4), ("row-ragged", 5), ("header-repeated", 6)]
    plain = read(HEAD + "1,t,2,a,\n3,t,4,b,\n", trailing_delimiter=True)
    assert plain.entries == [(2, ["1", "t", "2", "a"]), (3, ["3", "t", "4", "b"])]
    by_position = read("1,t,2,a,\n", header=False, columns=[*NEEDED, "note"], trailing_delimiter=True)
    assert by_position.entries == [(1, ["1", "t", "2", "a"])]


@pytest.mark.parametrize("size", [1, 60, 1 << 19])
def test_a_number_that_a_line_end_cuts_in_two_is_not_read(size: int) -> None:
    head = "patient,note,taken,pulse\n"
    own = adapter(("patient", "taken", "pulse"))
    own.block = size
    result = read(f"{head}1,a,t,70\n.6\n2,a,t,71\n\n3,a,t,7\n2\n4,a,t,73\nEnd of list\n5,a,t,\n74\n", own)
    assert [line for line, _ in result.entries] == [4, 8, 10]
    assert result.rules == [("row-ragged", line) for line in (2, 3, 6, 7, 9, 11)]
    # A note that goes on in the next line is none of the values.
    note = adapter(("patient", "taken", "pulse"))
    note.block = size
    assert len(read("patient,taken,pulse,note\n1,t,70,lay\n2 h in bed\n", note).entries) == 1


def test_rows_over_several_lines_count_them_all() -> None:
    result = read(HEAD + '1,t,"two\nlines"\n"\n",,,\n3,t,4,b\n')
    assert result.rules == [("row-ragged", 2)]
    assert result.lines == {K.HEADER: 1, K.UNREADABLE: 2, K.BLANK: 2, K.ENTRY: 1}


def test_rows_of_empty_cells_are_blank() -> None:
    for row in (",,,", " ,,\t,", '"",,,""'):
        assert read(HEAD + f"1,t,2,a\n{row}\n").lines == {K.HEADER: 1, K.ENTRY: 1, K.BLANK: 1}
    assert read(HEAD + ",t,2,a\n").entries == [(2, ["", "t", "2", "a"])]


def test_all_rows_may_lack_the_columns_that_have_no_name() -> None:
    """The usual width of the rows is learned where the header ends with delimiters of its own."""
    result = read("patient,taken,pulse,,\n1,t,2\n3,t,4\n5,t,6,\n7,t,8,x,y\n9,t\n")
    assert result.entries == [(2, ["1", "t", "2", "", ""]), (3, ["3", "t", "4", "", ""])]
    assert [each for each in result.rules if each[0] == "row-ragged"] == [("row-ragged", line) for line in (4, 5, 6)]
    # The other way round: one cell is missing, and nobody can say which.
    result = read("patient,taken,pulse,,\n1,t,2,,\n3,t,4,,\n5,6,,\n")
    assert [line for line, _ in result.entries] == [2, 3]
    assert ("row-ragged", 4) in result.rules
    # One row alone shows no habit.
    assert read("patient,taken,pulse,\n1,t,2\n").entries == []
    assert read("patient,taken,pulse,\n1,2,\n").entries == []
    # A column that is mapped is not left out.
    assert read("patient,taken,,pulse\n1,t,2\n3,t,4\n").entries == []


@pytest.mark.parametrize(
    ("rows", "lines"),
    [
        ('1,t,72,"a\n2,t,80,b"\n', 2),  # the second would vanish in a note
        ('1,t,"72,a\n2,t,80",b\n', 2),  # its pulse would be the first patient's
        ('1,t,72,"a\n2,t,80,b\n3,t,90,c"\n', 3),
    ],
)
def test_a_quote_that_swallows_rows_is_noticed(rows: str, lines: int) -> None:
    result = read(HEAD + rows + "9,t,60,z\n")
    assert result.entries == [(lines + 2, ["9", "t", "60", "z"])]
    assert result.rules == [("row-holds-rows", 2)]
    assert result.lines[K.UNREADABLE] == lines
    # What only runs over lines does not look like a row.
    kept = read(HEAD + '1,t,72,"one, two\nthree\n, four"\n')
    assert [line for line, _ in kept.entries] == [2]


@pytest.mark.parametrize(
    ("rows", "incomplete"),
    [
        ("1,t,sys,120\n1,t,dia,80,\n2,t,sys,121\n", {2}),  # of the set above, by its first cells
        ("1,t,sys,120\n2,t,dia,80,\n2,t,sys,121\n", {4}),  # below
        ("1,t,sys,120\n,2,t,dia,80\n2,t,sys,121\n", {2, 4}),  # shifted from the start: of the one or the other
        ("1,t,sys,120\n,1,t,dia,80\n1,t,sat,99\n3,t,sys,1\n", {2, 4}),  # within a set
        ("1,t,sys,120\nx\n2,t,sys,121\n3,t,sys,122\n", {2, 4}),
        ('1,t,sys,120\n1,t,"dia,80\n2,t,sys,121\n', {2, 4}),
        ("1,t,sys,120\n\0x\0y\n2,t,sys,121\n", {2, 4}),
        ("1,t,sys,120\n,,,,,,\n2,t,sys,121\n", set()),
        (",1,t,sys,120\n2,t,sys,121\n", {3}),
        ("1,t,sys,120\n2,t,sys\n", {2}),
    ],
)
@pytest.mark.parametrize("block", [1, 1 << 19])
def test_a_set_that_lost_a_row_is_incomplete(rows: str, incomplete: set[int], block: int) -> None:
    own = long_adapter()
    own.block = block
    found = [own.parse(each) for each in own.blocks(io.BytesIO(("patient,taken,label,value\n" + rows).encode()), 1)]
    assert set().union(*(each.incomplete for each in found)) == incomplete


def test_a_header_with_other_columns_is_read_from_there_on() -> None:
    text = HEAD + "1,t,2,a\n\npulse,patient,extra,taken,note\n3,4,e,t,b\n5,6,e,t,c\n" + HEAD + "7,t,8,d\n"
    result = read(text)
    assert [block.fields for block in result.blocks] == [
        (*NEEDED, "note"), ("pulse", "patient", "extra", "taken", "note"), (*NEEDED, "note"),
    ]  # fmt: skip
    assert result.entries == [
        (2, ["1", "t", "2", "a"]), (5, ["3", "4", "e", "t", "b"]), (6, ["5", "6", "e", "t", "c"]),
        (8, ["7", "t", "8", "d"]),
    ]  # fmt: skip
    assert result.rules == [("header-changed", 4), ("header-changed", 7)]
    assert result.lines == {K.HEADER: 3, K.ENTRY: 4, K.BLANK: 1}


def test_after_a_header_that_lacks_a_column_nothing_is_read() -> None:
    text = HEAD + "1,t,2,a\npulse,taken,sat\n72,t,97\n\n73,t,98\n" + HEAD + "7,t,8,d\n"
    result = read(text)
    assert result.entries == [(2, ["1", "t", "2", "a"]), (8, ["7", "t", "8", "d"])]
    assert result.rules == [("header-lacks-columns", 3), ("header-changed", 7)]
    assert result.lines == {K.HEADER: 3, K.ENTRY: 2, K.UNREADABLE: 2, K.BLANK: 1}
    assert "'patient'" in result.findings[0].message


@pytest.mark.parametrize("block", [1, 20, 60, 1 << 19])
def test_other_headers_are_found_wherever_blocks_end(block: int) -> None:
    own = adapter()
    own.block = block
    text = HEAD + "1,t,2,a\n" * 3 + "pulse,patient,taken\n" + "3,4,t\n" * 5 + "taken,pulse\n" + "t,3\n" * 4
    result = read(text, own)
    assert [cells for _, cells in result.entries] == [["1", "t", "2", "a"]] * 3 + [["3", "4", "t"]] * 5
    assert result.lines == {K.HEADER: 3, K.ENTRY: 8, K.UNREADABLE: 4}
    assert result.rules == [("header-changed", 5), ("header-lacks-columns", 11)]


def test_messages_quote_nothing_of_the_row() -> None:
    result = read(HEAD + 'SECRET,t\nSECRET,"t\nSECRET,\0t,2,3\nSECRET', quote='"')
    assert len(result.findings) == 4
    assert not any("SECRET" in finding.message for finding in result.findings)


def test_open_quote_costs_one_line() -> None:
    result = read(HEAD + '1,t,2,"open\n' + "3,t,4,b\n" * 60)
    assert result.rules == [("row-quote-open", 2)]
    assert len(result.entries) == 60


def test_text_after_a_closing_quote() -> None:
    result = read(HEAD + '1,t,2,"a"b\n3,t,4,b\n')
    assert result.rules == [("row-quote-open", 2)]
    assert [line for line, _ in result.entries] == [3]


@pytest.mark.parametrize(("more", "readable"), [(48, True), (49, False)])
def test_longest_row(more: int, readable: bool) -> None:
    result = read(HEAD + '1,t,2,"a\n' + "b\n" * (more - 1) + 'b\nb"\n')
    assert bool(result.entries) is readable
    if readable:
        assert result.lines == {K.HEADER: 1, K.ENTRY: 1, K.CONTINUATION: 49}
    else:
        assert result.rules[0] == ("row-quote-open", 2)


def test_no_row_runs_over_a_damaged_line() -> None:
    result = read(HEAD.encode() + b'1,t,2,"a\n\xff\nb"\n3,t,4,b\n')
    assert result.rules == [("line-undecodable", 3), ("row-quote-open", 2), ("row-ragged", 4)]
    assert [line for line, _ in result.entries] == [5]


@pytest.mark.parametrize("last", ["5,t", '5,t,2,"no', '5,t,"2'])
def test_truncated_last_line(last: str) -> None:
    result = read(HEAD + "1,t,2,a\n" + last)
    assert result.rules == [("row-truncated", 3)]
    assert [line for line, _ in result.entries] == [2]


def test_last_line_without_end_is_read_when_it_is_whole() -> None:
    assert read(HEAD + "1,t,2,a\n5,t,6,").entries[-1] == (3, ["5", "t", "6", ""])
    assert read(HEAD + '5,t,6,"x\ny"').entries == [(2, ["5", "t", "6", "x\ny"])]


def test_nul() -> None:
    result = read(HEAD + "\0\0\0\n\0001,t,2,a\0\0\n3,t,\0004,b\n5,t,6,c\n\0\0")
    assert result.entries == [(3, ["1", "t", "2", "a"]), (5, ["5", "t", "6", "c"])]
    assert result.rules == [("line-has-nul", 4), ("nul-padding", 2)]
    assert result.lines == {K.HEADER: 1, K.BLANK: 2, K.ENTRY: 2, K.UNREADABLE: 1}
    assert result.findings[0].offset == len(HEAD) + 4 + 11 + 4
    assert result.findings[1].message.startswith("3 lines")


def test_footers_match_whole_lines() -> None:
    result = read(HEAD + "1,t,2,End of life care\n-----\n End of list \n3,t,4,b\n", footer=["End.*", "-+"])
    assert [line for line, _ in result.entries] == [2, 5]
    assert result.lines[K.FOOTER] == 2
    assert result.findings == []


def test_footer_with_a_stray_quote() -> None:
    result = read(HEAD + '1,t,2,a\n"Total,4\n3,t,4,"b"\n', footer=['"Total.*'])
    assert [line for line, _ in result.entries] == [2, 4]
    assert result.lines[K.FOOTER] == 1
    result = read(HEAD + '1,t,2,a\n"Total,4\n3,t,4,b"\n5,t,6,c\n', footer=['"Total.*'])
    assert result.entries[1:] == [(4, ["3", "t", "4", 'b"']), (5, ["5", "t", "6", "c"])]


def test_a_footer_text_inside_a_cell_is_no_footer() -> None:
    result = read(HEAD + '1,t,2,"a\nEnd\nb"\n', footer=["End"])
    assert result.entries == [(2, ["1", "t", "2", "a\nEnd\nb"])]


def test_findings_are_as_the_rules_say() -> None:
    messy = (
        HEAD.replace("note", "patient.\xa0,,patient.") + "1,t\n" + '1,"t\n\x00\n1,\x002\n' + HEAD + "x" * 100_001 + "\n"
    )
    found = read(messy.encode() + b"\xff\n\xff1,2").findings + read("").findings + read(HEAD).findings
    found += read(HEAD + HEAD + "1,2\npulse,taken,patient\npulse,taken").findings + read(HEAD + "1,2").findings
    assert len({finding.rule for finding in found}) == 14
    for finding in found:
        rule = rules()[finding.rule]
        assert (finding.severity, finding.effect) == (rule.severity, rule.effect)


# -- over-long lines and memory


def test_line_too_long_at_its_exact_limit() -> None:
    just = "1,t,2," + "x" * (100_000 - 6)
    assert len(read(HEAD + just + "\n").entries) == 1
    result = read(HEAD + just + "x\r\n3,t,4,b\n")
    assert result.rules == [("line-too-long", 2)]
    assert result.entries == [(3, ["3", "t", "4", "b"])]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16-le"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r", ""])
def test_line_too_long_is_skipped(encoding: str, end: str) -> None:
    data = (HEAD + "y" * 1_500_000 + end + ("3,t,4,b\n" if end else "")).encode(encoding)
    for piece in (9_999, 1 << 20):
        own = adapter(encoding=encoding)
        own.piece = piece
        result = read(data, own)
        assert result.rules == [("line-too-long", 2)]
        assert [line for line, _ in result.entries] == ([3] if end else [])


class Stream:
    """A stream that holds `head`, then `body` `times` times, then `tail`, and keeps none of it."""

    def __init__(self, head: bytes, body: bytes, times: int, tail: bytes) -> None:
        self._parts = iter((head, *[body] * times, tail))
        self._rest = b""

    def read(self, size: int) -> bytes:
        while not self._rest:
            part = next(self._parts, None)
            if part is None:
                return b""
            self._rest = part
        out, self._rest = self._rest[:size], self._rest[size:]
        return out


def peak(own: Delimited, stream: Stream) -> tuple[int, Counter[LineKind], Counter[str]]:
    """Bytes at the peak, lines and findings of an export that is read block by block and forgotten."""
    lines: Counter[LineKind] = Counter()
    rules: Counter[str] = Counter()
    tracemalloc.start()
    try:
        for block in own.blocks(cast(BinaryIO, stream), 1):
            parsed = own.parse(block)
            lines.update(block.lines)
            lines.update(parsed.lines)
            rules.update(finding.rule for finding in (*block.findings, *parsed.findings))
            del block, parsed
        return tracemalloc.get_traced_memory()[1], lines, rules
    finally:
        tracemalloc.stop()


@pytest.mark.slow
def test_a_single_line_of_one_gibibyte() -> None:
    stream = Stream(HEAD.encode() + b"1,t,2,a\n", b"z" * (1 << 20), 1024, b"\n3,t,4,b\n")
    used, lines, rules = peak(adapter(), stream)
    assert lines == {K.HEADER: 1, K.ENTRY: 2, K.UNREADABLE: 1}
    assert rules == {"line-too-long": 1}
    assert used < 20 << 20


@pytest.mark.slow
def test_memory_does_not_grow_with_the_export() -> None:
    body = b"0017,2026-03-14 09:30,72,a note of some length\n" * 2_000
    small, _, _ = peak(adapter(), Stream(HEAD.encode(), body, 30, b""))
    large, lines, _ = peak(adapter(), Stream(HEAD.encode(), body, 90, b""))
    assert lines[K.ENTRY] == 180_000
    assert large < small * 1.1
    assert large < 50 << 20


@pytest.mark.slow
@pytest.mark.parametrize("body", [b"x\n", b"\n", b'"\n', b"\xff\n", b"\0x\0y\n"])
def test_memory_of_hostile_lines(body: bytes) -> None:
    used, lines, _ = peak(adapter(), Stream(HEAD.encode(), body * 30_000, 1, b""))
    assert sum(lines.values()) == 30_001
    assert used < 80 << 20


# -- blocks


def long_adapter(**layout: object) -> Delimited:
    data, _ = Delimited.example()
    data["delimited"] = {"layout": "long", "label_column": "label", "value_column": "value", **layout}
    data["vitals"] = {"heart_rate": {"labels": ["HR"], "unit": "/min"}}
    return Delimited(Mapping.model_validate(data), ("patient", "taken", "label", "value"))


def test_blocks_end_with_a_row() -> None:
    own = adapter()
    own.block = 100
    result = read(HEAD + '1,t,2,"over\ntwo lines"\n3,t,4,b\n' * 40, own)
    assert len(result.blocks) > 5
    assert result.lines == {K.HEADER: 1, K.ENTRY: 80, K.CONTINUATION: 40}
    assert [block.first_line for block in result.blocks] == sorted({block.first_line for block in result.blocks})


def test_a_block_never_cuts_a_set() -> None:
    own = long_adapter()
    own.block = 60
    rows = "".join(f"{set_},t,HR,{n}\n" + "\n" * (n % 2) for set_ in range(30) for n in range(set_ % 7 + 1))
    result = read("patient,taken,label,value\n" + rows, own)
    owners: dict[str, set[int]] = {}
    for block in result.blocks:
        for _, cells in own.parse(block).entries:
            owners.setdefault(cells[0], set()).add(block.number)
    assert len(result.blocks) > 5
    assert all(len(numbers) == 1 for numbers in owners.values())
    assert len(owners) == 30


@pytest.mark.parametrize("piece", [4, 9, 0, 1 << 20])
def test_every_set_has_its_own_block_whatever_the_reads(piece: int) -> None:
    own = long_adapter()
    sets = [f"{number},t,HR,2\n{number},t,RR,3\n" for number in range(120)]
    export = "patient,taken,label,value\n" + "".join(sets)
    own.block, own.piece = 1, piece or len(export)
    result = read(export, own)
    assert [block.text for block in result.blocks] == sets


def test_rows_that_cannot_be_a_set_do_not_fill_memory() -> None:
    own = long_adapter()
    own.block, own.set_limit = 100, 1000
    result = read("patient,taken,label,value\n" + "1,t,HR,2\n" * 1000, own)
    assert max(len(block.text) for block in result.blocks) < 1300
    assert len(result.entries) == 1000


def test_blocks_of_short_lines_are_limited_too() -> None:
    result = read(HEAD + "1,2,3,4\n" * 60_000)
    assert [block.text.count("\n") for block in result.blocks] == [25_000, 25_000, 10_000]
