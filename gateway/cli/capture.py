"""Live capture: a serial line, or a device server on the network, into a capture file.

Bytes are gathered into chunks: a chunk ends when the line is quiet for a moment, or after a second. It carries the
host's time of its first byte. What has been read is on the disk, whatever then becomes of the line or of this program.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from time import monotonic
from typing import Any, Protocol
from urllib.parse import urlsplit

from gateway.adapters._capture import CaptureWriter, Why, refuse_existing
from gateway.errors import InputError, UsageError
from gateway.mapping.model import Line

QUIET = 0.1
"""Seconds without a byte that end a chunk: longer than a byte takes at 300 baud, shorter than a person notices."""

LONGEST = 1.0
"""Seconds after which a chunk ends on a line that is never quiet: no more than this is lost to a loss of power."""

FULL = 1 << 16
"""Bytes after which a chunk ends."""

_PARITY = {"none": "N", "even": "E", "odd": "O", "mark": "M", "space": "S"}


class Port(Protocol):
    """What is used of pyserial."""

    in_waiting: int

    def read(self, size: int = 1, /) -> bytes:
        """At most `size` bytes; none when none came for a while."""

    def close(self) -> None:
        """Close the port."""


@dataclass(frozen=True, slots=True)
class Captured:
    """What a capture gave.

    Attributes:
        bytes: bytes read and written.
        chunks: chunks they came in.
        why: why it ended.
    """

    bytes: int
    chunks: int
    why: Why


def capture(
    port: str,
    line: Line,
    out: Path,
    *,
    seconds: float | None = None,
    until_quiet: float | None = None,
    listening: Callable[[str], None] | None = None,
) -> Captured:
    """Listen until told to stop, and keep every byte.

    It stops on Ctrl-C, on SIGTERM and SIGHUP, after `seconds`, or when the line was quiet for `until_quiet`.

    Args:
        port: name of a serial port, or a URL that pyserial knows, such as socket://host:port.
        line: how the line is set; without effect on a socket.
        out: the capture file; it must not exist.
        seconds: how long to listen at most.
        until_quiet: seconds without a byte that end the capture, counted only after the first byte.
        listening: called once with the settings in words when the port is open and the file begun.

    Raises:
        UsageError: the port's name is no port and no URL that is known, or the settings do not fit the port.
        InputError: the port cannot be opened, or the line dropped; what was read before is in the file.
        OutputError: the file exists or cannot be written; what was written before is in the file.
    """
    refuse_existing(out)
    with _stopping() as stop:
        opened = _open(port, line)
        try:
            with CaptureWriter(out, port, _settings(port, line), _now()) as writer:
                if listening is not None:
                    listening(_words(port, line))
                return _listen(opened, port, writer, stop, seconds, until_quiet)
        finally:
            with suppress(OSError):  # a port that is gone cannot be closed
                opened.close()


def _listen(
    port: Port,
    name: str,
    writer: CaptureWriter,
    stop: threading.Event,
    seconds: float | None,
    until_quiet: float | None,
) -> Captured:
    gathered = bytearray()
    began, first = _now(), 0.0
    size = chunks = 0

    def flush() -> None:
        nonlocal size, chunks
        if gathered:
            writer.chunk(began, bytes(gathered))
            size += len(gathered)
            chunks += 1
            gathered.clear()

    start = monotonic()
    last: float | None = None
    why: Why | None = None
    lost: OSError | None = None
    while why is None:
        try:
            # Never more than is there: pyserial forgets what one call has read when the line drops within the call.
            data = port.read(port.in_waiting or 1)
        except OSError as error:
            data, why, lost = b"", "port lost", error
        now = monotonic()
        if data:
            if not gathered:
                began, first = _now(), now
            gathered += data
            last = now
        if not data or now - first >= LONGEST or len(gathered) >= FULL:
            flush()
        if why is not None:
            break
        if stop.is_set():
            why = "stopped"
        elif seconds is not None and now - start >= seconds:
            why = "time"
        elif until_quiet is not None and last is not None and now - last >= until_quiet:
            why = "quiet"
    flush()
    writer.close(_now(), why)
    if lost is not None:
        kept = f"All of it is in {writer.path}; " if size else ""
        raise InputError(
            f"the line dropped after {size:,} {'byte' if size == 1 else 'bytes'} ({_reason(lost)})",
            where=name,
            todo=f"{kept}{'check' if kept else 'Check'} cable and power, and capture the rest into another file",
        )
    return Captured(size, chunks, why)


def _open(name: str, line: Line) -> Port:
    """Open a port.

    Raises:
        UsageError: the name is no port and no URL that is known, or the settings do not fit the port.
        InputError: the port cannot be opened.
    """
    import serial

    networked = name.lower().startswith(("socket://", "rfc2217://"))
    try:
        if networked and urlsplit(name).port is None:
            raise ValueError("the number of the port is missing")
        port: Any = serial.serial_for_url(
            name,
            do_not_open=True,
            baudrate=line.baud,
            bytesize=line.data_bits,
            parity=_PARITY[line.parity],
            stopbits=line.stop_bits,
            rtscts=line.flow == "rts-cts",
            dsrdtr=line.flow == "dsr-dtr",
            xonxoff=line.flow == "xon-xoff",
            timeout=QUIET,
            exclusive=None if "://" in name else True,  # two readers of one port would share its bytes between them
        )
        if name.lower().startswith("socket://"):
            # pyserial empties a socket that it has just opened; a device server may have begun to send by then.
            port.reset_input_buffer = lambda: None
        port.open()
    except OSError as error:
        raise InputError(
            f"the port cannot be opened ({_reason(error)})",
            where=name or "PORT",
            todo="Check its name, that the device is connected, that you may read it, and that nothing else does",
        ) from error
    except ValueError as error:
        raise UsageError(
            f"this is no port, or it does not take the settings ({_reason(error)})",
            where=name,
            todo="Name a serial port such as /dev/ttyUSB0 or a URL such as socket://host:4001, and check the table "
            "[line] of the mapping",
        ) from error
    opened: Port = port
    return opened


@contextmanager
def _stopping() -> Iterator[threading.Event]:
    """An event that is set by Ctrl-C, SIGTERM and SIGHUP; a second signal does what it did before."""
    stop = threading.Event()
    if threading.current_thread() is not threading.main_thread():
        yield stop
        return
    names = [name for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {name: signal.getsignal(getattr(signal, name)) for name in names}
    caught = {name: handler for name, handler in before.items() if handler is not signal.SIG_IGN or name != "SIGHUP"}

    def restore() -> None:
        for name, handler in caught.items():
            signal.signal(getattr(signal, name), signal.SIG_DFL if handler is None else handler)

    def told(number: int, frame: object) -> None:
        stop.set()
        restore()

    for name in caught:
        signal.signal(getattr(signal, name), told)
    try:
        yield stop
    finally:
        restore()


def _settings(name: str, line: Line) -> dict[str, object]:
    return {} if name.lower().startswith("socket://") else line.model_dump()


def _words(name: str, line: Line) -> str:
    """How the line is set, for a person to compare with the monitor's own setting."""
    if name.lower().startswith("socket://"):
        return name
    parity = "no parity" if line.parity == "none" else f"{line.parity} parity"
    stops = "1 stop bit" if line.stop_bits == 1 else f"{line.stop_bits} stop bits"
    flow = "no flow control" if line.flow == "none" else f"flow control {line.flow}"
    return f"{name} at {line.baud:,} baud, {line.data_bits} data bits, {parity}, {stops}, {flow}"


def _now() -> datetime:
    """The host's time with the host's offset."""
    return datetime.now(UTC).astimezone()


def _reason(error: BaseException) -> str:
    """What the system said, without what pyserial wraps around it."""
    while error.__context__ is not None:
        error = error.__context__
    match error.args:
        case (int(), str(words), *_):
            pass
        case _:
            words = str(error) or type(error).__name__
    return " ".join(words.split()).rstrip(".")
