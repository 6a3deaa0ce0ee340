"""Any text at all as a listing: every line is accounted for once, whatever the blocks, and no entry is invented."""

from __future__ import annotations

import io
import re
from collections import Counter

from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.adapters.listing import Listing
from gateway.errors import InputError
from gateway.mapping.model import Mapping
from gateway.model import Finding, LineKind

LINES = st.one_of(
    st.sampled_from([
        "PRINTED 2026-03-14 11:05", "PRINTED 2026-03-14 11:40", "#1  0017   A0095", "#2  0018   A0084",
        "    PULSE  72   TEMP 36.9", "    PULSE  80", "    PULSE  72", "BATTERY LOW", "PAGE 2", "\fPAGE 3", "", "\f",
    ]),
    st.text(st.characters(exclude_categories=["Cs"]), max_size=40),
)  # fmt: skip
TEXTS = st.lists(st.tuples(LINES, st.sampled_from(["\n", "\r\n", "\r"])), max_size=40).map(
    lambda lines: "".join(line + end for line, end in lines).encode()
)
EXPORTS = st.one_of(
    TEXTS,
    st.tuples(TEXTS, st.binary(max_size=40), TEXTS).map(b"".join),
    TEXTS.flatmap(lambda text: st.integers(0, len(text)).map(lambda end: text[:end])),
)


def adapter() -> Listing:
    data, _ = Listing.example()
    return Listing(Mapping.model_validate(data), ("printed", "age", "patient", "pulse", "temp"))


def read(own: Listing, data: bytes) -> tuple[list[tuple[int, list[str]]], Counter[LineKind], list[Finding]] | None:
    entries, lines, findings = [], Counter[LineKind](), []
    try:
        for block in own.blocks(io.BytesIO(data), 1):
            parsed = own.parse(block)
            entries += parsed.entries
            lines += block.lines + parsed.lines
            findings += [*block.findings, *parsed.findings]
    except InputError:
        return None
    return entries, lines, findings


def lines_in(data: bytes) -> int:
    parts = re.split(rb"\r\n|\r|\n", data)
    return len(parts) - (parts[-1] == b"")


@settings(max_examples=200)
@given(EXPORTS)
def test_every_line_has_one_kind(data: bytes) -> None:
    # A mark would make the rest of the bytes another encoding, whose line ends are not those counted here.
    data = data if not data.startswith((b"\xff\xfe", b"\xfe\xff")) else b"\n" + data
    result = read(adapter(), data)
    if result is None:
        return
    entries, lines, findings = result
    assert lines.total() == lines_in(data)
    assert lines[LineKind.ENTRY] == len(entries)
    assert [line for line, _ in entries] == sorted({line for line, _ in entries})
    assert len({finding.line for finding in findings if finding.severity == "error"}) <= lines[LineKind.UNREADABLE]
    assert bool(lines[LineKind.UNREADABLE]) == any(finding.severity == "error" for finding in findings)
    assert all(0 <= finding.line <= lines.total() for finding in findings)


@settings(max_examples=100)
@given(EXPORTS, st.integers(1, 400), st.integers(4, 50))
def test_blocks_change_nothing(data: bytes, block: int, piece: int) -> None:
    whole = read(adapter(), data)
    own = adapter()
    own.block, own.piece = block, piece
    cut = read(own, data)
    if whole is None or cut is None:
        # The first block of a cut export may hold nothing that is known; the whole export then may.
        assert cut is None
        return
    assert cut[:2] == whole[:2]
    assert sorted(map(str, cut[2])) == sorted(map(str, whole[2]))


@settings(max_examples=150)
@given(TEXTS)
def test_no_cell_is_invented_or_moved_to_another_entry(data: bytes) -> None:
    result = read(adapter(), data)
    if result is None:
        return
    texts = re.split("\r\n|\r|\n", data.decode("utf-8-sig"))
    starts = [line for line, _ in result[0]]
    for (line, cells), after in zip(result[0], [*starts, len(texts) + 1][1:], strict=True):
        printed, patient, age, pulse, temp, _ = cells
        own = "\n".join(texts[line - 1 : after - 1])
        assert patient in texts[line - 1]
        assert age in texts[line - 1]
        assert pulse in own
        assert temp in own
        earlier = [text for text in texts[: line - 1] if re.fullmatch(r"\f*PRINTED \d{4}-\d\d-\d\d \d\d:\d\d\s*", text)]
        assert printed == (re.search(r"\d.*\d", earlier[-1])[0] if earlier else "")  # type: ignore[index]
