"""Exports that are compressed: the same records, and none where a part is missing."""

from __future__ import annotations

import gzip
import io
import shutil
from pathlib import Path

import pytest
import zstandard
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.adapters._compressed import unpacked
from gateway.authoring.draft import draft
from gateway.conversion import convert
from gateway.errors import InputError
from gateway.ledger import open_ledger
from tests.conversion.conversion_kit import DEMO, GOOD_ROW, WIDE, WIDE_HEADER, run

TEXT = "\n".join([WIDE_HEADER, *[GOOD_ROW.replace("09:30", f"09:{at:02}") for at in range(60)]]).encode() + b"\n"


def two_frames(data: bytes) -> bytes:
    half = len(data) // 2
    return zstandard.compress(data[:half]) + zstandard.compress(data[half:])


# The compressors are those of the standard library and of the zstandard package: references for each other's reader.
COMPRESSED = {
    "gzip": gzip.compress,
    "two members": lambda data: gzip.compress(data[:99]) + gzip.compress(data[99:]),
    "padded": lambda data: gzip.compress(data) + bytes(512),
    "zstandard": zstandard.compress,
    "two frames": two_frames,
}


def records(out: Path) -> list[bytes]:
    lines = [line for file in (out / "fhir").glob("*.ndjson") for line in file.read_bytes().splitlines()]
    return sorted(line for line in lines if b'"Observation"' in line[:40])


@pytest.mark.parametrize("how", COMPRESSED)
@pytest.mark.parametrize("workers", [1, 2])
def test_records_are_those_of_the_export_itself(tmp_path: Path, how: str, workers: int) -> None:
    (tmp_path / "plain.csv").write_bytes(TEXT)
    # What it is called says nothing about what it is.
    (tmp_path / "packed.csv").write_bytes(COMPRESSED[how](TEXT))
    plain = run(tmp_path, [tmp_path / "plain.csv"], WIDE, "plain", bundle="ndjson")
    packed = run(tmp_path, [tmp_path / "packed.csv"], WIDE, "packed", bundle="ndjson", workers=workers)
    assert records(tmp_path / "packed") == records(tmp_path / "plain") != []
    assert packed.report.reckoning == plain.report.reckoning


@pytest.mark.parametrize("demo", ["bedside-framed", "ward-listing"])
def test_captures_and_listings_as_well(tmp_path: Path, demo: str) -> None:
    names = []
    for file in sorted([*(DEMO / demo).glob("*.cap"), *(DEMO / demo).glob("*.txt")]):
        names.append(tmp_path / file.name)
        names[-1].write_bytes(gzip.compress(file.read_bytes()))
    plain = sorted([*(DEMO / demo).glob("*.cap"), *(DEMO / demo).glob("*.txt")])
    one = convert(plain, DEMO / demo / "mapping.toml", tmp_path / "one", bundle="ndjson")
    two = convert(names, DEMO / demo / "mapping.toml", tmp_path / "two", bundle="ndjson")
    assert one.report.reckoning == two.report.reckoning
    assert records(tmp_path / "one") == records(tmp_path / "two") != []


@pytest.mark.parametrize("how", ["gzip", "zstandard"])
@pytest.mark.parametrize("cut", [10, 40, -1])
def test_one_that_is_cut_off_is_refused(tmp_path: Path, how: str, cut: int) -> None:
    (tmp_path / "packed.csv").write_bytes(COMPRESSED[how](TEXT)[:cut])
    with pytest.raises(InputError, match="cannot be unpacked: it ends before its end") as caught:
        run(tmp_path, [tmp_path / "packed.csv"], WIDE)
    assert caught.value.where == str(tmp_path / "packed.csv")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("how", ["gzip", "zstandard"])
def test_one_that_is_damaged_is_refused(tmp_path: Path, how: str) -> None:
    data = bytearray(
        gzip.compress(TEXT) if how == "gzip" else zstandard.ZstdCompressor(write_checksum=True).compress(TEXT)
    )
    data[-6] ^= 0xFF
    (tmp_path / "packed.csv").write_bytes(data)
    with pytest.raises(InputError, match="cannot be unpacked"):
        run(tmp_path, [tmp_path / "packed.csv"], WIDE)


def test_what_is_held_of_one_is_traced_to_its_line(tmp_path: Path) -> None:
    (tmp_path / "packed.csv").write_bytes(gzip.compress(TEXT.replace(b"09:05", b"09:xx")))
    run(tmp_path, [tmp_path / "packed.csv"], WIDE, ledger=tmp_path / "ward.db")
    with open_ledger(tmp_path / "ward.db") as ledger:
        (hold,) = ledger.holds()
    assert hold.line == 7


def test_a_draft_is_made_of_what_is_in_it(tmp_path: Path) -> None:
    plain = tmp_path / "a.csv"
    shutil.copy(DEMO / "clinic-wide" / "clinic-2026-03-14.csv", plain)
    expected = draft(plain)
    packed = tmp_path / "b" / "a.csv"
    packed.parent.mkdir()
    packed.write_bytes(gzip.compress(plain.read_bytes()))
    assert draft(packed) == expected


@settings(max_examples=80)
@given(st.binary(max_size=5_000), st.sampled_from(sorted(COMPRESSED)), st.lists(st.integers(1, 700), min_size=1))
def test_every_byte_comes_back_whatever_is_asked_for(data: bytes, how: str, sizes: list[int]) -> None:
    stream = unpacked(io.BytesIO(COMPRESSED[how](data)))
    got, at = b"", 0
    while part := stream.read(sizes[at % len(sizes)]):
        got += part
        at += 1
    assert got == data
