"""One request and its answer over HTTP: limits of time and size, and what a missing answer means."""

from __future__ import annotations

import email.utils
import ipaddress
import json
import ssl
import time
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cached_property
from typing import TYPE_CHECKING, Annotated, Any, NamedTuple
from urllib.parse import urlsplit

from pydantic import AfterValidator

from gateway.delivery.answers import status as meaning_of
from gateway.delivery.settings import Tls
from gateway.version import VERSION

if TYPE_CHECKING:
    import httpx

_LARGEST_ANSWER = 32 * 1024 * 1024
_DEEPEST_CAUSE = 10


def _address(value: str) -> str:
    try:
        parts = urlsplit(value)
        good = parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
    except ValueError:
        good = False
    if not good or not value.isascii() or not value.isprintable() or " " in value:
        raise ValueError("this is not an address that begins with https:// and names a host")
    if parts.username is not None or parts.password is not None:
        raise ValueError("an address must not hold a user name or password; name them under auth")
    if parts.query or parts.fragment or "?" in value or "#" in value:
        raise ValueError("an address must not hold a query or a fragment")
    return value


Address = Annotated[str, AfterValidator(_address)]
"""An http or https URL without credentials, query and fragment."""


def in_the_clear(url: str) -> bool:
    """Whether what goes there can be read on the way: plain http, and not to this machine itself."""
    parts = urlsplit(url)
    if parts.scheme != "http":
        return False
    host = parts.hostname or ""
    try:
        return not ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host != "localhost"


class WireError(Exception):
    """A request without an answer that can be used.

    Args:
        code: status, or a word for its absence.
        message: what happened, without identifiers and secrets.

    Attributes:
        reached: what was sent may have got to an application.
    """

    def __init__(self, code: str, message: str, *, reached: bool = True) -> None:
        super().__init__(code)
        self.code = code
        self.message = message
        self.reached = reached


class PassingError(WireError):
    """A passing fault: the same request can succeed later.

    Args:
        code: as for `WireError`.
        message: as for `WireError`.
        answer: what it answered, if it did.
        reached: as for `WireError`.
    """

    def __init__(self, code: str, message: str, answer: Answer | None = None, *, reached: bool = True) -> None:
        super().__init__(code, message, reached=reached)
        self.answer = answer
        self.wait = answer.wait if answer is not None else None


class RefusedError(WireError):
    """A fault that trying again does not mend: it lies with the credentials, or the server's way of answering."""


class Answer(NamedTuple):
    """An answer, read whole.

    Attributes:
        status: HTTP status.
        body: what came with it.
        wait: seconds to wait according to Retry-After; None without one.
    """

    status: int
    body: bytes
    wait: float | None

    def json(self) -> Any:
        """The body as JSON.

        Raises:
            ValueError: it is none.
        """
        try:
            return json.loads(self.body)
        except RecursionError as error:
            raise ValueError("nested too deep") from error


class Wire:
    """Connections to one server.

    Args:
        tls: whom to trust, and who we are.
        timeout: seconds for connecting, for each pause in sending or receiving, and for the whole of an answer's body.
    """

    def __init__(self, tls: Tls, timeout: float) -> None:
        self._tls = tls
        self._timeout = timeout

    @cached_property
    def _client(self) -> httpx.Client:
        import httpx

        # What the settings do not say is not done: no proxy from the environment, no other address than the given.
        return httpx.Client(
            verify=self._tls.context(),
            timeout=self._timeout,
            follow_redirects=False,
            trust_env=False,
            headers={"Accept-Encoding": "identity", "User-Agent": f"spotcheck-gateway/{VERSION}"},
        )

    def close(self) -> None:
        """Close the connections."""
        if "_client" in self.__dict__:
            self._client.close()

    def post(self, url: str, content: bytes, headers: Mapping[str, str]) -> Answer:
        """Send, and read the answer whole.

        Raises:
            PassingError: no answer, or one that says to come again.
            RefusedError: an answer that is too long to be read.
            SettingsError: TLS cannot be set up as the settings say.
        """
        import httpx

        try:
            with self._client.stream("POST", url, content=content, headers=headers) as response:
                status = response.status_code
                wait = _wait(response.headers.get("Retry-After", ""))
                body = self._body(response)
        except httpx.TimeoutException as error:
            reached = not isinstance(error, httpx.ConnectTimeout | httpx.PoolTimeout)
            text = f"no whole answer within {self._timeout:g} s" if reached else "no connection in time"
            raise PassingError("timeout", text, reached=reached) from None
        except httpx.TransportError as error:
            raise _lost(error, reached=not isinstance(error, httpx.ConnectError)) from None
        except httpx.DecodingError:
            raise PassingError("unreadable", "the answer could not be decoded") from None
        meaning = meaning_of(status)
        if meaning.soon:
            raise PassingError(str(status), meaning.words, Answer(status, body, wait))
        return Answer(status, body, wait)

    def _body(self, response: httpx.Response) -> bytes:
        until = time.monotonic() + self._timeout
        body = bytearray()
        for chunk in response.iter_bytes():
            body += chunk
            if len(body) > _LARGEST_ANSWER:
                raise RefusedError(
                    "too-long", f"the answer is longer than {_LARGEST_ANSWER // 2**20} MiB and was not read"
                )
            if time.monotonic() > until:
                raise PassingError("timeout", f"no whole answer within {self._timeout:g} s")
        return bytes(body)


def _wait(text: str) -> float | None:
    """Seconds that a Retry-After header asks for: a number of seconds or a date (RFC 9110 section 10.2.3)."""
    text = text.strip()
    if text.isascii() and text.isdigit():
        return float(text[:9])
    try:
        at = email.utils.parsedate_to_datetime(text)
    except (TypeError, ValueError, OverflowError):
        return None
    if at.tzinfo is None:
        at = at.replace(tzinfo=UTC)
    return max(0.0, (at - datetime.now(UTC)).total_seconds())


def _lost(error: BaseException, *, reached: bool) -> PassingError:
    """A connection that failed, in words of our own: what libraries say may quote the other side."""
    cause: BaseException | None = error
    # Chains of exceptions that are raised again can be circles.
    for _ in range(_DEEPEST_CAUSE):
        if cause is None:
            break
        if isinstance(cause, ssl.SSLCertVerificationError):
            text = f"the server's certificate is not accepted: {cause.verify_message}"
            return PassingError("tls", text, reached=reached)
        if isinstance(cause, ssl.SSLError):
            text = f"no TLS connection: {(cause.reason or 'closed').replace('_', ' ').lower()}"
            return PassingError("tls", text, reached=reached)
        cause = cause.__cause__ or cause.__context__
    text = "the connection was lost before the answer was whole" if reached else "no connection to the server"
    return PassingError("connection", text, reached=reached)
