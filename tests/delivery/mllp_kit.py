"""Listeners that misbehave, on the loopback interface only, and messages for them. Everything ends in time."""

from __future__ import annotations

import socket
import ssl
import struct
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from types import TracebackType
from typing import Any, Self

from gateway.delivery.mllp import FrameReader, MllpTarget

PATIENCE = 10.0


def message(control: str = "C1", modes: tuple[str, str] = ("", ""), note: str = "calm") -> bytes:
    characters = "" if note.isascii() else "UNICODE UTF-8"
    header = f"MSH|^~\\&|GW|WARD|REC|HOSP|20260301021500+0000||ORU^R01^ORU_R01|{control}|T|2.6|||{modes[0]}|{modes[1]}"
    return f"{header}||{characters}\rPID|1||INVENTED-7^^^WARD\rOBX|1|ST|NOTE||{note}||||||F\r".encode()


def ack(control: str, code: str = "AA", rest: str = "", end: str = "\r") -> bytes:
    lines = ["MSH|^~\\&|REC|HOSP|GW|WARD|20260301021501+0000||ACK^R01^ACK|A1|T|2.6", f"MSA|{code}|{control}", rest]
    return "".join(line + end for line in lines if line).encode()


def framed(content: bytes) -> bytes:
    return b"\x0b" + content + b"\x1c\r"


class Peer:
    """The listener's end of one connection."""

    def __init__(self, plug: socket.socket, number: int, listener: Listener) -> None:
        self.plug, self.number = plug, number
        self._reader, self._listener = FrameReader(limit=1 << 26), listener
        self._frames: list[bytes] = []

    def message(self) -> bytes:
        """The next message; its control id is what is left of it."""
        while not self._frames:
            data = self.plug.recv(65536)
            if not data:
                raise EOFError
            self._frames += self._reader.feed(data)
        self._listener.received.append(self._frames[0])
        return self._frames.pop(0).split(b"|")[9]

    def send(self, *data: bytes) -> None:
        for piece in data:
            self.plug.sendall(piece)

    def reset(self) -> None:
        self.plug.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.plug.close()

    def until_closed(self) -> None:
        while self.plug.recv(65536):
            pass


class Listener:
    """Accepts connections one after the other and does with each what `script` says.

    Attributes:
        received: the messages, byte for byte.
        connections: how many were accepted.
    """

    def __init__(self, script: Callable[[Peer], Any], tls: ssl.SSLContext | None = None) -> None:
        self.received: list[bytes] = []
        self.connections = 0
        self.faults: list[BaseException] = []
        self._script, self._tls = script, tls
        self._socket = socket.create_server(("127.0.0.1", 0))
        self._socket.settimeout(0.05)
        self._stop = threading.Event()
        self._peers: list[socket.socket] = []
        self._thread = threading.Thread(target=self._run, daemon=True)
        self.port: int = self._socket.getsockname()[1]

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop.set()
        for plug in self._peers:
            with suppress(OSError):
                plug.shutdown(socket.SHUT_RDWR)
        self._thread.join(PATIENCE)
        self._socket.close()
        assert not self._thread.is_alive()
        assert not self.faults, self.faults

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                plug, _ = self._socket.accept()
            except TimeoutError:
                continue
            self.connections += 1
            plug.settimeout(PATIENCE)
            self._peers.append(plug)
            try:
                if self._tls is not None:
                    plug = self._tls.wrap_socket(plug, server_side=True)
                    self._peers.append(plug)
                self._script(Peer(plug, self.connections, self))
            except (OSError, EOFError):
                pass  # the other end has gone, which is what most scripts end with
            except BaseException as fault:  # noqa: BLE001 - told by the test's own thread
                self.faults.append(fault)
            finally:
                plug.close()


def target(port: int, **changes: Any) -> MllpTarget:
    """A quick and impatient target."""
    values: dict[str, Any] = {
        "name": "ward",
        "host": "127.0.0.1",
        "port": port,
        "connect_timeout": 2.0,
        "acknowledge_timeout": 0.4,
        "attempts": 2,
        "pause": 0,
    }
    return MllpTarget(**(values | changes))


def settle() -> None:
    """Time for what was sent over the loopback interface to arrive."""
    time.sleep(0.1)
