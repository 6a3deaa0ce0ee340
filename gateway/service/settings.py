"""What the service is told, from a TOML file or the environment."""

from __future__ import annotations

import base64
import hashlib
import hmac
import ipaddress
import json
import os
import secrets
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from gateway.errors import UsageError
from gateway.mapping.explain import in_words

Role: TypeAlias = Literal["read", "submit", "settle"]
ROLES: tuple[Role, ...] = ("read", "submit", "settle")
PREFIX = "GATEWAY_SERVICE_"
MIB = 1 << 20

# scrypt parameters for random secrets of 256 bits: RFC 7914, section 2, names N, r and p. About 16 MiB and tens of
# milliseconds; common practice, no source.
_N, _R, _P = 1 << 14, 8, 1
_HASH = r"^scrypt\$\d+\$\d+\$\d+\$[A-Za-z0-9+/=]+\$[A-Za-z0-9+/=]+$"


class Token(BaseModel):
    """One who may use the service.

    Attributes:
        name: who or what it is for; it stands in sign-offs and in the audit trail.
        hash: what `gateway serve --new-token` printed; the token itself is kept nowhere.
        roles: "read" to look, "submit" to convert and to save mappings, "settle" to decide about holds.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,39}$")]
    hash: Annotated[str, Field(pattern=_HASH, repr=False)]
    roles: Annotated[tuple[Role, ...], Field(min_length=1)]


class Settings(BaseModel):
    """Everything the service is told.

    Attributes:
        host: address to listen on; without tokens only a loopback address.
        port: TCP port.
        hosts: names under which the service is reached, compared with the Host header; empty for any. Without tokens
            only names of this machine are taken.
        tokens: who may use it; empty: whoever is on this machine may do everything.
        folder: where uploads and results are kept; a private temporary folder when empty.
        mappings: folder of this site's mappings, offered by name and written by the bench; none when empty.
        ledger: ledger for holds, batches and conversions with `remember`; none when empty.
        largest_mib: largest request, in MiB.
        upload_seconds: longest time a request may take to arrive.
        job_seconds: longest time a conversion may take.
        look_seconds: longest time the bench may take to look at a sample.
        wait_seconds: how long a request waits for its conversion before it is told to ask again.
        keep_hours: how long results are kept.
        workers: conversions at the same time.
        waiting: conversions that may wait; more are refused.
        rate: requests a client may make in a minute; as many may come at once.
        bench_entries: sets of a sample that the bench shows.
        secure_cookies: let browsers send the session only over HTTPS; set it behind a proxy that speaks HTTPS.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 8040
    hosts: tuple[str, ...] = ()
    tokens: tuple[Token, ...] = ()
    folder: Path | None = None
    mappings: Path | None = None
    ledger: str | None = None
    largest_mib: Annotated[int, Field(ge=1)] = 256
    upload_seconds: Annotated[float, Field(gt=0)] = 300
    job_seconds: Annotated[float, Field(gt=0)] = 1800
    look_seconds: Annotated[float, Field(gt=0)] = 30
    wait_seconds: Annotated[float, Field(ge=0)] = 15
    keep_hours: Annotated[float, Field(gt=0)] = 24
    workers: Annotated[int, Field(ge=1, le=64)] = 2
    waiting: Annotated[int, Field(ge=1, le=1000)] = 20
    rate: Annotated[int, Field(ge=1)] = 600
    bench_entries: Annotated[int, Field(ge=1, le=200)] = 20
    secure_cookies: bool = False

    @model_validator(mode="after")
    def _safe(self) -> Settings:
        if not self.tokens and not loopback(self.host):
            raise ValueError("without tokens the service listens on this machine only")
        names = [token.name for token in self.tokens]
        if len(set(names)) != len(names):
            raise ValueError("two tokens have the same name")
        return self


def loopback(host: str) -> bool:
    """Whether an address can be reached from this machine only."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def load(path: str | Path | None = None, environment: Mapping[str, str] = os.environ, **given: object) -> Settings:
    """The settings: what was given goes before the environment, and that before the file.

    Args:
        path: a TOML file, or None.
        environment: `GATEWAY_SERVICE_PORT` and the like; lists and tables as JSON.
        given: values from the command line; None stands for not given.

    Raises:
        UsageError: the file cannot be read, or a value is not right.
    """
    raw: dict[str, Any] = {}
    where = "settings"
    if path is not None:
        where = str(path)
        try:
            raw = tomllib.loads(Path(path).read_text(encoding="utf-8"))
        except OSError as error:
            raise UsageError(
                f"the settings cannot be read: {error.strerror}", where=where, todo="Check the path"
            ) from None
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise UsageError(f"this is no TOML: {error}", where=where, todo="Correct the file") from None
    for key, text in environment.items():
        if key.startswith(PREFIX):
            name = key.removeprefix(PREFIX).lower()
            raw[name] = _value(text, key) if name in ("tokens", "hosts") else text
    raw.update({key: value for key, value in given.items() if value is not None})
    try:
        return Settings.model_validate(raw)
    except ValidationError as error:
        first = error.errors(include_input=False, include_url=False)[0]
        key = ".".join(map(str, first["loc"]))
        what = in_words(first)
        todo = "Correct the value; gateway help settings lists them"
        if "without tokens" in what:
            todo = "Make a token with gateway serve --new-token NAME, or listen on 127.0.0.1"
        raise UsageError(what, where=f"{where}, key {key}" if key else where, todo=todo) from None


def _value(text: str, key: str) -> Any:
    try:
        return json.loads(text)
    except ValueError:
        raise UsageError("this is no JSON", where=key, todo="Write lists and tables as JSON") from None


def new_token(name: str) -> tuple[str, str]:
    """A fresh token for `name` and its hash. A token begins with its name, so that one hash has to be tried."""
    secret = secrets.token_urlsafe(32)
    salt = secrets.token_bytes(16)
    digest = hashlib.scrypt(secret.encode(), salt=salt, n=_N, r=_R, p=_P)
    packed = (base64.b64encode(part).decode() for part in (salt, digest))
    return f"{name}.{secret}", "$".join(["scrypt", str(_N), str(_R), str(_P), *packed])


def right(secret: str, hashed: str) -> bool:
    """Whether the secret part of a token is the one that was hashed; takes as long either way."""
    _, n, r, p, salt, digest = hashed.split("$")
    wanted = base64.b64decode(digest)
    found = hashlib.scrypt(
        secret.encode(), salt=base64.b64decode(salt), n=int(n), r=int(r), p=int(p), dklen=len(wanted), maxmem=128 * MIB
    )
    return hmac.compare_digest(found, wanted)
