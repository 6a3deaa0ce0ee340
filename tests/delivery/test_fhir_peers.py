"""Real connections on this machine: TLS, mutual TLS, and peers that break off, dawdle or never end."""

from __future__ import annotations

import gzip
import json
import socket
import ssl
import struct
import threading
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
import trustme
from cryptography.hazmat.primitives import serialization

from gateway.delivery.base import Receipt, Verdict
from tests.delivery import delivery_kit as kit

pytestmark = pytest.mark.usefixtures("pauses")

DATA = kit.bundle()
GOOD = json.dumps(kit.response([("201 Created", "")] * 10)).encode()
HEAD = b"HTTP/1.1 200 OK\r\nContent-Type: application/fhir+json\r\n"

Answer = Callable[["Peer", bytes], None]


class Peer(BaseHTTPRequestHandler):
    """Reads a request and answers as the server's `answer` says."""

    protocol_version = "HTTP/1.1"

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        server: Any = self.server
        server.seen.append(body)
        self.close_connection = True
        server.answer(self, body)

    def reset(self) -> None:
        """End the connection with RST."""
        self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.connection.close()

    def log_message(self, format: str, *args: Any) -> None:
        pass


@contextmanager
def serving(answer: Answer, context: ssl.SSLContext | None = None) -> Iterator[tuple[str, list[bytes]]]:
    """A server on a free port: its address, and the bodies it has seen."""
    seen: list[bytes] = []

    class Server(ThreadingHTTPServer):
        daemon_threads = True

        def finish_request(self, request: Any, client_address: Any) -> None:
            if context is not None:
                request.settimeout(10)
                request = context.wrap_socket(request, server_side=True)
            super().finish_request(request, client_address)

        def handle_error(self, request: Any, client_address: Any) -> None:
            pass

    server: Any = Server(("127.0.0.1", 0), Peer)
    server.answer, server.seen = answer, seen
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield f"{'http' if context is None else 'https'}://localhost:{server.server_port}/fhir", seen
    finally:
        server.shutdown()
        server.server_close()
        thread.join(5)


def good(peer: Peer, body: bytes) -> None:
    peer.wfile.write(HEAD + b"Content-Length: %d\r\n\r\n%b" % (len(GOOD), GOOD))


def send(url: str, **settings: Any) -> Receipt:
    with kit.target(url=url, **({"timeout": 5.0, "attempts": 2} | settings)) as target:
        return target.send(DATA)


def test_a_good_peer() -> None:
    with serving(good) as (url, seen):
        assert send(url).verdict is Verdict.DELIVERED
    assert seen == [DATA]


def test_connections_are_kept() -> None:
    def stay(peer: Peer, body: bytes) -> None:
        peer.close_connection = False
        ports.add(peer.client_address[1])
        good(peer, body)

    ports: set[int] = set()
    with serving(stay) as (url, _), kit.target(url=url) as target:
        assert {target.send(DATA).verdict for _ in range(3)} == {Verdict.DELIVERED}
    assert len(ports) == 1


def half(peer: Peer, body: bytes) -> None:
    peer.wfile.write(HEAD + b"Content-Length: %d\r\n\r\n%b" % (len(GOOD), GOOD[:100]))
    peer.wfile.flush()


def half_and_reset(peer: Peer, body: bytes) -> None:
    half(peer, body)
    peer.reset()


def reset_at_once(peer: Peer, body: bytes) -> None:
    peer.reset()


def close_without_a_word(peer: Peer, body: bytes) -> None:
    pass


def no_http(peer: Peer, body: bytes) -> None:
    peer.wfile.write(b"\x0bMSH|^~\\&|\x1c\r")


def false_gzip(peer: Peer, body: bytes) -> None:
    peer.wfile.write(HEAD + b"Content-Encoding: gzip\r\nContent-Length: %d\r\n\r\n%b" % (len(GOOD), GOOD))


def cut_off_json(peer: Peer, body: bytes) -> None:
    peer.wfile.write(HEAD + b"\r\n" + GOOD[:-20])


@pytest.mark.parametrize(
    ("answer", "code"),
    [
        (half, "connection"), (half_and_reset, "connection"), (reset_at_once, "connection"),
        (close_without_a_word, "connection"), (no_http, "connection"), (false_gzip, "unreadable"),
        (cut_off_json, "unreadable"),
    ],
)  # fmt: skip
def test_half_answers_are_no_answers(answer: Answer, code: str) -> None:
    with serving(answer) as (url, seen):
        receipt = send(url)
    assert (receipt.verdict, receipt.code, receipt.reached, receipt.answered) == (Verdict.LATER, code, True, False)
    assert seen == [DATA, DATA]


def test_a_lost_answer_and_then_a_whole_one() -> None:
    with serving(lambda peer, body: good(peer, body) if len(seen) > 1 else half_and_reset(peer, body)) as (url, seen):
        assert send(url).verdict is Verdict.DELIVERED
    assert seen == [DATA, DATA]


def test_nobody_listens() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        receipt = send(f"http://127.0.0.1:{taken.getsockname()[1]}/fhir")
    assert (receipt.verdict, receipt.code, receipt.reached) == (Verdict.LATER, "connection", False)


def never(peer: Peer, body: bytes) -> None:
    time.sleep(1.5)


def drop_by_drop(peer: Peer, body: bytes) -> None:
    peer.wfile.write(HEAD + b"Content-Length: 1000\r\n\r\n")
    for _ in range(40):
        peer.wfile.write(b" ")
        peer.wfile.flush()
        time.sleep(0.05)


@pytest.mark.parametrize("answer", [never, drop_by_drop])
def test_slow_peers(answer: Answer) -> None:
    with serving(answer) as (url, _):
        started = time.monotonic()
        receipt = send(url, timeout=0.3, attempts=1)
    assert (receipt.verdict, receipt.code) == (Verdict.LATER, "timeout")
    assert time.monotonic() - started < 1.4 if answer is drop_by_drop else True


def test_an_answer_that_swells_when_unpacked() -> None:
    packed = gzip.compress(bytes(100 * 2**20), 6)

    def swell(peer: Peer, body: bytes) -> None:
        peer.wfile.write(HEAD + b"Content-Encoding: gzip\r\nContent-Length: %d\r\n\r\n%b" % (len(packed), packed))

    with serving(swell) as (url, _):
        receipt = send(url)
    assert (receipt.verdict, receipt.code) == (Verdict.PARKED, "too-long")


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA()


@pytest.fixture
def ca_file(authority: trustme.CA, tmp_path: Path) -> str:
    authority.cert_pem.write_to_path(str(tmp_path / "ca.pem"))
    return str(tmp_path / "ca.pem")


def server_context(authority: trustme.CA, host: str = "localhost") -> ssl.SSLContext:
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    authority.issue_cert(host).configure_cert(context)
    return context


def test_tls(authority: trustme.CA, ca_file: str) -> None:
    with serving(good, server_context(authority)) as (url, seen):
        assert send(url, tls={"ca_file": ca_file}).verdict is Verdict.DELIVERED
    assert seen == [DATA]


@pytest.mark.parametrize("fault", ["unknown authority", "other host"])
def test_a_server_that_is_not_who_it_should_be(fault: str, authority: trustme.CA, ca_file: str) -> None:
    context = server_context(authority, "other.example" if fault == "other host" else "localhost")
    with serving(good, context) as (url, seen):
        receipt = send(url, tls={"ca_file": ca_file} if fault == "other host" else {})
    assert (receipt.verdict, receipt.code) == (Verdict.LATER, "tls")
    assert "certificate is not accepted" in receipt.message
    assert (receipt.reached, receipt.answered) == (False, False)
    assert seen == []


def test_old_tls_is_not_spoken(authority: trustme.CA, ca_file: str) -> None:
    context = server_context(authority)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        context.maximum_version = ssl.TLSVersion.TLSv1_1
        context.minimum_version = ssl.TLSVersion.TLSv1
    with serving(good, context) as (url, seen):
        receipt = send(url, tls={"ca_file": ca_file})
    assert receipt.verdict is Verdict.LATER
    assert seen == []


@pytest.fixture
def ours(authority: trustme.CA, tmp_path: Path) -> dict[str, str]:
    """Our certificate and key, apart, together, and with a passphrase."""
    cert = authority.issue_cert("gateway.hillside.example")
    cert.cert_chain_pems[0].write_to_path(str(tmp_path / "cert.pem"))
    cert.private_key_pem.write_to_path(str(tmp_path / "key.pem"))
    cert.private_key_and_cert_chain_pem.write_to_path(str(tmp_path / "both.pem"))
    key = serialization.load_pem_private_key(cert.private_key_pem.bytes(), None)
    locked = key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.BestAvailableEncryption(b"open sesame"),
    )
    (tmp_path / "locked.pem").write_bytes(locked)
    return {name: str(tmp_path / f"{name}.pem") for name in ("cert", "key", "both", "locked")}


@pytest.mark.parametrize("kept", ["apart", "together", "locked", "not at all"])
def test_mutual_tls(
    kept: str, authority: trustme.CA, ca_file: str, ours: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("KEY_PASSPHRASE", "open sesame")
    tls = {
        "apart": {"cert_file": ours["cert"], "key_file": ours["key"]},
        "together": {"cert_file": ours["both"]},
        "locked": {"cert_file": ours["cert"], "key_file": ours["locked"], "passphrase_env": "KEY_PASSPHRASE"},
        "not at all": {},
    }[kept]
    context = server_context(authority)
    context.verify_mode = ssl.CERT_REQUIRED
    authority.configure_trust(context)
    with serving(good, context) as (url, seen):
        receipt = send(url, tls={"ca_file": ca_file} | tls)
    if kept == "not at all":
        assert receipt.verdict is Verdict.LATER
        assert receipt.code in ("tls", "connection")
        assert seen == []
    else:
        assert receipt.verdict is Verdict.DELIVERED


@pytest.mark.parametrize(
    "tls",
    [
        {"ca_file": "missing.pem"},
        {"ca_file": "/dev/null"},
        {"cert_file": "missing.pem"},
        {"cert_file": "cert"},
        {"cert_file": "cert", "key_file": "other"},
        {"cert_file": "cert", "key_file": "locked"},
        {"cert_file": "cert", "key_file": "locked", "passphrase_env": "WRONG"},
        {"cert_file": "cert", "key_file": "locked", "passphrase_env": "NOT_SET"},
    ],
)
def test_unfit_certificates(
    tls: dict[str, str], authority: trustme.CA, ours: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WRONG", "close sesame")
    authority.issue_cert("x").private_key_pem.write_to_path(str(tmp_path / "other.pem"))
    files = ours | {"other": str(tmp_path / "other.pem")}
    settings = {name: files.get(value, value) for name, value in tls.items()}
    with kit.target(tls=settings) as target:
        (told,) = target.check()
        receipt = target.send(DATA)
    assert "tls." in told
    assert "sesame" not in told
    assert (receipt.verdict, receipt.code, receipt.reached) == (Verdict.LATER, "settings", False)
    assert told in receipt.message
