"""The listing adapter: blocks, page breaks, damage, captures, and files that are something else."""

from __future__ import annotations

import base64
import io
import json
import tracemalloc
from collections import Counter
from typing import Any, BinaryIO, cast

import pytest

from gateway.adapters.listing import Listing
from gateway.errors import InputError, MappingError
from gateway.mapping.loader import load, ready
from gateway.mapping.model import Mapping
from gateway.mapping.uses import columns
from gateway.model import Block, Entry, Finding, LineKind

K = LineKind
NEEDED = ("sent", "patient", "age", "pulse", "temp")
HEAD = "SENT 2026-03-14 11:05\n"
RECORDS: list[dict[str, Any]] = [
    {"use": "header", "pattern": "SENT (?P<sent>.+)"},
    {"use": "header", "pattern": "MODE (?P<mode>.+)"},
    {"use": "entry", "pattern": r"#\d+ (?P<patient>\S+) (?P<age>\d+)m"},
    {"use": "part", "pattern": r" +PR (?P<pulse>\S+)(?: +T (?P<temp>\S+))?"},
    {"use": "part", "pattern": r" +T (?P<temp>\S+)"},
    {"use": "event", "pattern": "BATTERY.*", "meaning": "battery low"},
    {"use": "ignore", "pattern": "PAGE [0-9]+( OF [0-9]+)?"},
]


def adapter(needed: tuple[str, ...] = NEEDED, **layout: object) -> Listing:
    data, _ = Listing.example()
    data["listing"] = {"records": RECORDS, **layout}
    return Listing(Mapping.model_validate(data), needed)


class Result:
    def __init__(self, blocks: list[Block], own: Listing) -> None:
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
    def rules(self) -> list[tuple[str, int]]:
        return [(finding.rule, finding.line) for finding in self.findings]

    def cells(self, *names: str) -> list[list[str]]:
        at = [self.blocks[0].fields.index(name) for name in names]
        return [[cells[position] for position in at] for _, cells in self.entries]


def read(export: str | bytes, own: Listing | None = None, **layout: object) -> Result:
    own = own or adapter(**cast(Any, layout))
    data = export.encode() if isinstance(export, str) else export
    return Result(list(own.blocks(io.BytesIO(data), 1)), own)


# -- plain reading


def test_entries_of_one_line_or_more() -> None:
    result = read(HEAD + "\n#1 0017 95m\n  PR 72  T 36.9\n#2 0018 84m\n  PR 80\n  T 37.2\n#3 0019 5m\n")
    assert result.blocks[0].fields == ("sent", "mode", "patient", "age", "pulse", "temp", "capture time")
    sent = "2026-03-14 11:05"
    assert result.entries == [
        (3, [sent, "", "0017", "95", "72", "36.9", ""]),
        (5, [sent, "", "0018", "84", "80", "37.2", ""]),
        (8, [sent, "", "0019", "5", "", "", ""]),
    ]
    assert result.lines == {K.HEADER: 1, K.BLANK: 1, K.ENTRY: 3, K.CONTINUATION: 3}
    assert result.findings == []


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("last", ["", "x"])
def test_line_ends(end: str, last: str) -> None:
    text = (HEAD + "#1 0017 95m\n PR 72\n").replace("\n", end)
    assert read(text[: len(text) - len(end) if last else None]).cells("pulse") == [["72"]]


def test_a_page_break_in_an_entry_does_not_divide_it() -> None:
    result = read(HEAD + "#1 0017 95m\n  PR 72\n\f\nPAGE 2 OF 3\n\fPAGE 2\n\f  T 36.9\f\n")
    assert result.cells("pulse", "temp") == [["72", "36.9"]]
    assert result.lines == {K.HEADER: 1, K.ENTRY: 1, K.CONTINUATION: 2, K.BLANK: 1, K.FOOTER: 2}


def test_an_event_is_told_and_never_an_entry() -> None:
    result = read(HEAD + "#1 0017 95m\nBATTERY 10%\n  PR 72\n")
    assert result.cells("pulse") == [["72"]]
    assert result.rules == [("monitor-event", 3)]
    assert result.lines[K.EVENT] == 1


def test_encoding() -> None:
    text = HEAD + "#1 Åse 95m\r\n PR 72\r\n"
    assert read(text.encode("cp1252"), encoding="cp1252").cells("patient") == [["Åse"]]
    assert read(text.encode("utf-16"), encoding="utf-16").cells("patient", "pulse") == [["Åse", "72"]]
    with pytest.raises(MappingError) as caught:
        adapter(encoding="no-such")
    assert caught.value.where == "key listing.encoding"


def test_the_shipped_mapping_reads_its_own_sample() -> None:
    path = ready()["listing-example"]
    sample = [line[6:] for line in path.read_text("utf-8").splitlines() if line.startswith("#     ")]
    export = "\n".join(line for line in sample if "gateway check" not in line)
    mapping = load(path).mapping
    result = read(export, Listing(mapping, columns(mapping)))
    assert result.cells("number", "bp", "hr", "spo2", "mode") == [
        ["17", "128/76 (93)", "72", "98 ", "ADULT"], ["18", "LEAK", "", "97", "ADULT"],
    ]  # fmt: skip
    assert [rule for rule, _ in result.rules] == ["monitor-event"]


# -- damage


def test_damage_costs_its_line_and_the_rest_of_its_entry() -> None:
    data = HEAD.encode() + b"#1 0017 95m\n PR 72\n T \xff36\n#2 00\x0018 84m\n PR 80\n#3 0019 5m\n PR 60\n"
    result = read(data)
    assert result.cells("patient", "pulse", "temp") == [["0017", "72", ""], ["0019", "60", ""]]
    assert sorted(result.rules, key=lambda told: told[1]) == [
        ("line-undecodable", 4), ("line-has-nul", 5), ("record-out-of-place", 6),
    ]  # fmt: skip
    assert result.findings[0].offset == data.index(b"\xff")
    assert result.lines == {K.HEADER: 1, K.ENTRY: 2, K.CONTINUATION: 2, K.UNREADABLE: 3}


def test_lines_of_no_declared_kind_are_findings_without_their_text() -> None:
    result = read(HEAD + "#1 0017 95m\n PR 72\nNAME DOE 12345678\n#2 0018 84m\n")
    assert result.rules == [("record-not-declared", 4)]
    assert "DOE" not in result.findings[0].message
    assert "1234" not in result.findings[0].message


def test_very_long_lines() -> None:
    text = HEAD + "#1 0017 95m\n PR " + "7" * 5_000 + "\n PR 72\n" + "x" * 200_000 + "\n#2 0018 84m\n"
    result = read(text)
    assert result.cells("patient") == [["0017"], ["0018"]]
    assert sorted(told for told, _ in result.rules) == ["line-too-long", "record-not-declared", "record-out-of-place"]


@pytest.mark.parametrize("export", ["", "\n", " \r\n\f\n\n"])
def test_no_text(export: str) -> None:
    result = read(export)
    assert result.rules == [("export-empty", 0)]
    assert result.lines == ({K.BLANK: export.count("\n")} if export else {})


@pytest.mark.parametrize("export", [HEAD, HEAD + "\nBATTERY\nPAGE 1\n"])
def test_no_entries(export: str) -> None:
    assert read(export).findings[0].rule == "export-header-only"
    assert read(export + "#1 0017 95m\n").rules == read(export).rules[1:]


def test_another_kind_of_file_is_refused() -> None:
    with pytest.raises(InputError, match="none of the first 2 lines is of a kind that this mapping declares") as caught:
        read("Date,Patient,PR\n2026-03-14,00482913,72\n")
    assert "00482913" not in str(caught.value)
    with pytest.raises(InputError, match="the only line is not"):
        read("hello")
    with pytest.raises(InputError, match=r"Line 1 cannot be decoded.*listing\.encoding"):
        read(b"\xfd\xff\n")
    assert read("x\n" * 999 + "#1 0017 95m\n").cells("patient") == [["0017"]]
    with pytest.raises(InputError):
        read("x\n" * 1000 + "#1 0017 95m\n")


def test_a_column_that_no_record_gives_is_refused() -> None:
    with pytest.raises(MappingError, match="'spo2'"):
        adapter((*NEEDED, "spo2"))


# -- blocks


def listing(entries: int) -> str:
    parts = [HEAD, "MODE A\n"]
    for number in range(1, entries + 1):
        parts.append(f"#{number} {number:04} {number}m\n  PR {60 + number % 40}\n  T 36.{number % 10}\n")
        if number % 7 == 0:
            parts.append("PAGE 2\nBATTERY\n\n")
        if number % 50 == 0:
            parts.append(f"SENT later {number}\n")
    return "".join(parts)


@pytest.mark.parametrize("block", [1, 60, 100, 1000])
@pytest.mark.parametrize("piece", [5, 200, 1 << 20])
def test_blocks_give_what_the_whole_gives(block: int, piece: int) -> None:
    text = listing(120).replace("  PR 75\n", "  PR\ufffd\n  PR 75\n")
    whole = read(text)
    assert len(whole.blocks) == 1
    own = adapter()
    own.block, own.piece = block, piece
    cut = read(text, own)
    assert cut.entries == whole.entries
    assert cut.lines == whole.lines
    assert cut.rules == whole.rules
    assert "".join(part.text for part in cut.blocks) == text
    assert len(cut.blocks) > 4
    assert [part.number for part in cut.blocks] == list(range(1, len(cut.blocks) + 1))
    assert all(part.text.startswith("#") for part in cut.blocks[1:])
    assert all(len(part.text) <= max(block, 150) for part in cut.blocks)
    line = 1
    for part in cut.blocks:
        assert part.first_line == line
        line += part.text.count("\n")


def test_a_block_without_an_entry_in_reach_is_cut_all_the_same() -> None:
    own = adapter()
    own.block, own.entry_limit, own.piece = 100, 300, 64
    result = read(HEAD + "PAGE 1\n" * 1000, own)
    assert result.lines == {K.HEADER: 1, K.FOOTER: 1000}
    assert max(len(block.text) for block in result.blocks) <= 100 + 300 + 7
    assert [rule for rule, _ in result.rules] == ["export-header-only"]


def test_memory_stays_small() -> None:
    class Long:
        def __init__(self) -> None:
            self.left = 400
            self.at = b""

        def read(self, size: int) -> bytes:
            if not self.at and self.left:
                self.left -= 1
                self.at = part
            data, self.at = self.at[:size], self.at[size:]
            return data

    part = listing(500).encode()
    own = adapter()
    own.piece = 1 << 16
    tracemalloc.start()
    try:
        blocks = sum(1 for _ in own.blocks(cast(BinaryIO, Long()), 1))
        assert blocks > 5
        assert tracemalloc.get_traced_memory()[1] < 24 << 20
    finally:
        tracemalloc.stop()


# -- captures


def capture(*chunks: bytes) -> bytes:
    records: list[dict[str, Any]] = [{
        "capture": "spot-check serial capture 1", "port": "-", "started": "2026-03-14T09:30:00.000000-05:00",
        "settings": {},
    }]  # fmt: skip
    for at, chunk in enumerate(chunks):
        records.append({"at": f"2026-03-14T09:{at:02}:00.000000-05:00", "bytes": base64.b64encode(chunk).decode()})
    return "".join(json.dumps(record) + "\n" for record in records).encode()


def minutes(result: Result) -> list[int]:
    return [int(cell[14:16]) for (cell,) in result.cells("capture time")]


def test_a_capture_gives_the_time_at_which_its_list_began() -> None:
    first, second = b"SENT a\n#1 0017 95m\n PR 72\n", b"SENT b\n#2 0018 84m\n"
    assert minutes(read(capture(b"\r\n", first, second))) == [1, 2]
    # The header came in several chunks, one of them only its last character.
    assert minutes(read(capture(b"\n", b"SE", b"NT a", b"\n", b"#1 0017 9", b"5m\n"))) == [1]
    assert minutes(read(capture(b"SENT a\r", b"\n#1 0017 95m\r", b"\nSENT b\r\n", b"#2 0018 84m\r\n"))) == [0, 2]
    assert minutes(read(capture(b"#1 0017 95m\n", b"#2 0018 84m\n"))) == [0, 0]


@pytest.mark.parametrize("size", [1, 2, 3, 10, 1000])
def test_capture_times_do_not_depend_on_blocks(size: int) -> None:
    own = adapter()
    own.piece = 7
    text = listing(120).encode()
    export = capture(*(text[at * len(text) // 59 : (at + 1) * len(text) // 59] for at in range(59)))
    own.block = 80 * size
    assert read(export, own).entries == read(export).entries
    times = [cell for (cell,) in read(export).cells("capture time")]
    assert times == sorted(times)
    assert len(set(times)) == 3
