"""The framed demo capture is the one its maker makes, and says what it is meant to say.

It is read here with a few lines of their own, which share nothing with the gateway: cut at STX, sums added up.
"""

from __future__ import annotations

from tests.golden.bedside_framed import CAPTURE, capture

SAID = [
    "H|BM-4|WARD 2 BEDSIDE|2026-04-18 11:42:10|ADULT",
    "R|0141|FH004417|2026-04-18 07:55:20|128|79|95|74|97|36.8|AUTO|AD|4",
    "R|0142|FH004423|2026-04-18 08:02:47|141|88|106|81|95|37.4|HAND|LG|4",
    "R|0143|FH004431|2026-04-18 08:09:05|LOOSE|LOOSE|LOOSE|92|96|36.6|HAND|AD|4",
    "R|0144|FH004431|2026-04-18 08:12:31|117|71|86|90|96|--|SERIES|AD|1",
    "M|BATTERY LOW",
    "R|0145|FH004448|2026-04-18 08:20:14|133|82|99|68|98|36.9|AUTO|XL|3",
    "C|left arm, patient had just walked",
    "R|0146|FH004417|2026-04-18 11:31:52|124|76|92|72|98|36.7|AUTO|N3|0",
    "R|0147|FH004423|2026-04-18 11:38:29|138|85|103|79|96|37.6|AUTO|LG|",
    "L|9",
]


def test_the_capture_is_the_one_that_is_made() -> None:
    assert CAPTURE.read_bytes() == capture()


def test_what_the_capture_says() -> None:
    data = CAPTURE.read_bytes()
    texts, before, wrong, again = "", "", 0, 0
    numbers = []
    for piece in data.split(b"\x02")[1:]:
        end = max(piece.find(b"\x03"), piece.find(b"\x17"))
        covered, digits = piece[: end + 1], piece[end + 1 : end + 3].decode()
        if f"{sum(covered) & 255:02X}" != digits:
            wrong += 1
        elif covered.decode() == before:
            again += 1
        else:
            before = covered.decode()
            numbers.append(int(before[0]))
            texts += before[1:-1]
    assert (wrong, again) == (1, 1)
    assert numbers == [(at + 1) % 8 for at in range(11)]
    assert texts.split("\r") == [*SAID, ""]
    # Both directions of the line, and the noise.
    assert data.count(b"\x15") == 1
    assert data.count(b"\x06") == 12
    assert b"\x06\xfe\x00\x80\xf8\x02" in data
