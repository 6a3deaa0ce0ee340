"""Credentials for a FHIR server: a password, a token, or a token asked for with a secret or a signed assertion.

Sources: OAuth 2.0, RFC 6749 (sections 2.3.1, 4.4, 5.1, 5.2); bearer tokens, RFC 6750; assertions, RFC 7523; SMART App
Launch 2.2 "Backend Services" and "Client Authentication: Asymmetric",
https://hl7.org/fhir/smart-app-launch/client-confidential-asymmetric.html.
"""

from __future__ import annotations

import base64
import json
import re
import secrets
import time
import warnings
from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, Literal, NamedTuple
from urllib.parse import quote_plus, urlencode

from pydantic import Field, StringConstraints

from gateway.delivery.settings import FilePath, SettingsError, Table, WithSecret, read_file
from gateway.delivery.wire import Address, Answer, RefusedError, WireError

if TYPE_CHECKING:
    from joserfc.jwk import ECKey, RSAKey

Text = Annotated[str, StringConstraints(min_length=1, pattern=r"^[^\x00-\x1f\x7f]+$")]

_TOKEN = re.compile(r"[A-Za-z0-9\-._~+/]+=*")
"""A bearer token (RFC 6750 section 2.1)."""

_ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
_ASSERTION_SECONDS = 240  # at most five minutes (SMART)
_REASONS = frozenset(
    {"invalid_request", "invalid_client", "invalid_grant", "unauthorized_client", "unsupported_grant_type",
     "invalid_scope"}
)  # fmt: skip
_MARGIN = 30.0  # seconds before its end in which a token is no longer used; common practice, no source


class NoAuth(Table):
    """No credentials, or those of mutual TLS."""

    method: Literal["none"] = "none"


class Basic(WithSecret):
    """User name and password."""

    method: Literal["basic"]
    username: Annotated[Text, StringConstraints(pattern=r"^[^:]*$")]


class Bearer(WithSecret):
    """A token that somebody else keeps up to date."""

    method: Literal["bearer"]


class ClientCredentials(WithSecret):
    """OAuth 2 client credentials with a secret."""

    method: Literal["client_credentials"]
    client_id: Text
    token_url: Address
    scope: str = ""
    secret_in: Literal["header", "form"] = Field(
        default="header", description="whether the token server takes the secret in a Basic header or in the form"
    )


class BackendServices(Table):
    """SMART backend services: OAuth 2 client credentials with an assertion signed by our key."""

    method: Literal["backend_services"]
    client_id: Text
    token_url: Address
    scope: Text
    key_file: FilePath = Field(description="our private key, PEM or JWK, without a passphrase")
    key_id: Text = Field(description="kid under which the server knows the public key")
    algorithm: Literal["RS384", "ES384"] = "RS384"


Auth = Annotated[
    NoAuth | Basic | Bearer | ClientCredentials | BackendServices,
    Field(discriminator="method"),
]


class _Token(NamedTuple):
    text: str
    until: float


class Credentials:
    """Makes the Authorization header for requests, and keeps a token for as long as it is good.

    Args:
        auth: the settings.
        post: sends a form (URL, body, headers) and gives the answer.
    """

    def __init__(self, auth: Auth, post: Callable[[str, bytes, dict[str, str]], Answer]) -> None:
        self._auth = auth
        self._post = post
        self._token: _Token | None = None

    def headers(self) -> dict[str, str]:
        """The headers to add to a request; asks for a token when there is none.

        Raises:
            PassingError: the token server gives no answer now.
            RefusedError: it refuses.
            SettingsError: a secret or key is missing.
        """
        auth = self._auth
        if isinstance(auth, NoAuth):
            return {}
        if isinstance(auth, Basic):
            return {"Authorization": _basic(auth.username, auth.secret())}
        if isinstance(auth, Bearer):
            return {"Authorization": f"Bearer {_checked(auth.secret())}"}
        if self._token is None or time.monotonic() >= self._token.until:
            self._token = self._ask(auth)
        return {"Authorization": f"Bearer {self._token.text}"}

    def renew(self) -> bool:
        """Forget a token that the server did not take; False when there is none to forget."""
        had, self._token = self._token, None
        return had is not None

    def check(self) -> list[str]:
        """What is wrong with secrets and keys, without their content."""
        auth = self._auth
        try:
            if isinstance(auth, BackendServices):
                _key(auth)
            elif isinstance(auth, Bearer):
                _checked(auth.secret())
            elif not isinstance(auth, NoAuth):
                auth.secret()
        except SettingsError as fault:
            return [f"auth: {fault.message}"]
        return []

    def _ask(self, auth: ClientCredentials | BackendServices) -> _Token:
        form = {"grant_type": "client_credentials"}
        if auth.scope:
            form["scope"] = auth.scope
        headers = {"Accept": "application/json", "Content-Type": "application/x-www-form-urlencoded"}
        if isinstance(auth, BackendServices):
            form |= {"client_assertion_type": _ASSERTION_TYPE, "client_assertion": _assertion(auth)}
        elif auth.secret_in == "form":
            form |= {"client_id": auth.client_id, "client_secret": auth.secret()}
        else:
            headers["Authorization"] = _basic(quote_plus(auth.client_id), quote_plus(auth.secret()))
        asked = time.monotonic()
        try:
            answer = self._post(auth.token_url, urlencode(form).encode(), headers)
        except WireError as fault:
            # What failed is another server than the records are for, and they were not sent.
            fault.message, fault.reached = f"asking for a token failed: {fault.message}", False
            raise
        try:
            content = answer.json()
        except ValueError:
            content = None
        said = content if isinstance(content, dict) else {}
        if answer.status != 200:
            reason = said.get("error")
            known = f": {reason}" if isinstance(reason, str) and reason in _REASONS else ""
            if 300 <= answer.status < 400:
                known = ", which sends us to another address; give the final address as token_url"
            raise _refused(f"the token server answered {answer.status}{known}")
        text, kind, seconds = said.get("access_token"), said.get("token_type"), said.get("expires_in")
        if not (isinstance(text, str) and _TOKEN.fullmatch(text)):
            raise _refused("the token server's answer holds no token")
        if not (isinstance(kind, str) and kind.lower() == "bearer"):
            raise _refused("the token server gave a token of a kind that is not known here")
        if isinstance(seconds, str) and seconds.isascii() and seconds.isdigit():
            seconds = int(seconds[:9])
        if isinstance(seconds, bool) or not isinstance(seconds, (int, float)):
            return _Token(text, float("inf"))
        return _Token(text, asked + seconds - min(_MARGIN, seconds / 2))


def _refused(text: str) -> RefusedError:
    return RefusedError("token", text, reached=False)


def _basic(user: str, password: str) -> str:
    return "Basic " + base64.b64encode(f"{user}:{password}".encode()).decode()


def _checked(token: str) -> str:
    if not _TOKEN.fullmatch(token):
        raise SettingsError("the secret is not a bearer token: it holds characters that no token has")
    return token


def _key(auth: BackendServices) -> RSAKey | ECKey:
    """The private key, as its algorithm needs it: RSA of 2048 bits or more, or the curve P-384."""
    from joserfc.errors import JoseError
    from joserfc.jwk import ECKey, RSAKey

    text = read_file(auth.key_file, "auth.key_file")
    kind: type[RSAKey] | type[ECKey] = RSAKey if auth.algorithm == "RS384" else ECKey
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of a short key, which is refused below
            key = kind.import_key(json.loads(text) if text.lstrip().startswith("{") else text)
        good = key.is_private and _suits(key)
    except (JoseError, ValueError, TypeError, KeyError, AttributeError):
        good = False
    if not good:
        needed = "an RSA key of 2048 bits or more" if kind is RSAKey else "a key on the curve P-384"
        raise SettingsError(
            f"the file named by auth.key_file holds no private key for {auth.algorithm}, which needs {needed} "
            "without a passphrase"
        )
    return key


def _suits(key: RSAKey | ECKey) -> bool:
    from joserfc.jwk import ECKey

    if isinstance(key, ECKey):
        return key.curve_name == "P-384"
    return key.private_key is not None and key.private_key.key_size >= 2048


def _assertion(auth: BackendServices) -> str:
    """A new assertion; its `jti` is never used twice."""
    from joserfc import jwt

    now = int(time.time())
    claims = {
        "iss": auth.client_id,
        "sub": auth.client_id,
        "aud": auth.token_url,
        "iat": now,
        "exp": now + _ASSERTION_SECONDS,
        "jti": secrets.token_urlsafe(24),
    }
    header = {"alg": auth.algorithm, "kid": auth.key_id, "typ": "JWT"}
    return jwt.encode(header, claims, _key(auth), algorithms=[auth.algorithm])
