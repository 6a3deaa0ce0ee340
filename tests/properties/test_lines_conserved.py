"""Whatever the bytes: every line is accounted for once, and nothing depends on how the bytes arrive or are cut."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from typing import BinaryIO, cast

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.adapters import _headers, _lines, _rows, delimited
from gateway.adapters.delimited import Delimited
from gateway.errors import InputError
from gateway.mapping.model import Mapping
from gateway.model import Block, Entry, Finding, LineKind
from tests.properties.dribble import Dribble

NEEDED = ("patient", "taken", "label", "value")
HEAD = b"patient,taken,label,value,note\n"
FRAGMENTS = [
    b"1", b"t", b",", b";", b'"', b'""', b"\r", b"\n", b"\r\n", b"\0", b"\xff", b"\xc3", "å".encode(), b" ",
    b"\xff\xfe", b"\xef\xbb\xbf", b"\x00\xd8", b"xxxxxxxxxx", b"End\n", b"\n\n", b",,,,\n",
    HEAD, b"1,t,a,2,\n", b"1,t,b,2,x\n", b"2,t,a,2,\n", b'1,t,c,"2",\n', b'1,t,c,2,"over\nlines"\n', b'1,t,d,2,"open\n',
]  # fmt: skip


def exports() -> st.SearchStrategy[bytes]:
    pieces = st.lists(st.sampled_from(FRAGMENTS), max_size=40).map(b"".join)
    return st.one_of(pieces, pieces.map(HEAD.__add__), st.binary(max_size=200))


def adapter(layout: str, *, header: bool, quote: str = '"', encoding: str = "utf-8") -> Delimited:
    data, _ = Delimited.example()
    shape: dict[str, object] = {"layout": layout, "quote": quote, "encoding": encoding, "footer": ["End"]}
    if not header:
        shape |= {"header": False, "columns": [*NEEDED, "note"]}
    data["delimited"] = shape
    return Delimited(Mapping.model_validate(data), NEEDED)


@contextmanager
def small_limits() -> Iterator[None]:
    """Limits that short exports can reach."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(_lines, "LONGEST_LINE", 40)
        for module in (_headers, _rows, delimited):
            patch.setattr(module, "ROW_LINES", 3)
        patch.setattr(delimited, "_BLOCK_LINES", 12)
        yield


def units(data: bytes, encoding: str) -> list[bytes]:
    """An export in units of its encoding, by the byte order mark first: written apart from the code under test."""
    width, order = (2, encoding[-2:]) if encoding.startswith("utf-16") else (1, "")
    if data.startswith(b"\xef\xbb\xbf"):
        data, width, order = data[3:], 1, ""
    elif data.startswith((b"\xff\xfe", b"\xfe\xff")):
        data, width, order = data[2:], 2, "le" if data[:1] == b"\xff" else "be"
    cut = [data[at : at + width] for at in range(0, len(data), width)]
    return [unit[::-1] if order == "be" and len(unit) == 2 else unit for unit in cut]


def lines_in(data: bytes, encoding: str) -> int:
    lines, pending, before = 0, False, b""
    for unit in units(data, encoding):
        char = unit[:1] if unit[1:] in (b"", b"\0") else b"x"
        if len(unit) == 1 and before[1:] == b"\0":
            char = b"x"  # half a UTF-16 unit at the end
        if char == b"\n" and before[:1] == b"\r" and before[1:] in (b"", b"\0"):
            pass
        elif char in (b"\r", b"\n"):
            lines, pending = lines + 1, False
        else:
            pending = True
        before = unit
    return lines + pending


def outcome(own: Delimited, data: bytes, sizes: list[int]) -> tuple[list[Block], str]:
    try:
        return list(own.blocks(cast(BinaryIO, Dribble(data, sizes)), 1)), ""
    except InputError as error:
        return [], str(error)


def read(own: Delimited, blocks: list[Block]) -> tuple[list[Entry], Counter[LineKind], list[Finding]]:
    entries: list[Entry] = []
    lines: Counter[LineKind] = Counter()
    findings: list[Finding] = []
    for block in blocks:
        parsed = own.parse(block)
        entries += parsed.entries
        lines.update(block.lines)
        lines.update(parsed.lines)
        findings += [*block.findings, *parsed.findings]
    return entries, lines, findings


@settings(max_examples=300, deadline=None)
@given(
    data=exports(),
    layout=st.sampled_from(["wide", "long"]),
    header=st.booleans(),
    quote=st.sampled_from(['"', ""]),
    encoding=st.sampled_from(["utf-8", "cp1252", "utf-16-le", "utf-16-be"]),
    block=st.integers(1, 120),
)
def test_every_line_is_accounted_for_once(
    data: bytes, layout: str, header: bool, quote: str, encoding: str, block: int
) -> None:
    with small_limits():
        own = adapter(layout, header=header, quote=quote, encoding=encoding)
        own.block = block
        blocks, refused = outcome(own, data, [1 << 20])
        if refused:
            assert header
            return
        entries, lines, findings = read(own, blocks)
    assert sum(lines.values()) == lines_in(data, encoding)
    assert lines[LineKind.ENTRY] == len(entries)
    assert all(count > 0 for count in lines.values())
    numbers = [line for line, _ in entries]
    assert numbers == sorted(set(numbers))
    unreadable = {f.line for f in findings if f.severity == "error"}
    assert bool(unreadable) is (lines[LineKind.UNREADABLE] > 0) or header
    assert not unreadable & set(numbers)


@settings(max_examples=300, deadline=None)
@given(
    data=exports(),
    layout=st.sampled_from(["wide", "long"]),
    header=st.booleans(),
    encoding=st.sampled_from(["utf-8", "cp1252", "utf-16-le"]),
    block=st.integers(1, 120),
    piece=st.integers(1, 50),
    sizes=st.lists(st.integers(1, 9), min_size=1, max_size=5),
)
def test_nothing_depends_on_how_bytes_arrive(
    data: bytes, layout: str, header: bool, encoding: str, block: int, piece: int, sizes: list[int]
) -> None:
    with small_limits():
        whole = adapter(layout, header=header, encoding=encoding)
        dribbled = adapter(layout, header=header, encoding=encoding)
        whole.block = dribbled.block = block
        dribbled.piece = piece
        expected, actual = outcome(whole, data, [1 << 20]), outcome(dribbled, data, sizes)
        assert actual == expected
        assert read(dribbled, actual[0]) == read(whole, expected[0])


@settings(max_examples=300, deadline=None)
@given(data=exports(), layout=st.sampled_from(["wide", "long"]), header=st.booleans(), block=st.integers(1, 120))
def test_entries_do_not_depend_on_where_blocks_end(data: bytes, layout: str, header: bool, block: int) -> None:
    with small_limits():
        whole, cut = adapter(layout, header=header), adapter(layout, header=header)
        cut.block = block
        one, many = outcome(whole, data, [1 << 20]), outcome(cut, data, [1 << 20])
        assert one[1] == many[1]
        entries, lines, findings = read(whole, one[0])
        entries_cut, lines_cut, findings_cut = read(cut, many[0])
    assert entries_cut == entries
    assert lines_cut == lines

    def placed(found: list[Finding]) -> list[Finding]:
        # Padding is reported once per block, the others once per place.
        return sorted((f for f in found if f.rule != "nul-padding"), key=lambda f: (f.line, f.rule, f.column))

    assert placed(findings_cut) == placed(findings)


@settings(max_examples=200, deadline=None)
@given(data=exports(), block=st.integers(1, 120))
def test_rows_of_one_set_share_a_block(data: bytes, block: int) -> None:
    own = adapter("long", header=True)
    own.block = block
    blocks, _ = outcome(own, HEAD + data, [1 << 20])
    last: list[str] | None = None
    for one in blocks:
        entries = own.parse(one).entries
        if entries and last is not None:
            assert entries[0][1][:2] != last
        if entries:
            last = entries[-1][1][:2]


CELLS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0\r"), max_size=12)


@settings(max_examples=200, deadline=None)
@given(
    rows=st.lists(st.tuples(st.integers(0, 999).map(str), CELLS, CELLS, CELLS, CELLS).map(list), max_size=30),
    delimiter=st.sampled_from([",", ";", "\t"]),
    end=st.sampled_from(["\r\n", "\n"]),
    quoting=st.sampled_from([csv.QUOTE_ALL, csv.QUOTE_MINIMAL]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
    block=st.integers(1, 300),
)
def test_what_the_csv_module_writes_is_read_back(
    rows: list[list[str]], delimiter: str, end: str, quoting: int, encoding: str, block: int
) -> None:
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter, lineterminator=end, quoting=quoting)  # type: ignore[arg-type]
    writer.writerow([*NEEDED, "note"])
    writer.writerows(rows)
    data, _ = Delimited.example()
    data["delimited"] = {"layout": "wide", "delimiter": delimiter, "encoding": encoding}
    own = Delimited(Mapping.model_validate(data), NEEDED)
    own.block = block
    entries, lines, findings = read(own, list(own.blocks(io.BytesIO(text.getvalue().encode(encoding)), 1)))
    assert [cells for _, cells in entries] == rows
    assert lines[LineKind.UNREADABLE] == 0
    assert {f.rule for f in findings} <= {"export-header-only"}
