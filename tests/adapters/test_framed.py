"""Framed captures: each kind of damage has its finding at its byte, and nothing good beside it is lost."""

from __future__ import annotations

import base64
import io
import json
from collections import Counter
from typing import Any

import pytest

from gateway.adapters import _frames
from gateway.adapters.framed import Framed
from gateway.errors import InputError, MappingError
from gateway.mapping.forms.framed import Framed as FramedTable
from gateway.mapping.model import Mapping
from gateway.mapping.record import CAPTURE_TIME
from gateway.model import Effect, Entry, Finding, LineKind

STX, ETX, ETB, ENQ, EOT, ACK, NAK = b"\x02", b"\x03", b"\x17", b"\x05", b"\x04", b"\x06", b"\x15"


def frame(text: bytes, end: bytes = ETX) -> bytes:
    """A frame with its sum; the text begins with the frame number."""
    return b"%b%b%b%02X\r\n" % (STX, text, end, sum(text + end) % 256)


HEAD = frame(b"1H|MON-3|2026-03-14 10:02\r")
ONE = frame(b"2R|0017|2026-03-14 09:30|72\r")
TWO = frame(b"3R|0018|2026-03-14 09:41|80\r")
THREE = frame(b"4R|0019|2026-03-14 09:50|66\r")
BAD = ONE.replace(b"|72", b"|12")


def _example() -> dict[str, Any]:
    return Framed.example()[0]


class Read:
    def __init__(self, capture: bytes, needed: tuple[str, ...] = ("patient", "pulse"), **changes: Any) -> None:
        data, _ = Framed.example()
        layout = data["framed"]
        assert isinstance(layout, dict)
        data["framed"] = layout | changes
        adapter = Framed(Mapping.model_validate(data), needed)
        self.entries: list[Entry] = []
        self.findings: list[Finding] = []
        self.bytes: Counter[LineKind] = Counter()
        self.blocks = list(adapter.blocks(io.BytesIO(capture), 1))
        for block in self.blocks:
            parsed = adapter.parse(block)
            self.entries += parsed.entries
            self.findings += [*block.findings, *parsed.findings]
            self.bytes.update(block.lines)
            self.bytes.update(parsed.lines)
        self.fields = self.blocks[0].fields

    @property
    def pulses(self) -> list[tuple[str, str]]:
        return [(self.cell(cells, "patient"), self.cell(cells, "pulse")) for _, cells in self.entries]

    def cell(self, cells: list[str], name: str) -> str:
        return cells[self.fields.index(name)]

    @property
    def found(self) -> list[tuple[str, int]]:
        return [(finding.rule, finding.offset) for finding in self.findings]


def test_a_good_capture() -> None:
    capture = ENQ + ACK.join([HEAD, ONE, TWO]) + EOT
    read = Read(capture)
    assert read.pulses == [("0017", "72"), ("0018", "80")]
    assert [line for line, _ in read.entries] == [2, 3]
    assert read.found == []
    assert sum(read.bytes.values()) == len(capture)
    assert read.bytes[LineKind.ENTRY] == 2 * len(b"R|0017|2026-03-14 09:30|72")
    assert read.bytes[LineKind.HEADER] == len(b"H|MON-3|2026-03-14 10:02")
    assert {read.cell(cells, "monitor") for _, cells in read.entries} == {"MON-3"}


def test_a_frame_without_the_bytes_declared_behind_it() -> None:
    """Its checksum shows that it is whole, and that is told; without a checksum nothing shows it."""
    bare = ONE.removesuffix(b"\r\n")
    for rest in (TWO, ACK + TWO):
        read = Read(HEAD + bare + rest)
        assert read.pulses == [("0017", "72"), ("0018", "80")]
        assert read.found == [("frame-tail-missing", len(HEAD))]
    at_the_end = Read(HEAD + bare)
    assert at_the_end.pulses == [("0017", "72")]
    assert at_the_end.found == [("frame-tail-missing", len(HEAD))]

    def unchecked(frame: bytes) -> bytes:
        return frame[: frame.index(ETX) + 1] + b"\r\n"

    whole, cut = b"".join(map(unchecked, (HEAD, ONE, TWO))), unchecked(ONE).removesuffix(b"\r\n")
    assert Read(whole, checksum="none").pulses == [("0017", "72"), ("0018", "80")]
    read = Read(unchecked(HEAD) + cut + unchecked(TWO), checksum="none")
    assert read.pulses == [("0018", "80")]
    assert ("frame-unended", len(unchecked(HEAD))) in read.found
    assert Read(unchecked(HEAD) + unchecked(TWO) + cut, checksum="none").pulses == [("0018", "80")]


def test_a_wrong_checksum_and_no_repetition() -> None:
    read = Read(HEAD + BAD + TWO)
    assert read.pulses == [("0018", "80")]
    assert read.found == [("frame-checksum", len(HEAD)), ("frame-out-of-order", len(HEAD + BAD))]
    assert read.bytes[LineKind.UNREADABLE] == len(BAD) - 2
    assert read.findings[0].effect is Effect.HOLD
    sums = sum(ONE[1:-4]) % 256, sum(BAD[1:-4]) % 256
    assert read.findings[0].message == f"The checksum of the frame is {sums[0]:02X}, its bytes give {sums[1]:02X}"


def test_a_wrong_checksum_and_a_good_repetition() -> None:
    read = Read(HEAD + BAD + NAK + ONE + TWO)
    assert read.pulses == [("0017", "72"), ("0018", "80")]
    assert read.found == [("frame-checksum", len(HEAD))]
    assert read.findings[0].effect is Effect.NOTE
    assert read.findings[0].message.endswith("it was sent again and read then")


@pytest.mark.parametrize("between", [b"", NAK, ACK, b"\r\n"])
def test_a_repeated_frame_is_read_once(between: bytes) -> None:
    read = Read(HEAD + ONE + between + ONE + TWO)
    assert read.pulses == [("0017", "72"), ("0018", "80")]
    assert read.found == [("frame-repeated", len(HEAD + ONE + between))]
    assert read.findings[0].severity == "information"
    assert not read.bytes[LineKind.UNREADABLE]


def test_the_same_frame_in_a_new_transfer_is_no_repetition() -> None:
    first = frame(b"1R|0017|2026-03-14 09:30|72\r")
    read = Read(ENQ + first + EOT + ENQ + first + EOT)
    assert read.pulses == [("0017", "72")] * 2
    assert read.found == []


def test_without_numbers_only_a_refusal_makes_a_repetition() -> None:
    same = frame(b"R|0017|2026-03-14 09:30|72\r")
    assert Read(same + ACK + same, frame_numbers=False).pulses == [("0017", "72")] * 2
    refused = Read(same + NAK + same, frame_numbers=False)
    assert refused.pulses == [("0017", "72")]
    assert refused.found == [("frame-repeated", len(same) + 1)]


def test_the_same_number_with_another_text_is_read() -> None:
    other = frame(b"2R|0018|2026-03-14 09:41|80\r")
    read = Read(HEAD + ONE + other)
    assert read.pulses == [("0017", "72"), ("0018", "80")]
    assert read.found == [("frame-out-of-order", len(HEAD + ONE))]


def test_a_missing_end() -> None:
    cut = ONE[:12]
    read = Read(HEAD + cut + TWO)
    assert read.pulses == [("0018", "80")]
    assert read.found == [("frame-unended", len(HEAD)), ("frame-out-of-order", len(HEAD + cut))]
    assert read.bytes[LineKind.UNREADABLE] == len(cut)


def test_a_capture_that_ends_inside_a_frame() -> None:
    read = Read(HEAD + ONE + TWO[:-8])
    assert read.pulses == [("0017", "72")]
    assert read.found == [("frame-unended", len(HEAD + ONE))]


@pytest.mark.parametrize("left", [3, 4])
def test_a_capture_that_ends_inside_a_checksum(left: int) -> None:
    read = Read(HEAD + ONE + TWO[:-left])
    assert read.pulses == [("0017", "72")]
    assert next(rule for rule, _ in read.found) == "frame-checksum"


def test_a_frame_whose_checksum_is_missing_does_not_take_the_next() -> None:
    cut = ONE[:-4]
    read = Read(HEAD + cut + TWO)
    assert read.pulses == [("0018", "80")]
    assert read.found[0] == ("frame-checksum", len(HEAD))


def test_noise_between_frames() -> None:
    noise = b"\xff\x00zz"
    read = Read(HEAD + noise + ONE + b"\n\r\n" + TWO)
    assert read.pulses == [("0017", "72"), ("0018", "80")]
    assert read.found == [("frame-noise", len(HEAD))]
    assert read.findings[0].message == "4 bytes between frames belong to none of them"
    assert read.bytes[LineKind.UNREADABLE] == 4


def test_a_lost_start() -> None:
    read = Read(HEAD + ONE[1:] + TWO)
    assert read.pulses == [("0018", "80")]
    assert read.found[0] == ("frame-noise", len(HEAD))
    assert read.found[-1] == ("frame-out-of-order", len(HEAD + ONE) - 1)


def test_a_byte_like_a_start_right_before_the_start() -> None:
    read = Read(HEAD + STX + ONE)
    assert read.pulses == [("0017", "72")]
    assert read.found == [("frame-unended", len(HEAD))]


def test_a_missing_frame_is_told() -> None:
    read = Read(HEAD + ONE + THREE)
    assert read.pulses == [("0017", "72"), ("0019", "66")]
    assert read.found == [("frame-out-of-order", len(HEAD + ONE))]
    assert read.findings[0].severity == "warning"
    assert "Frame 4 follows frame 2" in read.findings[0].message


def test_numbers_go_round() -> None:
    frames = [frame(b"%dR|%04d|2026-03-14 09:30|72\r" % ((at + 1) % 8, at)) for at in range(20)]
    read = Read(b"".join(frames))
    assert len(read.entries) == 20
    assert read.found == []


def test_a_capture_that_begins_in_the_middle_is_told() -> None:
    read = Read(TWO)
    assert read.pulses == [("0018", "80")]
    assert read.found == [("frame-out-of-order", 0)]


def test_a_frame_without_a_number() -> None:
    read = Read(HEAD + frame(b"R|0017|2026-03-14 09:30|72\r") + ONE)
    assert read.pulses == [("0017", "72")]
    assert read.found == [("frame-noise", len(HEAD))]


@pytest.mark.parametrize("byte", range(256))
def test_only_eight_numbers_count_frames(byte: int) -> None:
    """Whole frames with any first byte: those of CLSI LIS1 count from 0 to 7 (from memory)."""
    number = bytes([byte])
    if number in STX + ETX + ETB:
        return
    read = Read(frame(number + b"R|0016|2026-03-14 09:20|70\r") + EOT + ENQ + HEAD + ONE)
    good = number in b"01234567"
    assert read.pulses == [("0016", "70")] * good + [("0017", "72")]
    assert (("frame-noise", 0) in read.found) is not good


@pytest.mark.parametrize("numbered", [True, False])
@pytest.mark.parametrize("between", [b"", ACK, NAK, NAK + b"\xff", NAK + EOT, NAK + ENQ])
@pytest.mark.parametrize("again", [True, False])
def test_what_makes_a_wrong_checksum_good(numbered: bool, between: bytes, again: bool) -> None:
    """The same number, or without numbers a refusal; and nothing unreadable and no other transfer between them."""

    def made(number: int, text: bytes) -> bytes:
        return frame(b"%d" % number * numbered + text)

    good = made(2, b"R|0017|x|72\r")
    after = good if again else made(3, b"R|0018|x|80\r")
    read = Read(made(1, b"H|MON-3|x\r") + good.replace(b"|72", b"|12") + between + after, frame_numbers=numbered)
    assert read.pulses == [("0017", "72") if again else ("0018", "80")]
    assert read.findings[0].rule == "frame-checksum"
    # Where a refusal is all that tells, what comes after it is what was refused.
    whole = between in (b"", ACK, NAK) and again if numbered else between == NAK
    assert read.findings[0].effect is (Effect.NOTE if whole else Effect.HOLD)
    assert read.findings[0].message.endswith("it was sent again and read then") is whole


def test_what_only_looks_like_a_frame_is_not_made_good_by_the_next() -> None:
    """A damaged byte became an end, what stands behind it happens to be its checksum, and the frame comes again."""
    looks = frame(b"2R|0017|2026").removesuffix(b"\r\n") + b"-03-14 09:30|72\r"
    read = Read(HEAD + looks + NAK + ONE)
    assert read.pulses == [("0017", "72")]
    assert read.found[0] == ("frame-unended", len(HEAD))
    assert read.findings[0].effect is Effect.HOLD


# -- records over several frames


def test_a_record_over_three_frames() -> None:
    parts = [frame(b"2R|0017|2026-03-1", ETB), frame(b"34 09:30|7", ETB), frame(b"42\r")]
    read = Read(HEAD + ACK.join(parts))
    assert read.pulses == [("0017", "72")]
    assert read.found == []


def test_several_records_in_a_frame_and_one_that_goes_on() -> None:
    parts = frame(b"2R|0017|2026-03-14 09:30|72\rR|0018|2026-03-1", ETB) + frame(b"34 09:41|80\rR|0019|x|66\r")
    read = Read(HEAD + parts)
    assert read.pulses == [("0017", "72"), ("0018", "80"), ("0019", "66")]
    assert [line for line, _ in read.entries] == [2, 3, 4]


@pytest.mark.parametrize("middle", [b"", frame(b"34 09:41|8", ETB).replace(b"41", b"40")])
def test_a_record_with_a_hole_is_not_read(middle: bytes) -> None:
    begun = frame(b"2R|0017|2026-03-14 09:30|72\rR|0018|2026-03-1", ETB)
    rest = frame(b"40\rR|0019|2026-03-14 09:50|66\r")
    read = Read(HEAD + begun + middle + rest)
    assert read.pulses == [("0017", "72"), ("0019", "66")]
    assert [finding.offset for finding in read.findings if finding.rule == "frame-unended"] == [
        len(HEAD) + begun.index(b"R|0018"),
        len(HEAD + begun + middle) + 2,
    ]


@pytest.mark.parametrize("behind", [b"", EOT, EOT + ENQ + frame(b"1R|0019|2026-03-14 09:50|66\r")])
def test_a_record_that_never_goes_on(behind: bytes) -> None:
    read = Read(HEAD + frame(b"2R|0018|2026-03-1", ETB) + behind)
    assert read.pulses == ([("0019", "66")] if len(behind) > 1 else [])
    assert read.found == [("frame-unended", len(HEAD) + 2)]


def test_without_numbers_a_hole_in_a_record_is_noticed() -> None:
    begun, bad, rest = frame(b"R|0018|", ETB), frame(b"2026", ETB).replace(b"2026", b"2027"), frame(b"|80\r")
    head, good = frame(b"H|MON-3|x\r"), frame(b"2026", ETB)
    broken = Read(head + begun + bad + rest, frame_numbers=False)
    assert broken.pulses == []
    assert [rule for rule, _ in broken.found] == ["frame-unended", "frame-checksum", "frame-unended"]
    assert Read(head + begun + bad + NAK + good + rest, frame_numbers=False).pulses == [("0018", "80")]


def test_the_rest_of_a_lost_record_is_not_taken_for_a_record() -> None:
    kinds = [{"use": "entry", "fields": ["patient", "taken", "pulse"]}]
    lost = frame(b"20017|2026", ETB).replace(b"0017", b"0018")
    capture = frame(b"10016|x|70\r") + lost + frame(b"3|09:30|72\r0019|x|66\r")
    read = Read(capture, records=kinds)
    assert read.pulses == [("0016", "70"), ("0019", "66")]


@pytest.mark.parametrize("numbered", [True, False])
@pytest.mark.parametrize("end", [ETB, ETX])
def test_the_rest_of_a_lost_record_is_not_read_even_where_it_looks_like_one(numbered: bool, end: bytes) -> None:
    """What follows a lost frame that was to go on is the rest of its record; behind a last frame it is a new one."""

    def made(number: int, text: bytes, end: bytes = ETX) -> bytes:
        return frame(b"%d" % number * numbered + text, end)

    lost = made(2, b"M|as told by ", end).replace(b"told", b"tolt")
    rest = made(3, b"R|0018|2026-03-14 09:41|80\rR|0019|2026-03-14 09:50|66\r")
    read = Read(made(1, b"H|MON-3|x\r") + lost + rest, frame_numbers=numbered)
    assert read.pulses == [("0018", "80")] * (end == ETX) + [("0019", "66")]
    unended = [finding for finding in read.findings if finding.rule == "frame-unended"]
    assert len(unended) == (end == ETB)


def test_a_part_is_not_added_across_a_gap() -> None:
    part = frame(b"4T|38.9\r")
    whole = Read(HEAD + ONE + TWO + part, ("temp",))
    assert [whole.cell(cells, "temp") for _, cells in whole.entries] == ["", "38.9"]
    gap = Read(HEAD + ONE + part, ("temp",))
    assert [gap.cell(cells, "temp") for _, cells in gap.entries] == [""]
    assert [rule for rule, _ in gap.found] == ["frame-out-of-order", "record-out-of-place"]


# -- records


@pytest.mark.parametrize(
    ("bytes_", "rule", "at"), [(b"2R|\xff|x|72\r", "line-undecodable", 4), (b"2R|0\x0018|x|72\r", "line-has-nul", 5)]
)
def test_a_record_that_cannot_be_decoded(bytes_: bytes, rule: str, at: int) -> None:
    read = Read(HEAD + frame(bytes_) + TWO, encoding="utf-8")
    assert read.pulses == [("0018", "80")]
    assert read.found == [(rule, len(HEAD) + at)]
    assert read.bytes[LineKind.UNREADABLE] == len(bytes_) - 2


def test_a_line_feed_and_a_backslash_inside_a_record_stay() -> None:
    capture = frame(b"1R|A\\n\n\\B|x|72\r")
    assert Read(capture).pulses == [("A\\n\n\\B", "72")]


def test_line_ends_around_records_are_framing() -> None:
    read = Read(frame(b"1\r\nR|0017|x|72\r\n\r\nR|0018|x|80\r\n"))
    assert read.pulses == [("0017", "72"), ("0018", "80")]


def test_other_framings() -> None:
    def own(text: bytes) -> bytes:
        value = 0
        for byte in text + b"$$":
            value ^= byte
        return b"::%b$$%02x;" % (text, value)

    capture = own(b"R|0017|x|72") + own(b"R|0018|x|80")
    marks: dict[str, Any] = {"start": "3A3A", "end": ["2424"], "continues": [], "after": "3B", "record_end": ""}
    read = Read(capture, checksum="xor", frame_numbers=False, **marks)
    assert read.pulses == [("0017", "72"), ("0018", "80")]
    assert read.found == []


def test_a_start_of_two_bytes_is_found_wherever_a_read_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_frames, "LONGEST_FRAME", 24)
    head, one = (b"\x10" + frame(b"%dR|%d|x|72\r" % (number, number)) for number in (1, 2))
    layout = _example()["framed"] | {"start": "1002"}
    for length in range(1, 80):
        capture = head + b"x" * length + one
        frames = _frames.Frames(FramedTable.model_validate(layout), io.BytesIO(capture), 1, 1)
        assert [record.data for record in frames.records() if record] == [b"R|1|x|72", b"R|2|x|72"]


# -- the whole capture


def test_a_frame_longer_than_any() -> None:
    endless = STX + b"x" * 200_000
    read = Read(HEAD + endless + TWO)
    assert read.pulses == [("0018", "80")]
    assert read.found[0] == ("frame-unended", len(HEAD))
    assert read.bytes[LineKind.UNREADABLE] == len(endless)


def test_a_record_longer_than_any_is_not_kept() -> None:
    frames = [frame(b"%d%b" % ((at + 1) % 8, b"x" * 60_000), ETB) for at in range(5)]
    read = Read(b"".join(frames) + frame(b"6\rR|0017|x|72\r"))
    assert read.pulses == [("0017", "72")]
    assert {rule for rule, _ in read.found} == {"line-too-long", "frame-unended"}
    assert read.bytes[LineKind.UNREADABLE] == 300_000


@pytest.mark.parametrize("capture", [b"", b"\r\n", ENQ + EOT])
def test_nothing_was_sent(capture: bytes) -> None:
    read = Read(capture)
    assert read.found == [("export-empty", -1)]
    assert sum(read.bytes.values()) == len(capture)


def test_a_header_alone() -> None:
    assert Read(HEAD).found == [("export-header-only", -1)]


@pytest.mark.parametrize(
    ("capture", "says"),
    [
        (b"patient,taken\n0017,09:30\n", "no frame begins in it: there is no 02"),
        (BAD, "none of its 1 frames has the right checksum"),
        (STX + b"never", "no frame in it is whole"),
        (frame(b"1X|1\r") + frame(b"2X|2\r"), "no record of the capture is of a kind"),
        (frame(b"1X|1\r"), "the only record of the capture is not of a kind"),
    ],
)
def test_another_kind_of_export(capture: bytes, says: str) -> None:
    with pytest.raises(InputError, match=says) as caught:
        Read(capture)
    assert caught.value.todo


def test_junk_without_end_is_refused_early() -> None:
    class Endless(io.RawIOBase):
        given = 0

        def readable(self) -> bool:
            return True

        def readinto(self, buffer: Any) -> int:
            self.given += len(buffer)
            assert self.given < 8 << 20
            junk = frame(b"1X|1\r") + frame(b"2X|2\r")
            buffer[:] = (junk * (len(buffer) // len(junk) + 1))[: len(buffer)]
            return len(buffer)

    data, _ = Framed.example()
    with pytest.raises(InputError, match="no record of the capture"):
        list(Framed(Mapping.model_validate(data), ("patient",)).blocks(Endless(), 1))  # type: ignore[arg-type]


def test_blocks_are_cut_where_an_entry_begins(monkeypatch: pytest.MonkeyPatch) -> None:
    frames = [HEAD]
    for at in range(30):
        frames.append(frame(b"%dR|%04d|x|72\rT|37.0\r" % ((at + 2) % 8, at)))
    capture = b"".join(frames)
    whole = Read(capture, ("temp",))
    before = Framed.__init__

    def small(self: Framed, mapping: Mapping, needed: tuple[str, ...]) -> None:
        before(self, mapping, needed)
        self.block = 40

    monkeypatch.setattr(Framed, "__init__", small)
    cut = Read(capture, ("temp",))
    assert len(cut.blocks) > 5
    assert cut.entries == whole.entries
    assert {cut.cell(cells, "monitor") for _, cells in cut.entries} == {"MON-3"}
    assert cut.bytes == whole.bytes


def test_damage_without_end_does_not_fill_the_memory() -> None:
    read = Read(HEAD + (BAD + b"?") * 12_000 + TWO)
    assert len(read.blocks) > 2
    assert max(len(block.findings) for block in read.blocks) <= _frames.MANY_FINDINGS + 5
    assert read.pulses == [("0018", "80")]
    assert Counter(rule for rule, _ in read.found)["frame-checksum"] == 12_000


def test_the_time_of_a_capture_goes_with_its_entries() -> None:
    again = frame(b"1H|MON-3|2026-03-14 11:02\r") + frame(b"2R|0019|x|66\r")
    sent = [("09:00:00", HEAD[:5]), ("09:00:01", HEAD[5:] + ONE), ("09:00:02", TWO), ("10:00:00", EOT + ENQ + again)]
    lines: list[dict[str, Any]] = [
        {"capture": "spot-check serial capture 1", "port": "x", "started": "", "settings": {}}
    ]
    lines += [{"at": f"2026-03-14T{at}.000000+01:00", "bytes": base64.b64encode(data).decode()} for at, data in sent]
    capture = "".join(json.dumps(line) + "\n" for line in lines).encode()
    read = Read(capture)
    times = [read.cell(cells, CAPTURE_TIME)[11:19] for _, cells in read.entries]
    assert times == ["09:00:00", "09:00:00", "10:00:00"]
    assert sum(read.bytes.values()) == sum(len(data) for _, data in sent)
    assert Read(HEAD + ONE).cell(Read(HEAD + ONE).entries[0][1], CAPTURE_TIME) == ""


# -- mappings


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"encoding": "utf-16"}, "framed.encoding"),
        ({"encoding": "no-such"}, "framed.encoding"),
        ({"control": ["02"]}, "framed.start"),
        ({"records": [{"use": "entry", "pattern": "(?P<patient>x)"}]}, "framed.records"),
    ],
)
def test_a_mapping_that_cannot_be_used(changes: dict[str, Any], where: str) -> None:
    with pytest.raises(MappingError) as caught:
        Read(HEAD, **changes)
    assert where in caught.value.where
    assert caught.value.todo
