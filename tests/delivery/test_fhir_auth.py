"""Credentials: passwords, tokens, and tokens asked for with a secret or a signed assertion.

Assertions are read with the `cryptography` library alone, by the rules of RFC 7515 (signing input, base64url), RFC 7518
section 3.4 (an ECDSA signature is R and S side by side), RFC 7523 and SMART App Launch 2.2, "Client Authentication:
Asymmetric" (claims, at most five minutes, `jti` never repeated).
"""

from __future__ import annotations

import base64
import json
import logging
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

import httpx
import pytest
import respx
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, padding, rsa
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature

from gateway.delivery.base import Receipt, Verdict
from tests.delivery import delivery_kit as kit
from tests.delivery.delivery_kit import URL

pytestmark = pytest.mark.usefixtures("pauses")

TOKEN_URL = "https://login.hillside.example/token"
SECRET = "pa55:w0rd/+ü"
ID = "gate way:1"
SCOPE = "system/*.cruds"

Key = rsa.RSAPrivateKey | ec.EllipticCurvePrivateKey


@pytest.fixture(autouse=True)
def secret(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FHIR_SECRET", SECRET)


@pytest.fixture(scope="module")
def rsa_key() -> rsa.RSAPrivateKey:
    return rsa.generate_private_key(65537, 2048)


@pytest.fixture(scope="module")
def ec_key() -> ec.EllipticCurvePrivateKey:
    return ec.generate_private_key(ec.SECP384R1())


def pem(key: Key, folder: Path, password: bytes = b"") -> str:
    lock = serialization.BestAvailableEncryption(password) if password else serialization.NoEncryption()
    path = folder / "key.pem"
    path.write_bytes(key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, lock))
    return str(path)


def with_secret(**more: Any) -> kit.Record:
    return {"method": "client_credentials", "client_id": ID, "token_url": TOKEN_URL, "scope": SCOPE,
            "secret_env": "FHIR_SECRET"} | more  # fmt: skip


def with_key(file: str, **more: Any) -> kit.Record:
    return {"method": "backend_services", "client_id": ID, "token_url": TOKEN_URL, "scope": SCOPE,
            "key_file": file, "key_id": "k1"} | more  # fmt: skip


def tokens(*, seconds: float | str | None = 300) -> Iterator[httpx.Response]:
    number = 0
    while True:
        number += 1
        said = {"access_token": f"token-{number}", "token_type": "Bearer"}
        yield httpx.Response(200, json=said | ({} if seconds is None else {"expires_in": seconds}))


Answer = httpx.Response | Iterator[httpx.Response] | Callable[[httpx.Request], httpx.Response]


def deliver(
    auth: kit.Record, token: Answer, server: Answer = kit.accepted, *, times: int = 1, **settings: Any
) -> tuple[list[Receipt], list[httpx.Request], list[httpx.Request]]:
    """Receipts, requests for tokens, and requests to the server."""
    with respx.mock(assert_all_called=False) as mock, kit.target(auth=auth, attempts=2, **settings) as target:
        routes = [mock.post(TOKEN_URL), mock.post(URL)]
        for route, answer in zip(routes, (token, server), strict=True):
            if isinstance(answer, httpx.Response):
                route.return_value = answer
            else:
                route.side_effect = answer
        receipts = [target.send(kit.bundle()) for _ in range(times)]
        assert SECRET not in repr(target) + repr(receipts)
        asked, sent = ([call.request for call in route.calls] for route in routes)
        return receipts, asked, sent


def form(request: httpx.Request) -> dict[str, str]:
    assert request.headers["Content-Type"] == "application/x-www-form-urlencoded"
    return {name: one for name, [one] in parse_qs(request.content.decode(), strict_parsing=True).items()}


def used(sent: list[httpx.Request]) -> list[str]:
    return [request.headers["Authorization"] for request in sent]


def test_basic() -> None:
    auth = {"method": "basic", "username": "gateway", "secret_env": "FHIR_SECRET"}
    (receipt,), asked, sent = deliver(auth, tokens())
    assert receipt.verdict is Verdict.DELIVERED
    assert not asked
    assert base64.b64decode(used(sent)[0].removeprefix("Basic ")).decode() == f"gateway:{SECRET}"


def test_bearer_from_a_file(tmp_path: Path) -> None:
    file = tmp_path / "token"
    file.write_text("abc.def==\n")
    _, asked, sent = deliver({"method": "bearer", "secret_file": str(file)}, tokens())
    assert (asked, used(sent)) == ([], ["Bearer abc.def=="])


def test_secret_in_the_header() -> None:
    _, (asked,), sent = deliver(with_secret(), tokens())
    assert used(sent) == ["Bearer token-1"]
    assert form(asked) == {"grant_type": "client_credentials", "scope": SCOPE}
    # RFC 6749 section 2.3.1: both are form-encoded before they are joined.
    assert base64.b64decode(asked.headers["Authorization"].removeprefix("Basic ")).decode() == (
        "gate+way%3A1:pa55%3Aw0rd%2F%2B%C3%BC"
    )


def test_secret_in_the_form() -> None:
    _, (asked,), _ = deliver(with_secret(secret_in="form", scope=""), tokens())
    assert form(asked) == {"grant_type": "client_credentials", "client_id": ID, "client_secret": SECRET}
    assert "Authorization" not in asked.headers


def part(text: str) -> Any:
    return json.loads(base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)))


def verify(assertion: str, key: Key) -> kit.Record:
    """The claims of an assertion, after its header and signature were found good."""
    head, body, signature = assertion.split(".")
    raw = base64.urlsafe_b64decode(signature + "=" * (-len(signature) % 4))
    message = f"{head}.{body}".encode()
    if isinstance(key, rsa.RSAPrivateKey):
        assert part(head) == {"alg": "RS384", "kid": "k1", "typ": "JWT"}
        key.public_key().verify(raw, message, padding.PKCS1v15(), hashes.SHA384())
    else:
        assert part(head) == {"alg": "ES384", "kid": "k1", "typ": "JWT"}
        assert len(raw) == 96
        r, s = int.from_bytes(raw[:48], "big"), int.from_bytes(raw[48:], "big")
        key.public_key().verify(encode_dss_signature(r, s), message, ec.ECDSA(hashes.SHA384()))
    claims: kit.Record = part(body)
    return claims


@pytest.mark.parametrize("algorithm", ["RS384", "ES384"])
def test_signed_assertions(
    algorithm: str, rsa_key: rsa.RSAPrivateKey, ec_key: ec.EllipticCurvePrivateKey, tmp_path: Path
) -> None:
    key: Key = rsa_key if algorithm == "RS384" else ec_key
    other: Key = (
        rsa.generate_private_key(65537, 2048) if algorithm == "RS384" else ec.generate_private_key(ec.SECP384R1())
    )
    before = int(time.time())
    auth = with_key(pem(key, tmp_path), algorithm=algorithm)
    _, asked, sent = deliver(auth, tokens(seconds=0), times=2)
    assert used(sent) == ["Bearer token-1", "Bearer token-2"]
    seen = set()
    for request in asked:
        said = form(request)
        assertion = said.pop("client_assertion")
        assert said == {
            "grant_type": "client_credentials",
            "scope": SCOPE,
            "client_assertion_type": "urn:ietf:params:oauth:client-assertion-type:jwt-bearer",
        }
        claims = verify(assertion, key)
        with pytest.raises(InvalidSignature):
            verify(assertion, other)
        assert (claims["iss"], claims["sub"], claims["aud"]) == (ID, ID, TOKEN_URL)
        assert before < claims["exp"] <= time.time() + 300
        seen.add(claims["jti"])
        assert "Authorization" not in request.headers
    assert len(seen) == 2


def test_a_key_as_jwk(ec_key: ec.EllipticCurvePrivateKey, tmp_path: Path) -> None:
    numbers = ec_key.private_numbers()

    def coded(number: int) -> str:
        return base64.urlsafe_b64encode(number.to_bytes(48, "big")).decode().rstrip("=")

    public = numbers.public_numbers
    jwk = {"kty": "EC", "crv": "P-384", "x": coded(public.x), "y": coded(public.y), "d": coded(numbers.private_value)}
    (tmp_path / "key.json").write_text(json.dumps(jwk))
    _, (asked,), _ = deliver(with_key(str(tmp_path / "key.json"), algorithm="ES384"), tokens())
    assert verify(form(asked)["client_assertion"], ec_key)["iss"] == ID


def test_a_token_is_used_until_it_ends() -> None:
    _, asked, sent = deliver(with_secret(), tokens(), times=3)
    assert (len(asked), used(sent)) == (1, ["Bearer token-1"] * 3)


@pytest.mark.parametrize(
    ("seconds", "passed", "asked"),
    [(300, 269, 1), (300, 271, 2), (20, 9, 1), (20, 11, 2), ("300", 271, 2), (None, 9e9, 1)],
)
def test_a_token_is_renewed_before_it_ends(
    seconds: float | str | None, passed: float, asked: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = time.monotonic()
    with respx.mock, kit.target(auth=with_secret()) as target:
        route = respx.post(TOKEN_URL)
        route.side_effect = tokens(seconds=seconds)
        respx.post(URL).side_effect = kit.accepted
        monkeypatch.setattr("gateway.delivery.auth.time.monotonic", lambda: now)
        target.send(kit.bundle())
        monkeypatch.setattr("gateway.delivery.auth.time.monotonic", lambda: now + passed)
        target.send(kit.bundle())
        assert route.call_count == asked


def test_a_token_that_is_not_taken_is_renewed_once() -> None:
    def server(request: httpx.Request) -> httpx.Response:
        if request.headers["Authorization"] == "Bearer token-1":
            return httpx.Response(401)
        return kit.accepted(request)

    (receipt,), asked, sent = deliver(with_secret(), tokens(), server)
    assert receipt.verdict is Verdict.DELIVERED
    assert (len(asked), used(sent)) == (2, ["Bearer token-1", "Bearer token-2"])


def test_tokens_that_are_never_taken() -> None:
    (receipt,), asked, sent = deliver(with_secret(), tokens(), httpx.Response(401))
    assert (receipt.verdict, receipt.code, receipt.answered) == (Verdict.LATER, "401", False)
    assert (len(asked), len(sent)) == (2, 2)


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        (httpx.Response(400, json={"error": "invalid_scope", "error_description": SECRET}), "400: invalid_scope"),
        (httpx.Response(401, json={"error": SECRET}), "answered 401"),
        (httpx.Response(403, text="<html>"), "answered 403"),
        (httpx.Response(200, text=""), "holds no token"),
        (httpx.Response(200, json=[]), "holds no token"),
        (httpx.Response(200, json={"access_token": "a\r\nX-Header: b", "token_type": "bearer"}), "holds no token"),
        (httpx.Response(200, json={"access_token": 5, "token_type": "bearer"}), "holds no token"),
        (httpx.Response(200, json={"access_token": "a", "token_type": "mac"}), "not known"),
        (httpx.Response(200, json={"access_token": "a"}), "not known"),
        (httpx.Response(302, headers={"Location": URL}), "another address"),
    ],
)  # fmt: skip
def test_a_token_server_that_refuses(answer: httpx.Response, said: str) -> None:
    (receipt,), asked, sent = deliver(with_secret(), answer)
    # A password that is wrong tonight must not park the night's records, bundle after bundle.
    assert (receipt.verdict, receipt.code) == (Verdict.LATER, "token")
    assert (receipt.reached, receipt.answered) == (False, False)
    assert said in receipt.message
    assert (len(asked), sent) == (1, [])


def lost(request: httpx.Request) -> httpx.Response:
    raise httpx.ConnectError("gone", request=request)


@pytest.mark.parametrize(
    ("answer", "code"), [(httpx.Response(503), "503"), (httpx.Response(500), "500"), (lost, "connection")]
)
def test_a_token_server_that_does_not_answer(answer: Answer, code: str) -> None:
    # What the site says of the FHIR server's answers says nothing of the token server's.
    (receipt,), asked, sent = deliver(with_secret(), answer, answers={"503": "park"})
    assert (receipt.verdict, receipt.code) == (Verdict.LATER, code)
    assert (receipt.reached, receipt.answered) == (False, False)
    assert "asking for a token failed" in receipt.message
    assert (len(asked), sent) == (2, [])


def test_an_endless_answer_of_the_token_server_parks_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.delivery.wire._LARGEST_ANSWER", 1000)
    (receipt,), _, sent = deliver(with_secret(), httpx.Response(200, content=b" " * 2000))
    assert (receipt.verdict, receipt.code, receipt.reached, sent) == (Verdict.LATER, "too-long", False, [])


def test_the_log_holds_no_secret(caplog: pytest.LogCaptureFixture, rsa_key: rsa.RSAPrivateKey, tmp_path: Path) -> None:
    caplog.set_level(logging.DEBUG)
    file = pem(rsa_key, tmp_path)
    (receipt,), (asked, _), _ = deliver(with_key(file), tokens(), httpx.Response(401))
    deliver(with_secret(), tokens(), httpx.Response(503))
    text = caplog.text + repr(receipt)
    assert caplog.records
    hidden = [SECRET, "token-1", form(asked)["client_assertion"], "PRIVATE KEY"]
    assert not [one for one in hidden if one in text]


@pytest.mark.parametrize(
    "auth",
    [
        {"method": "basic", "username": "a", "secret_env": "NO_SUCH_SECRET"},
        {"method": "basic", "username": "a", "secret_file": "missing"},
        {"method": "bearer", "secret_env": "FHIR_SECRET"},
        {"method": "bearer", "secret_file": "empty"},
        {"method": "bearer", "secret_file": "binary"},
        with_secret(secret_env="NO_SUCH_SECRET"),
        with_key("missing"),
        with_key("empty"),
        with_key("locked.pem"),
        with_key("short.pem"),
        with_key("p384.pem"),
        with_key("public.pem"),
        with_key("p256.pem", algorithm="ES384"),
        with_key("good.pem", algorithm="ES384"),
        with_key("half.json", algorithm="ES384"),
    ],
)
def test_missing_or_unfit_secrets_and_keys(
    auth: kit.Record, tmp_path: Path, rsa_key: rsa.RSAPrivateKey, ec_key: ec.EllipticCurvePrivateKey
) -> None:
    (tmp_path / "empty").write_text("\n")
    (tmp_path / "binary").write_bytes(b"\xff\xfe")
    (tmp_path / "half.json").write_text('{"kty":"EC","crv":"P-384"}')
    made: dict[str, tuple[Key, bytes]] = {
        "locked.pem": (rsa_key, b"secret"),
        "good.pem": (rsa_key, b""),
        "short.pem": (rsa.generate_private_key(65537, 1024), b""),
        "p384.pem": (ec_key, b""),
        "p256.pem": (ec.generate_private_key(ec.SECP256R1()), b""),
    }
    for name, (key, password) in made.items():
        Path(pem(key, tmp_path, password)).rename(tmp_path / name)
    (tmp_path / "public.pem").write_bytes(
        rsa_key.public_key().public_bytes(serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo)
    )
    settings = {name: str(tmp_path / one) if name.endswith("_file") else one for name, one in auth.items()}
    with kit.target(auth=settings) as target:
        (told,) = target.check()
    assert SECRET not in told
    assert "NO_SUCH_SECRET" not in told
    (receipt,), _, sent = deliver(settings, tokens())
    assert (receipt.verdict, receipt.code, sent) == (Verdict.LATER, "settings", [])
    assert (receipt.reached, receipt.answered) == (False, False)


@pytest.mark.parametrize("algorithm", ["RS384", "ES384"])
def test_good_keys_pass_the_check(
    algorithm: str, rsa_key: rsa.RSAPrivateKey, ec_key: ec.EllipticCurvePrivateKey, tmp_path: Path
) -> None:
    file = pem(rsa_key if algorithm == "RS384" else ec_key, tmp_path)
    with kit.target(auth=with_key(file, algorithm=algorithm)) as target:
        assert target.check() == []
