"""Every line of an export is accounted for and every reading has one outcome, whatever bytes the export holds."""

from __future__ import annotations

import re
import shutil
import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.conversion.conversion_kit import GOOD_ROW, WIDE, WIDE_HEADER, observations, run, written

PIECES = st.one_of(
    st.binary(max_size=12),
    st.sampled_from(
        ["\r", "\n", "\r\n", "\0", '"', '""', ",", "\x85", "\u2028", "\x0b", "\x1f", "\x1e", "--", "é"]
    ).map(str.encode),
    st.integers(0, 59).map(lambda minute: f"\n{GOOD_ROW.replace('09:30', f'09:{minute:02d}')}\n".encode()),
    st.just(f"\n{WIDE_HEADER}\n".encode()),
)


def _lines(data: bytes) -> int:
    """Lines of UTF-8 or other ASCII-like bytes: each ends with LF, CR LF or CR, an open last line counts."""
    ends = re.findall(rb"\r\n|\r|\n", data)
    return len(ends) + (not data.endswith((b"\r", b"\n")) and bool(data))


def _assert_adds_up(tmp: Path, data: bytes, mapping: str, lines: int | None) -> None:
    export = tmp / "export.csv"
    export.write_bytes(data)
    batch = run(tmp, [export], mapping, as_="both")
    reckoning = batch.report.reckoning
    assert reckoning.lines.adds_up
    assert reckoning.lines.total == sum(dict(reckoning.lines.kinds).values())
    if lines is not None:
        assert reckoning.lines.read == lines
    assert reckoning.readings.adds_up
    assert batch.report.verdict.state in ("clean", "attention")
    everything = reckoning.readings.all
    held = everything.held + everything.unreadable
    assert batch.status == (1 if held else 0)
    values = sum(
        len([part for part in [each, *each.get("component", [])] if "valueQuantity" in part])
        for each in observations(tmp / "out")
    )
    assert values == everything.recorded


@given(pieces=st.lists(PIECES, max_size=14))
@settings(max_examples=40)
def test_any_bytes_after_the_header(pieces: list[bytes]) -> None:
    tmp = Path(tempfile.mkdtemp())
    try:
        data = f"{WIDE_HEADER}\r\n".encode() + b"".join(pieces)
        _assert_adds_up(tmp, data, WIDE, _lines(data))
    finally:
        shutil.rmtree(tmp)


@given(pieces=st.lists(PIECES, max_size=8), codec=st.sampled_from(["utf-16-le", "utf-16-be"]), mark=st.booleans())
@settings(max_examples=30)
def test_any_bytes_after_a_header_in_utf_16(pieces: list[bytes], codec: str, mark: bool) -> None:
    tmp = Path(tempfile.mkdtemp())
    try:
        text = f"{WIDE_HEADER}\r\n{GOOD_ROW}\n"
        data = (("\ufeff" if mark else "") + text).encode(codec)
        for piece in pieces:
            try:
                data += piece.decode().encode(codec)
            except UnicodeDecodeError:
                data += piece
        mapping = WIDE.replace('layout = "wide"', f'layout = "wide"\nencoding = "{"utf-8" if mark else codec}"')
        _assert_adds_up(tmp, data, mapping, None)
    finally:
        shutil.rmtree(tmp)


@given(minutes=st.lists(st.integers(0, 20), min_size=1, max_size=30))
@settings(max_examples=25)
def test_a_set_is_recorded_once_however_often_it_comes(minutes: list[int]) -> None:
    """Rows drawn with repeats: the records are those of the first of each, the others are repeats."""
    tmp = Path(tempfile.mkdtemp())
    try:
        rows = [GOOD_ROW.replace("09:30", f"09:{minute:02d}") for minute in minutes]
        (tmp / "all.csv").write_text("\n".join([WIDE_HEADER, *rows, ""]))
        (tmp / "once.csv").write_text("\n".join([WIDE_HEADER, *dict.fromkeys(rows), ""]))
        batch = run(tmp, [tmp / "all.csv"], WIDE, "all", as_="oru")
        run(tmp, [tmp / "once.csv"], WIDE, "once", as_="oru")
        assert written(tmp / "all") == written(tmp / "once")
        everything = batch.report.reckoning.readings.all
        assert everything.recorded == 6 * len(set(minutes))
        assert everything.repeat == 6 * (len(minutes) - len(set(minutes)))
        assert batch.status == 0
    finally:
        shutil.rmtree(tmp)
