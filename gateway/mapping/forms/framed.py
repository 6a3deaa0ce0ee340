"""The table of serial captures, and what can be wrong in it."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated, ClassVar, Literal

from pydantic import Field, StringConstraints

from gateway.mapping import encodings, record
from gateway.mapping.problems import Problems, quoted
from gateway.mapping.record import Record
from gateway.mapping.table import FormTable, Table

if TYPE_CHECKING:
    from gateway.mapping.model import Mapping

Byte = Annotated[str, StringConstraints(pattern=r"^([0-9A-Fa-f]{2})+$")]
"""Bytes in hexadecimal, such as "02" or "0D0A"."""


class Length(Table):
    """The length of its text at the beginning of a frame, behind the start (and the frame number)."""

    size: int = Field(ge=1, le=6, description="digits or bytes in which it is written")
    written: Literal["decimal", "hexadecimal", "bytes", "bytes-low-first"] = Field(
        description="in decimal or hexadecimal digits, or as bytes: the high one first, or the low one"
    )


class Stuffing(Table):
    """What is put in front of bytes of the text that would look like the marks of a frame."""

    escape: Annotated[str, StringConstraints(pattern=r"^[0-9A-Fa-f]{2}$")] = Field(
        description="the byte in front, in hexadecimal; it stands before itself too"
    )
    xor: Annotated[str, StringConstraints(pattern=r"^[0-9A-Fa-f]{2}$")] = Field(
        default="00", description="with what the byte behind it was combined: 00, or 20 as in RFC 1662"
    )


class Framed(FormTable):
    """How a serial capture is framed, and the kinds of record inside the frames."""

    stand_ins: ClassVar = {
        (): {"records": [{"use": "entry", "pattern": "-"}]},
        ("records",): [{"use": "entry", "pattern": "-"}],
    }
    hints: ClassVar = {
        (): "[framed] with the bytes of the frames, and [[framed.records]] for each kind of record",
        ("length", "size"): "size = 4, the digits or bytes in which the length is written",
        ("length", "written"): 'written = "decimal", "hexadecimal", "bytes" or "bytes-low-first"',
        ("stuffing", "escape"): 'escape = "10", the byte that stands before bytes of the text that look like marks',
        ("records",): "[[framed.records]], one for each kind of record, with use and fields, widths or pattern",
    }

    encoding: str = Field(default="latin-1", description="a Python codec name")
    start: Byte = Field(default="02", description="bytes that begin a frame, in hexadecimal")
    end: list[Byte] = Field(default=["03"], description="bytes that end a frame; [] where its length alone says it")
    continues: list[Byte] = Field(default=[], description="ends after which the record goes on in the next frame")
    checksum: Literal["none", "sum-mod-256", "sum-mod-256-complement", "xor", "crc-16-ccitt", "crc-16-modbus"] = Field(
        default="none", description="it stands behind the end; complement: the sum and it give 0 modulo 256"
    )
    checksum_written: Literal["digits", "bytes", "bytes-low-first"] = Field(
        default="digits", description="in hexadecimal digits, or as bytes: the high one first, or the low one"
    )
    checksum_covers: Literal["text-and-end", "text", "start-to-end"] = Field(
        default="text-and-end", description="the text with the byte that ends it, without it, or with the start as well"
    )
    after: str = Field(default="", description="bytes behind the checksum, in hexadecimal")
    length: Length | None = Field(default=None, description="where a frame begins with the length of its text")
    stuffing: Stuffing | None = Field(default=None, description="where bytes of the text are escaped")
    frame_numbers: bool = Field(default=False, description="the first character of a frame is its number, 0 to 7")
    control: list[Byte] = Field(default=[], description="bytes of the line protocol between frames, such as 05 and 04")
    record_end: str = Field(default="0D", description="what ends a record inside a frame, in hexadecimal; may be empty")
    records: list[Record] = Field(min_length=1, description="kinds of record; the first that fits a record is taken")

    @staticmethod
    def check(mapping: Mapping, problems: Problems) -> None:
        """Note what is wrong with the table."""
        framed = mapping.framed
        record.check("framed", None if framed is None else framed.records, mapping, problems)
        if framed is not None and mapping.form == "framed":
            _framing(framed, problems)
            encodings.check(framed.encoding, ("framed", "encoding"), problems)


def _framing(framed: Framed, problems: Problems) -> None:
    for key in ("checksum_written", "checksum_covers"):
        if framed.checksum == "none" and ("framed", key) in problems.places and problems.known(("framed", "checksum")):
            problems.add(("framed", key), "there is no checksum", "Name it in framed.checksum, or take this out")
    if framed.length is not None and framed.stuffing is not None:
        problems.add(("framed", "stuffing"), "a frame with a length needs no stuffing", "Take one of the two out")
    if framed.length is None and not framed.end:
        problems.add(("framed", "end"), "nothing says where a frame ends", 'Write end = ["03"], or declare length')
    if framed.length is not None and not framed.end and framed.checksum == "none":
        what = "without an end and a checksum a damaged length would not be noticed"
        problems.add(("framed", "length"), what, "Name the checksum, or the bytes that end a frame")
    if framed.stuffing is not None and framed.continues == [] and framed.stuffing.escape in framed.control:
        problems.add(("framed", "stuffing", "escape"), "this byte is a control byte as well", "Give it one meaning")
    for name in ("after", "record_end"):
        text: str = getattr(framed, name)
        if not re.fullmatch(r"([0-9A-Fa-f]{2})*", text):
            problems.add(
                ("framed", name),
                f"{quoted(text)} is not a row of bytes in hexadecimal",
                'Write two digits for each byte, such as "0D0A", or "" for none',
            )
    seen: dict[str, str] = {framed.start.upper(): "start"}
    for name in ("end", "continues", "control"):
        for at, text in enumerate(getattr(framed, name)):
            earlier = seen.setdefault(text.upper(), name)
            if earlier != name or text.upper() in map(str.upper, getattr(framed, name)[:at]):
                problems.add(
                    ("framed", name, at),
                    f"the bytes {text} are given in {earlier} already",
                    "Give them one meaning: nothing else tells where a frame begins and ends",
                )


TABLE = Framed
