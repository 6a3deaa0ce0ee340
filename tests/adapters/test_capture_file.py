"""Capture files: written line by line, read back whole, damaged or cut; anything else passes through untouched."""

from __future__ import annotations

import base64
import io
import json
import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import BinaryIO

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.adapters import _capture
from gateway.adapters._capture import FORMAT, CaptureWriter, open_capture
from gateway.errors import InputError, OutputError

REPOSITORY = Path(__file__).resolve().parents[2]
START = datetime(2026, 3, 14, 9, 30, 0, 123456, tzinfo=timezone(timedelta(hours=-5)))
HEAD = (
    b'{"capture": "spot-check serial capture 1", "port": "/dev/x", "started": "2026-03-14T09:30:00.123456-05:00", '
    b'"settings": {}}\n'
)
ONE = b'{"at": "2026-03-14T09:30:01.000000-05:00", "bytes": "QUJD"}\n'  # ABC
TWO = b'{"at": "2026-03-14T09:30:02.500000-05:00", "bytes": "REU="}\n'  # DE
END = b'{"ended": "2026-03-14T09:30:03.000000-05:00", "why": "stopped"}\n'
AT_ONE, AT_TWO = "2026-03-14T09:30:01.000000-05:00", "2026-03-14T09:30:02.500000-05:00"


class Drip:
    """A stream that offers nothing but `read`, and never more than a few bytes at once."""

    def __init__(self, data: bytes, step: int) -> None:
        self._inner = io.BytesIO(data)
        self._step = step

    def read(self, size: int = -1) -> bytes:
        return self._inner.read(self._step if size < 0 else min(size, self._step))


def opened(data: bytes, step: int = 1 << 20) -> tuple[bytes, list[tuple[int, str]]]:
    stream, chunks = open_capture(Drip(data, step))  # type: ignore[arg-type]
    return stream.read(), chunks


def written(path: Path, chunks: list[tuple[datetime, bytes]], why: _capture.Why | None = "stopped") -> bytes:
    with CaptureWriter(path, "/dev/x", {"baud": 9600}, START) as writer:
        for at, data in chunks:
            writer.chunk(at, data)
        if why is not None:
            writer.close(START, why)
    return path.read_bytes()


# ------------------------------------------------------------------------------------------------ the file itself


def test_the_file_is_as_its_format_says(tmp_path: Path) -> None:
    data = written(tmp_path / "a.capture", [(START, b"ABC"), (START, b""), (START + timedelta(seconds=1), b"\xff")])
    assert [json.loads(line) for line in data.splitlines()] == [
        {
            "capture": "spot-check serial capture 1",
            "port": "/dev/x",
            "started": "2026-03-14T09:30:00.123456-05:00",
            "settings": {"baud": 9600},
        },
        {"at": "2026-03-14T09:30:00.123456-05:00", "bytes": base64.b64encode(b"ABC").decode()},
        {"at": "2026-03-14T09:30:01.123456-05:00", "bytes": "/w=="},
        {"ended": "2026-03-14T09:30:00.123456-05:00", "why": "stopped"},
    ]
    assert data.endswith(b"\n")


def test_a_whole_second_keeps_its_microseconds(tmp_path: Path) -> None:
    data = written(tmp_path / "a.capture", [(datetime(2026, 3, 14, 9, tzinfo=UTC), b"A")])
    assert json.loads(data.splitlines()[1])["at"] == "2026-03-14T09:00:00.000000+00:00"


def test_bytes_and_times_come_back(tmp_path: Path) -> None:
    assert opened(HEAD + ONE + TWO + END) == (b"ABCDE", [(0, AT_ONE), (3, AT_TWO)])


MOMENTS = st.datetimes(
    timezones=st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))
)


@given(st.lists(st.tuples(MOMENTS, st.binary(min_size=1, max_size=300)), max_size=8), st.integers(1, 90), st.booleans())
def test_round_trip(
    tmp_path_factory: pytest.TempPathFactory, chunks: list[tuple[datetime, bytes]], step: int, ends: bool
) -> None:
    path = tmp_path_factory.mktemp("capture") / "a"
    data = written(path, chunks, "time" if ends else None)
    payload, times = opened(data, step)
    assert payload == b"".join(part for _, part in chunks)
    offsets = [sum(len(part) for _, part in chunks[:number]) for number in range(len(chunks))]
    assert [offset for offset, _ in times] == offsets
    assert [datetime.fromisoformat(at) for _, at in times] == [at for at, _ in chunks]


@given(st.lists(st.binary(min_size=1, max_size=40), min_size=1, max_size=5), st.data())
def test_cut_anywhere_it_gives_every_whole_line(parts: list[bytes], data: st.DataObject) -> None:
    lines = [HEAD] + [
        b'{"at": "2026-03-14T09:30:01.000000-05:00", "bytes": "' + base64.b64encode(part) + b'"}\n' for part in parts
    ]
    cut = data.draw(st.integers(len(HEAD), sum(map(len, lines))))
    payload, times = opened(b"".join(lines)[:cut])
    whole, size = 0, len(HEAD)
    for line in lines[1:]:
        size += len(line)
        whole += size - 1 <= cut  # a line that lacks only its line feed is whole
    assert payload == b"".join(parts[:whole])
    assert len(times) == whole


# ------------------------------------------------------------------------------------------------ what is damaged


@pytest.mark.parametrize(
    "damaged",
    [
        b"{",
        b"garbage",
        b"\xff\xfe\x00",
        b"[1, 2]",
        b'"text"',
        b"17",
        b'{"at": "2026-03-14T09:30:01.000000-05:00"}',
        b'{"bytes": "QUJD"}',
        b'{"at": "2026-03-14T09:30:01.000000-05:00", "bytes": "QUJ"}',
        b'{"at": "2026-03-14T09:30:01.000000-05:00", "bytes": "Q*JD"}',
        b'{"at": "2026-03-14T09:30:01.000000-05:00", "bytes": "\xc3\xa4"}',
        b'{"at": "2026-03-14T09:30:01.000000-05:00", "bytes": 7}',
        b'{"at": "2026-03-14T09:30:01", "bytes": "QUJD"}',
        b'{"at": "yesterday", "bytes": "QUJD"}',
        b'{"at": 7, "bytes": "QUJD"}',
        b'{"ended": 7}',
        b"[" * 100_000,
        b"9" * 10_000,
    ],
)
def test_a_damaged_line_stands_in_the_payload_at_its_place(damaged: bytes) -> None:
    payload, times = opened(HEAD + ONE + damaged + b"\n" + TWO + END)
    assert payload == b"ABC" + damaged + b"\nDE"
    assert times == [(0, AT_ONE), (3 + len(damaged) + 1, AT_TWO)]


def test_an_endless_line_is_read_in_bounded_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_capture, "_LINE", 128)
    payload, times = opened(HEAD + ONE + b"x" * 1000 + b"\n" + TWO)
    assert payload == b"ABC" + b"x" * 1000 + b"\nDE"
    assert [offset for offset, _ in times] == [0, 1004]


def test_blank_lines_and_foreign_line_ends_are_harmless() -> None:
    assert opened((HEAD + b"\n" + ONE + TWO + END).replace(b"\n", b"\r\n"))[0] == b"ABCDE"


def test_captures_one_after_the_other() -> None:
    assert opened(HEAD + ONE + END + HEAD + TWO + END) == (b"ABCDE", [(0, AT_ONE), (3, AT_TWO)])


@pytest.mark.parametrize("data", [HEAD, HEAD.rstrip(), HEAD + END])
def test_a_capture_without_chunks_is_empty(data: bytes) -> None:
    assert opened(data) == (b"", [])


def test_a_later_format_is_refused() -> None:
    with pytest.raises(InputError, match=r"format that is not known.*Use the version"):
        opened(HEAD.replace(b"capture 1", b"capture 2") + ONE)


def test_more_than_fits_in_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_capture, "_IN_MEMORY", 4)
    assert opened(HEAD + ONE + TWO + ONE)[0] == b"ABCDEABC"


# ------------------------------------------------------------------------------------------ what is no capture file


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"{",
        b"\x02{1H}\x03",
        b"Patient,Pulse\n1,72\n",
        b'{"resourceType": "Bundle"}\n',
        b'{"capture": 1}\n' + ONE,
        b'{"capture": "another kind"}\n' + ONE,
        b"[" + HEAD,
        b"{" + b" " * 200_000 + HEAD,
        b" " + HEAD + ONE,
        HEAD[:40],
        HEAD[:40] + b"\n" + ONE,
    ],
)
@pytest.mark.parametrize("step", [1, 7, 1 << 20])
def test_other_streams_pass_through(data: bytes, step: int) -> None:
    assert opened(data, step if len(data) < 1000 else 1 << 20) == (data, [])


@given(st.binary(max_size=400) | st.binary(max_size=100).map(lambda data: b"{" + data), st.integers(1, 50))
def test_any_other_bytes_pass_through(data: bytes, step: int) -> None:
    assert opened(data, step) == (data, [])


def test_a_pass_through_reads_no_more_than_is_asked_for() -> None:
    inner = io.BytesIO(b"x" * 10_000_000)
    stream, _ = open_capture(inner)
    assert stream.read(10) == b"x" * 10
    assert inner.tell() < 1_000_000


# ------------------------------------------------------------------------------------------------- what goes wrong


def test_an_existing_file_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "a.capture"
    path.write_bytes(b"precious")
    with pytest.raises(OutputError, match="overwrites nothing"):
        CaptureWriter(path, "p", {}, START)
    assert path.read_bytes() == b"precious"


def test_a_dangling_link_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.capture"
    path.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(OutputError, match="overwrites nothing"):
        CaptureWriter(path, "p", {}, START)
    assert not (tmp_path / "elsewhere").exists()


def test_a_missing_folder_is_told(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="No such file or directory") as told:
        CaptureWriter(tmp_path / "no" / "a.capture", "p", {}, START)
    assert "in the file" not in str(told.value)


def test_every_line_is_forced_to_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.capture"
    forced: list[bytes] = []
    real = os.fsync

    def fsync(number: int) -> None:
        real(number)
        forced.append(path.read_bytes())

    monkeypatch.setattr(os, "fsync", fsync)
    writer = CaptureWriter(path, "p", {}, START)
    for count in (1, 2):
        writer.chunk(START, b"ABC")
        assert forced[-1] == path.read_bytes()
        assert forced[-1].count(b"\n") == 1 + count
    writer.abandon()


FULL = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from gateway.adapters._capture import CaptureWriter
from gateway.errors import OutputError
import resource
resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
writer = CaptureWriter(Path(sys.argv[1]), "p", {}, datetime(2026, 3, 14, tzinfo=UTC))
count = 0
try:
    while True:
        writer.chunk(datetime(2026, 3, 14, tzinfo=UTC), b"ABC" * 20)
        count += 1
except OutputError as error:
    print(count, error)
"""


def test_a_full_disk_leaves_whole_lines(tmp_path: Path) -> None:
    """The system's own limit on the size of a file stands for a full disk: the last write is a partial one."""
    path = tmp_path / "a.capture"
    environment = os.environ | {"PYTHONPATH": str(REPOSITORY)}
    done = subprocess.run(
        [sys.executable, "-c", FULL, str(path)], env=environment, text=True, capture_output=True, timeout=60, check=True
    )
    count, words = done.stdout.split(maxsplit=1)
    assert int(count) >= 3
    assert "cannot be written: File too large" in words
    assert "What was captured before is in the file" in words
    data = path.read_bytes()
    assert data.endswith(b"\n")
    assert opened(data)[0] == b"ABC" * 20 * int(count)


def test_a_disk_without_room_for_the_first_line_leaves_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(number: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match="No space left on device"):
        CaptureWriter(tmp_path / "a.capture", "p", {}, START)
    assert list(tmp_path.iterdir()) == []


def test_the_example_of_the_format_is_read_as_a_plain_file(tmp_path: Path) -> None:
    path = tmp_path / "a.capture"
    path.write_bytes(HEAD + ONE)
    assert json.loads(HEAD)["capture"] == FORMAT
    with path.open("rb") as file:
        stream: BinaryIO
        stream, chunks = open_capture(file)
        assert stream.read(2) == b"AB"
        assert stream.read() == b"C"
        assert chunks == [(0, AT_ONE)]
