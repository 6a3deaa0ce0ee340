"""Makes the capture of the demo `bedside-framed`, byte by byte.

    python -m tests.golden.bedside_framed     write fixtures/demo/bedside-framed/bedside-3.cap

Frames are numbered 1 to 7, 0, 1 and so on, begin with STX, end with ETX (or with ETB, when the record goes on in the
next frame) and carry the sum of their bytes from the number to the end, modulo 256, in two hexadecimal digits, then CR
LF. ENQ begins the transfer and EOT ends it; ACK and NAK are the answers of the side that listened.
"""

from __future__ import annotations

import sys
from pathlib import Path

CAPTURE = Path(__file__).resolve().parents[2] / "fixtures" / "demo" / "bedside-framed" / "bedside-3.cap"

ENQ, EOT, ACK, NAK, ETX, ETB = b"\x05", b"\x04", b"\x06", b"\x15", b"\x03", b"\x17"


def frame(number: int, text: bytes, end: bytes = ETX) -> bytes:
    """One frame, as it is sent."""
    covered = b"%d%b%b" % (number % 8, text, end)
    return b"\x02%b%02X\r\n" % (covered, sum(covered) % 256)


def capture() -> bytes:
    """The whole capture."""
    texts = [
        b"H|BM-4|WARD 2 BEDSIDE|2026-04-18 11:42:10|ADULT\r",
        b"R|0141|FH004417|2026-04-18 07:55:20|128|79|95|74|97|36.8|AUTO|AD|4\r",
        b"R|0142|FH004423|2026-04-18 08:02:47|141|88|106|81|95|37.4|HAND|LG|4\r",
        b"R|0143|FH004431|2026-04-18 08:09:05|LOOSE|LOOSE|LOOSE|92|96|36.6|HAND|AD|4\r",
        b"R|0144|FH004431|2026-04-18 08:12:31|117|71|86|90|96|--|SERIES|AD|1\r",
        b"M|BATTERY LOW\r",
        b"R|0145|FH004448|2026-04-18 08:20:14|133|82|99|68|98|36.9|AUTO|XL|3\rC|left arm, patient had just walked\r",
        b"R|0146|FH004417|2026-04-18 11:31:52|124|76|92|72|98|36.7|AUTO|N3|0\r",
        b"R|0147|FH004423|2026-04-18 11:38:29|138|85|103|79|96|37.6|AUTO|LG|\r",
    ]
    parts = [ENQ, ACK]
    number = 1
    for at, text in enumerate(texts):
        if at == 2:
            # A bit of the pulse is lost on the line: 8 (0x38) becomes 0 (0x30).
            good = frame(number, text)
            parts += [good.replace(b"|81|", b"|01|"), NAK, good, ACK]
        elif at == 4:
            # The answer was lost, so the monitor sends the frame again.
            parts += [frame(number, text)] * 2 + [ACK]
        elif at == 6:
            # Longer than the monitor's frames: it goes on in the next one.
            parts += [frame(number, text[:72], ETB), ACK, frame(number + 1, text[72:]), ACK]
            number += 1
        else:
            parts += [frame(number, text), ACK]
        if at == 3:
            # A plug was moved.
            parts.append(b"\xfe\x00\x80\xf8")
        number += 1
    return b"".join([*parts, frame(number, b"L|9\r"), ACK, EOT])


if __name__ == "__main__":
    CAPTURE.write_bytes(capture())
    print(f"written: {CAPTURE}", file=sys.stderr)
