"""Checksums of frames: sums done by hand, a second implementation, and the check values of public catalogues.

Sources: the sum over frame number to ETX or ETB, modulo 256, in two hexadecimal digits, is that of CLSI LIS1 and ASTM
E1381 (from memory, not verified in the text of either). The check values for "123456789" are those of the public
catalogues of CRC parameters (from memory): 0x29B1 for CRC-16/CCITT-FALSE, which newer catalogues call CRC-16/IBM-3740,
and 0x4B37 for CRC-16/MODBUS.
"""

from __future__ import annotations

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.adapters._frames import CHECKSUMS, Frames
from gateway.mapping.forms.framed import Framed

CHECK = b"123456789"

BY_HAND = [
    # 31 + 41 + 03 = 75
    ("sum-mod-256", b"1A\x03", "75"),
    # 32 + 3 x 7E + 03 = 32 + 17A + 03 = 1AF
    ("sum-mod-256", b"2~~~\x03", "AF"),
    # 37 + 17 = 4E: a frame that continues, without text
    ("sum-mod-256", b"7\x17", "4E"),
    # 30 + 52 + 7C + 03 = 101: the digit 0 in front is written
    ("sum-mod-256", b"0R|\x03", "01"),
    # 31 ^ 41 = 70, 70 ^ 03 = 73
    ("xor", b"1A\x03", "73"),
    # 32 ^ 7E = 4C, ^ 7E = 32, ^ 7E = 4C, 4C ^ 03 = 4F
    ("xor", b"2~~~\x03", "4F"),
    # 33 ^ 33 ^ 03 = 03
    ("xor", b"33\x03", "03"),
]


def bit_by_bit(data: bytes, polynomial: int, *, reflected: bool, start: int = 0xFFFF) -> int:
    """A CRC of 16 bits as polynomial division, one bit after the other, without a table."""
    register = start
    for byte in data:
        bits = range(8) if reflected else range(7, -1, -1)
        for bit in bits:
            one = byte >> bit & 1
            if reflected:
                out = (register & 1) ^ one
                register = register >> 1 ^ (int(f"{polynomial:016b}"[::-1], 2) if out else 0)
            else:
                out = (register >> 15) ^ one
                register = (register << 1 & 0xFFFF) ^ (polynomial if out else 0)
    return register


def second(name: str, data: bytes) -> int:
    if name == "sum-mod-256":
        total = 0
        for byte in data:
            total += byte
            if total > 255:
                total -= 256
        return total
    if name == "sum-mod-256-complement":
        # Inverted, and one more: the arithmetic of two's complement.
        return ((second("sum-mod-256", data) ^ 0xFF) + 1) & 0xFF
    if name == "xor":
        # A bit of the result is set when an odd number of bytes have it.
        return sum(1 << bit for bit in range(8) if sum(byte >> bit & 1 for byte in data) % 2)
    return bit_by_bit(data, *{"crc-16-ccitt": (0x1021,), "crc-16-modbus": (0x8005,)}[name], reflected="modbus" in name)


def read(checksum: str, capture: bytes, **more: str) -> list[bytes]:
    layout = Framed.model_validate(
        {"checksum": checksum, "continues": ["17"], "records": [{"use": "entry", "pattern": ".*"}], "record_end": ""}
        | more
    )
    frames = Frames(layout, io.BytesIO(capture), 1, 1 << 20)
    return [record.data for record in frames.records() if record is not None]


@pytest.mark.parametrize(("name", "covered", "digits"), BY_HAND)
def test_sums_done_by_hand(name: str, covered: bytes, digits: str) -> None:
    width, compute = CHECKSUMS[name]
    assert f"{compute(covered):0{width}X}" == digits
    assert second(name, covered) == int(digits, 16)


@pytest.mark.parametrize(("name", "covered", "digits"), [case for case in BY_HAND if case[1].endswith(b"\x03")])
@pytest.mark.parametrize("lower", [False, True])
def test_a_frame_with_a_sum_done_by_hand_is_read(name: str, covered: bytes, digits: str, lower: bool) -> None:
    digits = digits.lower() if lower else digits
    assert read(name, b"\x02" + covered + digits.encode()) == [covered[:-1]]
    # Neither the start nor anything behind the end is covered, and every other sum is refused.
    wrong = f"{(int(digits, 16) + 2) % 256:02X}"
    assert read(name, b"\x02" + covered + wrong.encode()) == []


@pytest.mark.parametrize(("name", "expected"), [("crc-16-ccitt", 0x29B1), ("crc-16-modbus", 0x4B37)])
def test_check_values_of_the_catalogues(name: str, expected: int) -> None:
    width, compute = CHECKSUMS[name]
    assert width == 4
    assert compute(CHECK) == expected
    assert second(name, CHECK) == expected


def test_ccitt_is_the_variant_that_starts_with_ones_and_reflects_nothing() -> None:
    # Check values of the others that go by the name of CCITT (from memory): Kermit, XModem, SPI-Fujitsu, X.25, Genibus.
    assert CHECKSUMS["crc-16-ccitt"].compute(CHECK) not in {0x2189, 0x31C3, 0xE5CC, 0x906E, 0xD64E}
    assert bit_by_bit(CHECK, 0x1021, reflected=False, start=0) == 0x31C3
    assert bit_by_bit(CHECK, 0x1021, reflected=True, start=0) == 0x2189


@given(data=st.binary(max_size=300))
@pytest.mark.parametrize("name", [name for name in CHECKSUMS if name != "none"])
def test_a_second_implementation_agrees(name: str, data: bytes) -> None:
    assert CHECKSUMS[name].compute(data) == second(name, data)


@given(covered=st.binary(min_size=1, max_size=40), place=st.integers(0), change=st.integers(1, 255))
@pytest.mark.parametrize("name", [name for name in CHECKSUMS if name != "none"])
def test_one_changed_byte_is_always_seen(name: str, covered: bytes, place: int, change: int) -> None:
    changed = bytearray(covered)
    changed[place % len(covered)] ^= change
    assert CHECKSUMS[name].compute(bytes(changed)) != CHECKSUMS[name].compute(covered)


def test_a_crc_is_written_with_the_most_significant_digit_first() -> None:
    covered = b"1A\x03"
    for name in ("crc-16-ccitt", "crc-16-modbus"):
        digits = f"{second(name, covered):04X}".encode()
        assert read(name, b"\x02" + covered + digits) == [b"1A"]
        assert read(name, b"\x02" + covered + digits[2:] + digits[:2]) == []


@pytest.mark.parametrize(
    ("covers", "covered"), [("text-and-end", b"1A\x03"), ("text", b"1A"), ("start-to-end", b"\x021A\x03")]
)
@pytest.mark.parametrize("name", [name for name in CHECKSUMS if name != "none"])
def test_what_a_checksum_covers_and_how_it_is_written(name: str, covers: str, covered: bytes) -> None:
    width, _ = CHECKSUMS[name]
    value = second(name, covered)
    forms = {
        "digits": f"{value:0{width}X}".encode(),
        "bytes": value.to_bytes(width // 2, "big"),
        "bytes-low-first": value.to_bytes(width // 2, "little"),
    }
    for written, checksum in forms.items():
        capture = b"\x021A\x03" + checksum
        assert read(name, capture, checksum_covers=covers, checksum_written=written) == [b"1A"]
        wrong = capture[:-1] + bytes([capture[-1] ^ 1])
        assert read(name, wrong, checksum_covers=covers, checksum_written=written) == []
        assert read(name, capture[:-1], checksum_covers=covers, checksum_written=written) == []


def test_a_sum_and_its_complement_give_nothing() -> None:
    """The redundancy check of Modbus ASCII is such a complement (worked frame F7031389000A60; from memory)."""
    data = bytes.fromhex("F7031389000A")
    assert CHECKSUMS["sum-mod-256-complement"].compute(data) == 0x60
    assert (sum(data) + 0x60) % 256 == 0
