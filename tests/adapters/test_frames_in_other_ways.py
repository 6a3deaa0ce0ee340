"""Frames that say their length, and frames whose text is stuffed."""

from __future__ import annotations

import io
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.adapters._frames import Frames
from gateway.adapters.framed import Framed
from gateway.errors import MappingError
from gateway.mapping import load
from gateway.mapping.model import Mapping
from gateway.model import LineKind
from tests.adapters.test_adapter_contract import toml

LENGTHS: dict[str, Any] = {
    "decimal": lambda size: b"%04d" % size,
    "hexadecimal": lambda size: b"%04X" % size,
    "bytes": lambda size: size.to_bytes(2, "big"),
    "bytes-low-first": lambda size: size.to_bytes(2, "little"),
}


def mapping(**changes: Any) -> Mapping:
    data, _ = Framed.example()
    layout = data["framed"]
    assert isinstance(layout, dict)
    plain = {"after": "", "continues": [], "frame_numbers": False, "control": [], "record_end": "", "checksum": "xor"}
    return Mapping.model_validate(data | {"framed": layout | plain | changes})


def records(data: bytes, layout: Mapping) -> tuple[list[bytes], Frames]:
    assert layout.framed is not None
    frames = Frames(layout.framed, io.BytesIO(data), 1, 37)
    found = [record.data for record in frames.records() if record is not None]
    assert frames.lines.total() + sum(map(len, found)) == len(data)
    return found, frames


def summed(data: bytes) -> bytes:
    value = 0
    for byte in data:
        value ^= byte
    return b"%02X" % value


_TEXT = st.binary(min_size=1, max_size=80).filter(lambda text: text.strip(b"\r\n") == text)


class TestLength:
    layout = staticmethod(lambda written, **more: mapping(
        length={"size": 2 if written.startswith("bytes") else 4, "written": written}, **more))  # fmt: skip

    @pytest.mark.parametrize("written", LENGTHS)
    @pytest.mark.parametrize("end", [[], ["03"]])
    @given(st.lists(_TEXT, max_size=6))
    @settings(max_examples=40)
    def test_whatever_bytes_a_text_holds(self, written: str, end: list[str], texts: list[bytes]) -> None:
        data = b""
        for text in texts:
            inside = LENGTHS[written](len(text)) + text + b"".join(map(bytes.fromhex, end))
            data += b"\x02" + inside + summed(inside)
        found, frames = records(data, self.layout(written, end=end))
        assert found == texts
        assert frames.findings == []

    def test_a_damaged_length_takes_nothing_from_the_next_frame(self) -> None:
        def framed(text: bytes, length: int = 0) -> bytes:
            inside = b"%04d" % (length or len(text)) + text
            return b"\x02" + inside + summed(inside)

        good = [framed(b"R|1|one"), framed(b"R|2|two"), framed(b"R|3|three")]
        for wrong in (b"0003", b"0019", b"9999", b"00x7"):
            data = good[0] + good[1].replace(b"0007", wrong) + good[2]
            found, frames = records(data, self.layout("decimal", end=[]))
            assert found == [b"R|1|one", b"R|3|three"]
            assert frames.findings

    def test_without_the_declared_end_it_is_no_frame(self) -> None:
        inside = b"0007R|1|one" + b"\x03"
        data = b"\x02" + inside + summed(inside)
        assert records(data, self.layout("decimal", end=["03"]))[0] == [b"R|1|one"]
        assert records(data.replace(b"\x03", b"\x04"), self.layout("decimal", end=["03"]))[0] == []


class TestStuffing:
    @staticmethod
    def stuffed(text: bytes, escape: int, turned: int, marks: bytes) -> bytes:
        """As RFC 1662, 4.2, says it: the escape, then the byte combined with 20; 00 leaves it as it is."""
        return b"".join(
            bytes([escape, byte ^ turned]) if byte == escape or byte in marks else bytes([byte]) for byte in text
        )

    @given(st.lists(_TEXT, max_size=6), st.sampled_from([(0x1B, 0x00), (0x7D, 0x20)]))
    @settings(max_examples=120)
    def test_whatever_bytes_a_text_holds(self, texts: list[bytes], how: tuple[int, int]) -> None:
        escape, turned = how
        data = b"".join(
            b"\x02" + self.stuffed(text, escape, turned, b"\x02\x03") + b"\x03" + summed(text + b"\x03")
            for text in texts
        )
        layout = mapping(stuffing={"escape": f"{escape:02X}", "xor": f"{turned:02X}"})
        found, frames = records(data, layout)
        assert found == texts
        assert frames.findings == []

    @given(st.lists(_TEXT, max_size=6))
    def test_marks_that_begin_with_the_escape(self, texts: list[bytes]) -> None:
        """DLE STX, text with each DLE doubled, DLE ETX. Common practice, no source."""
        data = b"".join(
            b"\x10\x02" + text.replace(b"\x10", b"\x10\x10") + b"\x10\x03" + summed(text + b"\x10\x03")
            for text in texts
        )
        layout = mapping(start="1002", end=["1003"], stuffing={"escape": "10"})
        found, frames = records(data, layout)
        assert found == texts
        assert frames.findings == []

    def test_what_the_standard_shows(self) -> None:
        """RFC 1662, 4.2: 7e is sent as 7d 5e, 7d as 7d 5d, and 03 as 7d 23."""
        text = b"a\x7eb\x7dc\x03d"
        data = b"\x02" + b"a\x7d\x5eb\x7d\x5dc\x7d\x23d" + b"\x03" + summed(text + b"\x03")
        assert records(data, mapping(stuffing={"escape": "7D", "xor": "20"}))[0] == [text]

    def test_a_frame_without_an_end_takes_nothing_from_the_next(self) -> None:
        whole = b"\x10\x02R|2\x10\x03" + summed(b"R|2\x10\x03")
        found, frames = records(b"\x10\x02R|1" + whole, mapping(start="1002", end=["1003"], stuffing={"escape": "10"}))
        assert found == [b"R|2"]
        assert [each.rule for each in frames.findings] == ["frame-unended"]
        assert frames.lines[LineKind.UNREADABLE] == 5


MISTAKES = [
    ({"end": []}, "nothing says where a frame ends"),
    ({"end": [], "length": {"size": 2, "written": "bytes"}, "checksum": "none"}, "would not be noticed"),
    ({"length": {"size": 2, "written": "bytes"}, "stuffing": {"escape": "10"}}, "needs no stuffing"),
    ({"length": {"size": 9, "written": "bytes"}}, "6"),
    ({"stuffing": {"escape": "1"}}, "escape"),
    ({"stuffing": {}}, "escape"),
]


@pytest.mark.parametrize(("changes", "what"), MISTAKES)
def test_mistakes_are_told(changes: dict[str, Any], what: str) -> None:
    data, _ = Framed.example()
    layout = data["framed"]
    assert isinstance(layout, dict)
    text = "\n".join(f"{key} = {toml(value)}" for key, value in (data | {"framed": layout | changes}).items())
    with pytest.raises(MappingError) as caught:
        load(text + "\n")
    assert what in str(caught.value.problems[0])
