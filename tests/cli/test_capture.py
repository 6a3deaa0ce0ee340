"""Live capture: over a pseudo-terminal and a socket on this machine, stopped, killed, cut off and out of space."""

from __future__ import annotations

import errno
import io
import json
import os
import pty
import signal
import socket
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from gateway.adapters._capture import CaptureWriter, open_capture
from gateway.cli import capture as module
from gateway.cli import main as cli
from gateway.cli.capture import Captured, capture
from gateway.errors import InputError, MappingError, OutputError, UsageError
from gateway.mapping import load
from gateway.mapping.model import Line

REPOSITORY = Path(__file__).resolve().parents[2]
PATIENCE = 20.0
"""Seconds after which a test gives up waiting; nothing here needs one."""

MAPPING = """\
title = "Ward monitor, list over the serial line"
version = "1"
form = "listing"
namespace = "urn:example:spot-check"

[line]
baud = 4800
parity = "even"

[[listing.records]]
use = "entry"
pattern = '(?P<Patient>\\S+) (?P<Taken>\\S+ \\S+) (?P<Pulse>\\d+)'

[time]
columns = ["Taken"]
formats = ["%Y-%m-%d %H:%M"]
zone = "America/Chicago"
past_days = "any"

[patient]
column = "Patient"
pattern = "any"
system = "urn:example:patients"

[vitals.heart_rate]
column = "Pulse"
unit = "/min"
"""
EVERY_BYTE = bytes(range(256)) * 3


class Monitor:
    """The monitor's end of a pair of pseudo-terminals."""

    def __init__(self) -> None:
        self._end, self._port = pty.openpty()
        tty.setraw(self._port)
        self.port = os.ttyname(self._port)

    def send(self, data: bytes) -> None:
        rest = data
        while rest:
            rest = rest[os.write(self._end, rest) :]

    def vanish(self) -> None:
        for name in ("_end", "_port"):
            number = getattr(self, name)
            if number >= 0:
                os.close(number)
                setattr(self, name, -1)


@pytest.fixture
def monitor() -> Iterator[Monitor]:
    made = Monitor()
    yield made
    made.vanish()


@pytest.fixture
def mapping(tmp_path: Path) -> Path:
    path = tmp_path / "list.toml"
    path.write_text(MAPPING)
    return path


def until(ready: Callable[[], object]) -> None:
    end = time.monotonic() + PATIENCE
    while not ready():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.01)


def lines(path: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in path.read_bytes().splitlines()]


def payload(path: Path) -> bytes:
    with path.open("rb") as file:
        return open_capture(file)[0].read()


class Background:
    """A capture in a thread of this process; what it gave or raised is kept."""

    def __init__(self, port: str, out: Path, **options: Any) -> None:
        self.gave: Captured | None = None
        self.raised: Exception | None = None
        listening = threading.Event()
        self._thread = threading.Thread(
            target=self._run, args=(port, out), kwargs={**options, "listening": lambda words: listening.set()}
        )
        self._thread.daemon = True
        self._thread.start()
        assert listening.wait(PATIENCE) or self.raised

    def _run(self, port: str, out: Path, **options: Any) -> None:
        try:
            self.gave = capture(port, Line(), out, **options)
        except Exception as error:  # noqa: BLE001 - the test looks at it
            self.raised = error

    def end(self) -> None:
        self._thread.join(PATIENCE)
        assert not self._thread.is_alive()


class Command:
    """`gateway capture` as a process of its own, listening."""

    def __init__(self, port: str, mapping: Path, out: Path, *options: str, **other: Any) -> None:
        words = [sys.executable, "-m", "gateway", "capture", port, "--mapping", str(mapping), "--out", str(out)]
        self.process = subprocess.Popen(
            [*words, *options],
            env=os.environ | {"PYTHONPATH": str(REPOSITORY)},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            # Under nohup and in some services a hang-up is ignored, and children inherit that.
            **({"preexec_fn": lambda: signal.signal(signal.SIGHUP, signal.SIG_DFL)} | other),
        )
        assert self.process.stdout is not None
        self.first = self.process.stdout.readline()

    def end(self) -> tuple[int, str, str]:
        told, complained = self.process.communicate(timeout=PATIENCE)
        return self.process.returncode, told, complained


# ------------------------------------------------------------------------------------------- stopped as asked


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_stops_it_cleanly(number: signal.Signals, monitor: Monitor, mapping: Path, tmp_path: Path) -> None:
    out = tmp_path / "night.capture"
    command = Command(monitor.port, mapping, out)
    assert command.first == (
        f"Listening to {monitor.port} at 4,800 baud, 8 data bits, even parity, 1 stop bit, no flow control. "
        "Stop with Ctrl-C.\n"
    )
    monitor.send(EVERY_BYTE)
    until(lambda: payload(out) == EVERY_BYTE)
    command.process.send_signal(number)
    status, told, complained = command.end()
    assert (status, complained) == (0, "")
    assert told == f"{out}: 768 bytes captured; stopped as asked.\n"
    head, *chunks, tail = lines(out)
    assert head["port"] == monitor.port
    assert head["settings"] == {"baud": 4800, "data_bits": 8, "parity": "even", "stop_bits": 1, "flow": "none"}
    assert datetime.fromisoformat(head["started"]).utcoffset() is not None
    assert chunks
    assert tail["why"] == "stopped"


def test_what_was_just_read_is_kept_when_it_is_stopped(monitor: Monitor, tmp_path: Path) -> None:
    """A line that never falls quiet: the open chunk is written too."""
    out = tmp_path / "a.capture"
    background = Background(monitor.port, out, seconds=0.5)
    sent = 0
    end = time.monotonic() + 1.0
    while time.monotonic() < end and background.gave is None:
        monitor.send(b"x")
        sent += 1
        time.sleep(0.005)
    background.end()
    assert background.gave is not None
    assert background.gave.why == "time"
    assert len(payload(out)) == background.gave.bytes > 20
    assert background.gave.bytes <= sent


def test_time_is_over_and_nothing_came(monitor: Monitor, mapping: Path, tmp_path: Path) -> None:
    out = tmp_path / "a.capture"
    status, told, complained = Command(monitor.port, mapping, out, "--seconds", "0.2").end()
    assert (status, told, complained) == (0, f"{out}: nothing captured; the time was over.\n", "")
    assert payload(out) == b""
    assert [*lines(out)[0]] == ["capture", "port", "started", "settings"]
    assert lines(out)[-1]["why"] == "time"


def test_until_quiet_waits_for_the_first_byte(monitor: Monitor, tmp_path: Path) -> None:
    out = tmp_path / "a.capture"
    background = Background(monitor.port, out, until_quiet=0.8)
    time.sleep(1.0)
    assert background.gave is None, "it must not end before anything came"
    monitor.send(b"one")
    until(lambda: payload(out) == b"one")
    monitor.send(b"two")
    background.end()
    assert background.gave == Captured(6, 2, "quiet")
    assert payload(out) == b"onetwo"


def test_handlers_of_signals_are_put_back(monitor: Monitor, tmp_path: Path) -> None:
    before = [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)]
    capture(monitor.port, Line(), tmp_path / "a.capture", seconds=0.0)
    assert [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)] == before


# ------------------------------------------------------------------------------------------------- times of chunks


def test_a_chunk_carries_the_time_of_its_first_byte(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seconds = iter(range(60))
    monkeypatch.setattr(module, "_now", lambda: datetime(2026, 3, 14, 9, 30, next(seconds), tzinfo=UTC))
    port = Failing(b"AB", b"CD", b"", b"EF", OSError(errno.EIO, "Input/output error"))
    real = port.read

    def read(size: int = 1) -> bytes:
        given = real(size)
        next(seconds)  # a second passes after each read
        return given

    monkeypatch.setattr(port, "read", read)
    monkeypatch.setattr(module, "_open", lambda name, line: port)
    with pytest.raises(InputError):
        capture("/dev/x", Line(), tmp_path / "a.capture")
    with (tmp_path / "a.capture").open("rb") as file:
        stream, chunks = open_capture(file)
        assert stream.read() == b"ABCDEF"
    # 0: the capture begins, 1: the loop begins, 2: after AB, 3: its time, 4 to 6: CD, nothing, EF, 7: the time of EF.
    assert chunks == [(0, "2026-03-14T09:30:03.000000+00:00"), (4, "2026-03-14T09:30:07.000000+00:00")]


def test_times_of_chunks_are_those_of_the_host(monitor: Monitor, tmp_path: Path) -> None:
    out = tmp_path / "a.capture"
    background = Background(monitor.port, out, until_quiet=0.8)
    before = datetime.now(UTC)
    monitor.send(b"ABCD")
    until(lambda: payload(out) == b"ABCD")
    between = datetime.now(UTC)
    monitor.send(b"EF")
    background.end()
    with out.open("rb") as file:
        _, chunks = open_capture(file)
    (first, at_first), (second, at_second) = chunks
    assert (first, second) == (0, 4)
    assert before <= datetime.fromisoformat(at_first) < between <= datetime.fromisoformat(at_second)


def test_a_line_that_is_never_quiet_is_written_all_the_same(
    monitor: Monitor, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "LONGEST", 0.2)
    out = tmp_path / "a.capture"
    background = Background(monitor.port, out, until_quiet=1.0)
    end = time.monotonic() + 0.7
    sent = 0
    while time.monotonic() < end:
        monitor.send(b"x")
        sent += 1
        time.sleep(0.005)
    assert payload(out), "bytes were on the disk while more came"
    background.end()
    assert payload(out) == b"x" * sent
    assert background.gave is not None
    assert background.gave.chunks >= 2


def test_a_chunk_is_bounded(monitor: Monitor, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "FULL", 100)
    out = tmp_path / "a.capture"
    background = Background(monitor.port, out, until_quiet=0.3)
    monitor.send(EVERY_BYTE)
    background.end()
    assert payload(out) == EVERY_BYTE
    assert background.gave is not None
    assert background.gave.chunks >= 2 or background.gave.bytes <= 4096


# ---------------------------------------------------------------------------------------------------- what goes wrong


def test_killed_in_the_middle_the_file_still_reads(monitor: Monitor, mapping: Path, tmp_path: Path) -> None:
    out = tmp_path / "a.capture"
    command = Command(monitor.port, mapping, out)
    monitor.send(EVERY_BYTE)
    until(lambda: payload(out) == EVERY_BYTE)
    monitor.send(b"and more, which may be lost")
    command.process.kill()
    assert command.end()[0] == -signal.SIGKILL
    assert payload(out).startswith(EVERY_BYTE)
    assert all("ended" not in line for line in lines(out))


def test_a_port_that_vanishes(monitor: Monitor, mapping: Path, tmp_path: Path) -> None:
    out = tmp_path / "a.capture"
    command = Command(monitor.port, mapping, out)
    monitor.send(b"before it was pulled out")
    until(lambda: len(lines(out)) > 1)
    monitor.vanish()
    status, told, complained = command.end()
    assert (status, told) == (2, "")
    assert complained.startswith(f"gateway: {monitor.port}: the line dropped after 24 bytes (")
    assert f"All of it is in {out}; check cable and power" in complained
    assert complained.count("\n") == 1
    assert payload(out) == b"before it was pulled out"
    assert lines(out)[-1]["why"] == "port lost"


class Failing:
    """A port that gives what it is told to and then fails."""

    def __init__(self, *given: bytes | OSError) -> None:
        self._given = list(given)
        self.asked: list[int] = []

    @property
    def in_waiting(self) -> int:
        return len(self._given[0]) if isinstance(self._given[0], bytes) else 0

    def read(self, size: int = 1) -> bytes:
        self.asked.append(size)
        given = self._given.pop(0)
        if isinstance(given, OSError):
            raise given
        return given

    def close(self) -> None:
        raise OSError(errno.EIO, "Input/output error")


def test_bytes_of_the_open_chunk_are_kept_when_the_line_drops(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    port = Failing(b"ABC", b"DE", OSError(errno.EIO, "Input/output error"))
    monkeypatch.setattr(module, "_open", lambda name, line: port)
    with pytest.raises(InputError, match=r"dropped after 5 bytes \(Input/output error\)"):
        capture("/dev/x", Line(), tmp_path / "a.capture")
    assert payload(tmp_path / "a.capture") == b"ABCDE"
    assert port.asked == [3, 2, 1], "never more than is there: pyserial loses what a failing call had read"


def test_a_line_that_drops_at_once_claims_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_open", lambda name, line: Failing(OSError(errno.EIO, "Input/output error")))
    with pytest.raises(InputError) as told:
        capture("/dev/x", Line(), tmp_path / "a.capture")
    assert str(told.value) == (
        "/dev/x: the line dropped after 0 bytes (Input/output error). Check cable and power, and capture the rest "
        "into another file."
    )


def test_a_full_disk_is_told_and_spares_what_was_written(monitor: Monitor, mapping: Path, tmp_path: Path) -> None:
    """The system's own limit on the size of a file stands for a full disk."""
    import resource

    out = tmp_path / "a.capture"
    limit = (2000, 2000)
    command = Command(monitor.port, mapping, out, preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, limit))
    monitor.send(EVERY_BYTE)
    until(lambda: payload(out) == EVERY_BYTE)
    monitor.send(EVERY_BYTE)
    status, told, complained = command.end()
    assert (status, told) == (2, "")
    assert (
        f"gateway: {out}: the capture cannot be written: File too large. What was captured before is in" in complained
    )
    assert complained.count("\n") == 1
    assert payload(out).startswith(EVERY_BYTE)
    assert out.read_bytes().endswith(b"\n")


def test_an_existing_file_is_refused_before_the_port_is_touched(
    mapping: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(module, "_open", lambda name, line: pytest.fail("the port was opened"))
    out = tmp_path / "a.capture"
    out.write_bytes(b"precious")
    assert cli.main(["capture", "/dev/x", "--mapping", str(mapping), "--out", str(out)]) == 2
    assert "overwrites nothing. Choose another name with --out." in capsys.readouterr().err
    assert out.read_bytes() == b"precious"


@pytest.mark.parametrize(
    ("port", "error", "says"),
    [
        ("/dev/there-is-no-such-port", InputError, "cannot be opened (No such file or directory)"),
        ("/dev/null", InputError, "cannot be opened (Inappropriate ioctl for device)"),
        ("socket://127.0.0.1", UsageError, "the number of the port is missing"),
        ("socket://127.0.0.1:99999", UsageError, "Port out of range"),
        ("carrier-pigeon://x", UsageError, "protocol 'carrier-pigeon' not known"),
        ("", InputError, "PORT: the port cannot be opened"),
    ],
)
def test_a_port_that_cannot_be_opened(port: str, error: type[Exception], says: str, tmp_path: Path) -> None:
    out = tmp_path / "a.capture"
    with pytest.raises(error) as told:
        capture(port, Line(), out)
    assert says in str(told.value)
    assert not out.exists()


def test_a_port_is_not_shared(monitor: Monitor, tmp_path: Path) -> None:
    background = Background(monitor.port, tmp_path / "a.capture", seconds=0.5)
    with pytest.raises(InputError, match="cannot be opened"):
        capture(monitor.port, Line(), tmp_path / "b.capture", seconds=0.1)
    background.end()
    assert background.gave is not None


def test_a_folder_that_is_missing(monitor: Monitor, tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="No such file or directory"):
        capture(monitor.port, Line(), tmp_path / "no" / "a.capture", seconds=0.1)


def test_a_mapping_of_delimited_files_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    mapping = REPOSITORY / "mappings" / "wide-example.toml"
    out = tmp_path / "a.capture"
    assert cli.main(["capture", "/dev/x", "--mapping", str(mapping), "--out", str(out)]) == 2
    assert "reads delimited files, and no capture. Name a mapping of the form framed or listing." in (
        capsys.readouterr().err
    )


# ------------------------------------------------------------------------------------------------------ device servers


class Server:
    """A device server on this machine that sends what it is given as soon as somebody connects."""

    def __init__(self, *parts: bytes, hang_up: bool = True) -> None:
        self._socket = socket.create_server(("127.0.0.1", 0))
        self._socket.settimeout(PATIENCE)
        self._release = threading.Event()
        self.port = f"socket://127.0.0.1:{self._socket.getsockname()[1]}"
        self._thread = threading.Thread(target=self._serve, args=(parts, hang_up), daemon=True)
        self._thread.start()

    def _serve(self, parts: tuple[bytes, ...], hang_up: bool) -> None:
        with self._socket, self._socket.accept()[0] as connection:
            for part in parts:
                connection.sendall(part)
                time.sleep(0.2)
            if not hang_up:
                self._release.wait(PATIENCE)

    def close(self) -> None:
        self._release.set()
        self._thread.join(PATIENCE)


def test_a_device_server(tmp_path: Path, mapping: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What it sends in the instant of connecting is kept, which pyserial would throw away."""
    server = Server(EVERY_BYTE, b"later", hang_up=False)
    out = tmp_path / "a.capture"
    words = ["capture", server.port, "--mapping", str(mapping), "--out", str(out), "--until-quiet", "1"]
    assert cli.main(words) == 0
    server.close()
    assert payload(out) == EVERY_BYTE + b"later"
    assert lines(out)[0]["settings"] == {}
    assert capsys.readouterr().out.splitlines() == [
        f"Listening to {server.port}. Stop with Ctrl-C.",
        f"{out}: 773 bytes captured; the line was quiet.",
    ]


def test_a_device_server_that_hangs_up(tmp_path: Path) -> None:
    server = Server(EVERY_BYTE * 20)
    out = tmp_path / "a.capture"
    with pytest.raises(InputError, match=r"dropped after 15,360 bytes \(socket disconnected\)"):
        capture(server.port, Line(), out)
    server.close()
    assert payload(out) == EVERY_BYTE * 20
    assert lines(out)[-1]["why"] == "port lost"


def test_nobody_listens(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    with pytest.raises(InputError, match="Connection refused"):
        capture(f"socket://127.0.0.1:{port}", Line(), tmp_path / "a.capture")


# -------------------------------------------------------------------------------------------------------------- replay


def test_a_replayed_capture_gives_the_same_bytes(monitor: Monitor, tmp_path: Path) -> None:
    """What was captured is played over a line once more and captured again: the payload does not change."""
    first = tmp_path / "first.capture"
    sent = [b"\x02", EVERY_BYTE, b"\r\n", b"\x03\x04"]
    with CaptureWriter(first, "/dev/x", {}, datetime(2026, 3, 14, tzinfo=UTC)) as writer:
        for part in sent:
            writer.chunk(datetime(2026, 3, 14, tzinfo=UTC), part)
    second = tmp_path / "second.capture"
    background = Background(monitor.port, second, until_quiet=0.3)
    monitor.send(payload(first))
    background.end()
    assert payload(second) == payload(first) == b"".join(sent)


def test_settings_reach_the_port(monkeypatch: pytest.MonkeyPatch) -> None:
    import serial

    told: dict[str, Any] = {}

    class Port(io.BytesIO):
        def open(self) -> None: ...

    def opened(name: str, **settings: Any) -> Port:
        told.update(settings, name=name)
        return Port()

    monkeypatch.setattr(serial, "serial_for_url", opened)
    module._open("/dev/x", Line(baud=1200, data_bits=7, parity="odd", stop_bits=2, flow="xon-xoff"))
    assert (told["baudrate"], told["bytesize"], told["parity"], told["stopbits"]) == (
        1200,
        serial.SEVENBITS,
        serial.PARITY_ODD,
        serial.STOPBITS_TWO,
    )
    assert (told["xonxoff"], told["rtscts"], told["dsrdtr"], told["exclusive"]) == (True, False, False, True)
    for flow in ("rts-cts", "dsr-dtr", "none"):
        module._open("/dev/x", Line.model_validate({"flow": flow}))
        assert (told["rtscts"], told["dsrdtr"], told["xonxoff"]) == (flow == "rts-cts", flow == "dsr-dtr", False)
    for name, letter in module._PARITY.items():
        assert {getattr(serial, f"PARITY_{name.upper()}")} == {letter}


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('baud = "fast"', "line.baud"),
        ("baud = 9600.5", "line.baud"),
        ("baud = 0", "line.baud"),
        ("data_bits = 9", "line.data_bits"),
        ('parity = "E"', "line.parity"),
        ("stop_bits = 3", "line.stop_bits"),
        ('flow = "hardware"', "line.flow"),
        ("bauds = 9600", "line.bauds"),
    ],
)
def test_a_mistake_in_the_settings_is_told_with_its_line(line: str, says: str, mapping: Path) -> None:
    mapping.write_text(MAPPING.replace('baud = 4800\nparity = "even"', line))
    with pytest.raises(MappingError) as told:
        load(mapping)
    assert f"line 7, key {says}:" in str(told.value)
