"""Who asks, and what they may do."""

from __future__ import annotations

import hashlib
import secrets
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from threading import Lock
from typing import Annotated
from urllib.parse import urlsplit

from fastapi import Depends, Request
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer

from gateway.service.problems import Refused
from gateway.service.settings import ROLES, Role, Settings, new_token, right

COOKIE = "gateway-session"
SESSION_SECONDS = 8 * 3600
_SESSIONS = 1000
_KNOWN = 256
_HERE = frozenset({"localhost", "127.0.0.1", "::1"})
_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})


@dataclass(frozen=True, slots=True)
class Principal:
    """Somebody who asks.

    Attributes:
        name: name of the token, "" for somebody at this machine where there are no tokens.
        roles: what they may do.
    """

    name: str
    roles: frozenset[Role]


class Access:
    """Knows the tokens and the sessions of browsers; both in memory only.

    Args:
        settings: with the hashes of the tokens.
    """

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._tokens = {token.name: token for token in settings.tokens}
        self._nobody = new_token("nobody")[1] if settings.tokens else ""
        self._known: OrderedDict[bytes, Principal] = OrderedDict()
        self._sessions: OrderedDict[str, tuple[Principal, float]] = OrderedDict()
        self._lock = Lock()

    @property
    def asks(self) -> bool:
        """Whether a token is needed at all."""
        return bool(self._tokens)

    def by_token(self, token: str) -> Principal | None:
        """Whose token it is; takes the same time for a wrong name as for a wrong secret."""
        digest = hashlib.sha256(token.encode("utf-8", "replace")).digest()
        with self._lock:
            if digest in self._known:
                return self._known[digest]
        name, _, secret = token.partition(".")
        found = self._tokens.get(name)
        if not right(secret, found.hash if found else self._nobody) or found is None:
            return None
        principal = Principal(found.name, frozenset(found.roles))
        with self._lock:
            self._known[digest] = principal
            if len(self._known) > _KNOWN:
                self._known.popitem(last=False)
        return principal

    def begin(self, principal: Principal) -> str:
        """Begin a session of a browser; the random text for its cookie."""
        session = secrets.token_urlsafe(32)
        with self._lock:
            self._sessions[session] = (principal, time.monotonic() + SESSION_SECONDS)
            if len(self._sessions) > _SESSIONS:
                self._sessions.popitem(last=False)
        return session

    def by_session(self, session: str) -> Principal | None:
        """Whose session it is."""
        with self._lock:
            principal, until = self._sessions.get(session, (None, 0.0))
            if principal is not None and until < time.monotonic():
                del self._sessions[session]
                return None
            return principal

    def end(self, session: str) -> None:
        """End a session."""
        with self._lock:
            self._sessions.pop(session, None)


LOCAL = Principal("", frozenset(ROLES))
_bearer = HTTPBearer(auto_error=False, description="A token made by `gateway serve --new-token NAME`.")


def principal_of(
    request: Request, bearer: Annotated[HTTPAuthorizationCredentials | None, Depends(_bearer)]
) -> Principal | None:
    """Who asks; None where it cannot be told."""
    access: Access = request.app.state.access
    if not access.asks:
        return LOCAL
    if bearer is not None:
        return access.by_token(bearer.credentials)
    if "authorization" in request.headers:
        return None
    session = request.cookies.get(COOKIE)
    return access.by_session(session) if session else None


def needs(role: Role) -> Callable[..., Principal]:
    """A dependency that lets those pass who have a role."""

    def check(principal: Annotated[Principal | None, Depends(principal_of)]) -> Principal:
        if principal is None:
            raise Refused(
                401,
                "a token is needed",
                "Send it as Authorization: Bearer TOKEN",
                headers={"WWW-Authenticate": "Bearer"},
            )
        if role not in principal.roles:
            raise Refused(403, f"this needs the role {role}", "Ask whoever runs the service")
        return principal

    return check


Reader = Annotated[Principal, Depends(needs("read"))]
Submitter = Annotated[Principal, Depends(needs("submit"))]
Settler = Annotated[Principal, Depends(needs("settle"))]


def stranger(request: Request, settings: Settings) -> str:
    """Why a request does not come from where it should: "" when it does.

    A page from elsewhere can make a browser on this machine send requests here. Such requests carry the name of that
    page as their origin, or another name of this machine as their host.
    """
    host = request.headers.get("host", "")
    name = (urlsplit(f"//{host}").hostname or "") if host.count("@") == 0 else ""
    if settings.hosts:
        if name not in settings.hosts and name not in _HERE:
            return "the service is not reached under this name"
    elif not settings.tokens and name not in _HERE:
        return "without tokens the service is reached as localhost only"
    if request.method in _SAFE:
        return ""
    if request.headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        return "the request comes from a page of another site"
    origin = request.headers.get("origin")
    if origin is not None and urlsplit(origin).netloc != host:
        return "the request comes from a page of another site"
    return ""
