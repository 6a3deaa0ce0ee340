"""Whatever the bytes of a capture: each is accounted for once, and damage in one frame takes nothing from another."""

from __future__ import annotations

import io
import random
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any, BinaryIO, cast

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.adapters import _frames, framed
from gateway.adapters._frames import Frames
from gateway.adapters.framed import Framed
from gateway.errors import InputError
from gateway.mapping import load
from gateway.mapping.model import Mapping
from gateway.model import Block, Entry, Finding, LineKind
from tests.properties.dribble import Dribble

DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo" / "bedside-framed"
NEEDED = ("patient", "taken", "pulse", "temp")
STX, ETX, ETB = b"\x02", b"\x03", b"\x17"


def frame(text: bytes, end: bytes = ETX, checksum: str = "sum-mod-256") -> bytes:
    digits = b"%02X" % (sum(text + end) % 256) if checksum == "sum-mod-256" else b""
    return STX + text + end + digits + b"\r\n"


FRAGMENTS = [
    STX, ETX, ETB, b"\x05", b"\x04", b"\x06", b"\x15", b"\r", b"\n", b"\r\n", b"\0", b"\xff", b"x" * 20, b"1",
    b"A7", b"\x02\x02", b"R|1|t|72\r", b"\x10\x02", b"\x10",
    frame(b"1H|MON|t\r"), frame(b"2R|1|t|72\r"), frame(b"3R|2|t|80\r"), frame(b"2R|1|t|7", ETB), frame(b"32\rT|36\r"),
    frame(b"4T|36.9\rM|2\rL\r"), frame(b"3R|\0|t|1\r"), frame(b"2R|1|t|72\r").replace(b"72", b"12"),
    frame(b"5?\r"), frame(b"6"), frame(b"R|9|t|9\r"), frame(b"3\r\r\nL\r\r"),
]  # fmt: skip


def captures() -> st.SearchStrategy[bytes]:
    pieces = st.lists(st.sampled_from(FRAGMENTS), max_size=40).map(b"".join)
    return st.one_of(pieces, pieces.map(frame(b"1H|MON|t\r").__add__), st.binary(max_size=200))


def layouts() -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries(
        {
            "checksum": st.sampled_from(["none", "sum-mod-256", "xor", "crc-16-ccitt"]),
            "continues": st.sampled_from([[], ["17"]]),
            "frame_numbers": st.booleans(),
            "start": st.sampled_from(["02", "02", "0202", "1002"]),
            "end": st.sampled_from([["03"], ["0D", "0D0A"], ["03", "0D03"]]),
            "record_end": st.sampled_from(["0D", "0D", "0D0A", ""]),
            "after": st.sampled_from(["0D0A", "", "58"]),
            "encoding": st.sampled_from(["latin-1", "utf-8"]),
            "length": st.sampled_from([None, None, {"size": 1, "written": "bytes"}, {"size": 2, "written": "decimal"}]),
            "stuffing": st.sampled_from([None, None, {"escape": "10"}, {"escape": "1B", "xor": "20"}]),
        }
    )


def adapter(**changes: Any) -> Framed:
    data, _ = Framed.example()
    layout = data["framed"]
    assert isinstance(layout, dict)
    data["framed"] = layout | changes
    return Framed(Mapping.model_validate(data), NEEDED)


@contextmanager
def small_limits() -> Iterator[None]:
    """Limits that short captures can reach."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(_frames, "LONGEST_FRAME", 24)
        patch.setattr(_frames, "LONGEST_RECORD", 15)
        patch.setattr(_frames, "MANY_FINDINGS", 4)
        patch.setattr(framed, "MANY_FINDINGS", 4)
        yield


def outcome(own: Framed, data: bytes, sizes: list[int]) -> tuple[list[Block], str]:
    try:
        return list(own.blocks(cast(BinaryIO, Dribble(data, sizes)), 1)), ""
    except InputError as error:
        return [], str(error)


def read(own: Framed, blocks: list[Block]) -> tuple[list[Entry], Counter[LineKind], list[Finding]]:
    entries: list[Entry] = []
    kinds: Counter[LineKind] = Counter()
    findings: list[Finding] = []
    for block in blocks:
        parsed = own.parse(block)
        entries += parsed.entries
        kinds.update(block.lines)
        kinds.update(parsed.lines)
        findings += [*block.findings, *parsed.findings]
    return entries, kinds, findings


def check(own: Framed, data: bytes, blocks: list[Block]) -> list[Entry]:
    entries, kinds, findings = read(own, blocks)
    assert sum(kinds.values()) == len(data)
    assert all(count > 0 for count in kinds.values())
    numbers = [line for line, _ in entries]
    assert numbers == sorted(set(numbers))
    # A frame with a wrong checksum that came again whole is told as a warning.
    errors = [each for each in findings if each.severity == "error" or each.rule == "frame-checksum"]
    assert bool(errors) is (kinds[LineKind.UNREADABLE] > 0)
    assert all(0 <= finding.offset < len(data) for finding in findings if not finding.rule.startswith("export-"))
    return entries


@settings(max_examples=400)
@given(data=captures(), layout=layouts(), block=st.integers(1, 120))
def test_every_byte_is_accounted_for_once(data: bytes, layout: dict[str, Any], block: int) -> None:
    with small_limits():
        own = adapter(**layout)
        own.block = block
        blocks, refused = outcome(own, data, [1 << 20])
        if not refused:
            check(own, data, blocks)


@settings(max_examples=300)
@given(data=captures(), layout=layouts())
def test_records_stand_where_they_are_said_to_stand(data: bytes, layout: dict[str, Any]) -> None:
    taken: list[range] = []
    mapping = adapter(**(layout | {"continues": []}))._layout
    frames = Frames(mapping, io.BytesIO(data), 1, 1 << 20)
    for record in frames.records():
        if record is not None:
            assert data[record.offset : record.offset + len(record.data)] == record.data
            taken.append(range(record.offset, record.offset + len(record.data)))
    assert all(before.stop <= after.start for before, after in pairwise(taken))
    assert sum(frames.lines.values()) + sum(map(len, taken)) == len(data) == frames.offset


@settings(max_examples=300)
@given(
    data=captures(),
    layout=layouts(),
    block=st.integers(1, 120),
    piece=st.integers(1, 50),
    sizes=st.lists(st.integers(1, 9), min_size=1, max_size=5),
)
def test_nothing_depends_on_how_bytes_arrive(
    data: bytes, layout: dict[str, Any], block: int, piece: int, sizes: list[int]
) -> None:
    with small_limits():
        whole, dribbled = adapter(**layout), adapter(**layout)
        whole.block = dribbled.block = block
        dribbled.piece = piece
        expected, actual = outcome(whole, data, [1 << 20]), outcome(dribbled, data, sizes)
        assert actual == expected
        assert read(dribbled, actual[0]) == read(whole, expected[0])


@settings(max_examples=300)
@given(data=captures(), layout=layouts(), block=st.integers(1, 120))
def test_entries_do_not_depend_on_where_blocks_end(data: bytes, layout: dict[str, Any], block: int) -> None:
    with small_limits():
        whole, cut = adapter(**layout), adapter(**layout)
        cut.block = block
        one, many = outcome(whole, data, [1 << 20]), outcome(cut, data, [1 << 20])
        assert one[1] == many[1]
        entries, kinds, findings = read(whole, one[0])
        entries_cut, kinds_cut, findings_cut = read(cut, many[0])
    assert entries_cut == entries
    assert kinds_cut == kinds

    def placed(found: list[Finding]) -> list[Finding]:
        return sorted(found, key=lambda finding: (finding.offset, finding.rule))

    assert placed(findings_cut) == placed(findings)


JUNK = st.one_of(st.binary(max_size=40), st.lists(st.sampled_from(FRAGMENTS[:19]), max_size=8).map(b"".join))


@settings(max_examples=300)
@given(
    count=st.integers(1, 12),
    bad=st.sets(st.integers(0, 11)),
    data=st.data(),
    checksum=st.sampled_from(["sum-mod-256", "sum-mod-256", "none"]),
    numbers=st.booleans(),
    continues=st.sampled_from([[], ["17"]]),
)
def test_good_frames_around_damaged_ones_are_read(
    count: int, bad: set[int], data: st.DataObject, checksum: str, numbers: bool, continues: list[str]
) -> None:
    parts = [frame(b"1H|MON|t\r" if numbers else b"H|MON|t\r", checksum=checksum)]
    good = []
    for at in range(count):
        number = b"%d" % ((at + 2) % 8) if numbers else b""
        text = frame(b"%bR|%04d|t|%d\r" % (number, at, 60 + at), checksum=checksum)
        if at in bad:
            place = data.draw(st.integers(0, len(text) - 1))
            changed = bytearray(text)
            changed[place] ^= data.draw(st.integers(1, 255))
            cut = text[:place] + text[place + data.draw(st.integers(1, 9)) :]
            text = data.draw(st.one_of(st.just(bytes(changed)), st.just(cut), JUNK))
        else:
            good.append(f"{at:04}")
        parts.append(text)
    capture = b"".join(parts)
    # A damaged frame that seems to go on in the next one: what stands first there may be its rest, and is not read.
    own = adapter(checksum=checksum, frame_numbers=numbers, continues=continues if ETB not in capture else [])
    blocks, refused = outcome(own, capture, [1 << 20])
    assert not refused
    entries = check(own, capture, blocks)
    patient = blocks[0].fields.index("patient")
    read_back = iter([cells[patient] for _, cells in entries])
    # In order, each of them. More may be read: damage behind a checksum, none at all, or one of 256 sums that agree.
    assert all(text in read_back for text in good)


@settings(max_examples=200)
@given(
    rows=st.lists(st.tuples(st.integers(0, 9999), st.integers(0, 300), st.booleans()), min_size=1, max_size=20),
    cuts=st.lists(st.integers(1, 12), min_size=1, max_size=6),
    again=st.sets(st.integers(0, 60)),
    ends=st.booleans(),
)
def test_what_was_framed_is_read_back(
    rows: list[tuple[int, int, bool]], cuts: list[int], again: set[int], ends: bool
) -> None:
    # Records are cut anywhere into frames that go on, and some frames are sent twice.
    texts: list[tuple[bytes, bytes]] = []
    for patient, pulse, part in rows:
        text = b"R|%04d|t|%d\r" % (patient, pulse) + (b"T|%d\r" % (pulse + 1) if part else b"")
        position = 0
        while position < len(text):
            size = cuts[len(texts) % len(cuts)]
            position += size
            texts.append((text[position - size : position], ETX if position >= len(text) else ETB))
    sent = []
    for at, (text, end) in enumerate(texts):
        one = frame(b"%d" % ((at + 1) % 8) + text, end)
        sent += [one, b"\x15", one] if at in again else [one, b"\x06"]
    own = adapter()
    capture = (b"\x05" if ends else b"") + b"".join(sent) + (b"\x04" if ends else b"")
    blocks, refused = outcome(own, capture, [1 << 20])
    assert not refused
    entries = check(own, capture, blocks)
    found = [tuple(dict(zip(blocks[0].fields, cells, strict=True))[name] for name in NEEDED) for _, cells in entries]
    assert found == [
        (f"{patient:04}", "t", str(pulse), str(pulse + 1) if part else "") for patient, pulse, part in rows
    ]


# -- mutations of whole captures, a fixed number of them


@cache
def corpus() -> tuple[tuple[Framed, bytes], ...]:
    data, export = Framed.example()
    mapping = load(DEMO / "mapping.toml").mapping
    from gateway.mapping import columns

    (capture,) = list(DEMO.glob("*.cap"))
    return (
        (Framed(Mapping.model_validate(data), NEEDED), export),
        (Framed(mapping, columns(mapping)), capture.read_bytes()),
    )


def said(own: Framed, blocks: list[Block]) -> list[dict[str, str]]:
    return [dict(zip(block.fields, cells, strict=True)) for block in blocks for _, cells in own.parse(block).entries]


@pytest.mark.parametrize("which", [0, 1], ids=["example", "demo"])
def test_one_damaged_byte_invents_nothing(which: int) -> None:
    own, capture = corpus()[which]
    original = said(own, outcome(own, capture, [1 << 20])[0])
    chance = random.Random(1381 + which)
    places = range(len(capture)) if len(capture) < 500 else sorted(chance.sample(range(len(capture)), 400))
    # One frame of the demo is damaged already; a second fault in it could make its sum right again.
    damaged = capture.find(b"|01|95|")
    first, last = capture.rfind(STX, 0, max(damaged, 0)), capture.find(b"\n", max(damaged, 0))
    for place in places:
        if damaged >= 0 and first <= place <= last:
            continue
        others = {2, 3, 4, 5, 6, 13, 21, 23, 48, 124, capture[place] ^ 1, capture[place] ^ 128} - {capture[place]}
        chosen = sorted(others) if which == 0 else chance.sample(sorted(others), 3)
        variants = [capture[:place] + bytes([other]) + capture[place + 1 :] for other in chosen]
        variants += [capture[:place] + capture[place + 1 :], capture[:place], capture[place:]]
        variants += [capture[:place] + bytes([chance.randrange(256)]) + capture[place:]]
        for variant in variants:
            blocks, refused = outcome(own, variant, [1 << 20])
            if refused:
                continue
            check(own, variant, blocks)
            for entry in said(own, blocks):
                # A field may be missing with its frame; none may be another's.
                assert any(all(text in ("", one[name]) for name, text in entry.items()) for one in original), entry


@pytest.mark.parametrize("which", [0, 1], ids=["example", "demo"])
def test_captures_mutated_at_random_do_no_harm(which: int) -> None:
    own, capture = corpus()[which]
    chance = random.Random(394 + which)
    for _ in range(400):
        variant = bytearray(capture)
        for _ in range(chance.randint(1, 12)):
            place = chance.randrange(len(variant) + 1)
            length = chance.choice((1, 1, 1, 2, 5, 40))
            match chance.randrange(5):
                case 0:
                    variant[place : place + length] = chance.randbytes(length)
                case 1:
                    del variant[place : place + length]
                case 2:
                    variant[place:place] = chance.choice(FRAGMENTS)
                case 3:
                    start = chance.randrange(len(variant) + 1)
                    variant[place:place] = variant[start : start + 10 * length]
                case _:
                    del variant[place + 500 :]
        blocks, refused = outcome(own, bytes(variant), [1 << 20])
        if not refused:
            check(own, bytes(variant), blocks)


@pytest.mark.parametrize(
    "junk", [STX, STX + b"x", b"x", b"\r", b"\x05", STX + ETX, STX + b"1" + ETB, STX + b"1" + ETB + b"48"]
)
def test_no_junk_takes_time_out_of_proportion(junk: bytes) -> None:
    # A scan from each start to the end of what is seen would need minutes here.
    own = adapter()
    capture = frame(b"1H|MON|t\r") + junk * (600_000 // len(junk))
    blocks, refused = outcome(own, capture, [1 << 20])
    assert not refused
    check(own, capture, blocks)
