"""Sign-off of a mapping: who looked at which sample through it, and found it right.

The record stands beside the mapping, as NAME.signed.json. It is tied to the bytes of both: when the mapping changes,
it is signed off no longer. It is a record of responsibility, not a cryptographic signature; whoever may write to the
folder may write the record.
"""

from __future__ import annotations

import hashlib
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from gateway import files
from gateway.errors import MappingError
from gateway.mapping.loader import read
from gateway.version import VERSION

STATEMENT = "I have compared what this mapping makes of the sample with the monitor's own display, and found it right."

_TODO = "Check folder and permissions"

_Hash = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
_Words = Annotated[str, Field(min_length=1, max_length=200, pattern=r"\S")]


class SignOff(BaseModel):
    """One sign-off.

    Attributes:
        name: who signed.
        role: as what.
        signed: when.
        mapping_sha256: hash of the mapping file.
        sample_sha256: hash of the export it was tried on.
        gateway: version of the gateway that showed it.
        statement: what was signed.
        account: name of the token that was used, "" for none.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: _Words
    role: _Words
    signed: AwareDatetime
    mapping_sha256: _Hash
    sample_sha256: _Hash
    gateway: str
    statement: str
    account: str = ""


def record_of(mapping: str | Path) -> Path:
    """Where the sign-off of a mapping stands."""
    return Path(mapping).with_suffix(".signed.json")


def sign(
    mapping: Path, sample_sha256: str, name: str, role: str, *, account: str = "", at: datetime | None = None
) -> SignOff:
    """Write the sign-off of a mapping beside it, in place of an earlier one.

    Args:
        mapping: the mapping file, as it was looked at.
        sample_sha256: hash of the export it was tried on.
        name: who signs.
        role: as what.
        account: name of the token that was used, "" for none.
        at: when; None: now.

    Raises:
        MappingError: name or role is empty or too long.
        OutputError: the record cannot be written.
    """
    target = record_of(mapping)
    try:
        made = SignOff(
            name=" ".join(name.split()),
            role=" ".join(role.split()),
            signed=(at or datetime.now(UTC)).replace(microsecond=0),
            mapping_sha256=hashlib.sha256(mapping.read_bytes()).hexdigest(),
            sample_sha256=sample_sha256,
            gateway=VERSION,
            statement=STATEMENT,
            account=account,
        )
    except ValidationError:
        raise MappingError(
            "the sign-off needs a name and a role of at most 200 characters", where=mapping.name, todo="Fill in both"
        ) from None
    except OSError as error:
        raise files.failed(error, "the sign-off", where=target.name, todo=_TODO) from error
    files.write(target, made.model_dump_json(indent=2) + "\n", what="the sign-off", where=target.name, todo=_TODO)
    return made


def signed(mapping: str | Path) -> SignOff:
    """The sign-off of a mapping as it is now.

    Args:
        mapping: the mapping file.

    Raises:
        MappingError: there is no such mapping, it was never signed off, or has changed since, or the record cannot be
            read.
    """
    path, record = Path(mapping), record_of(mapping)
    todo = "Try it on a sample in the bench (gateway serve) and sign it off there"
    digest = hashlib.sha256(read(path)).hexdigest()
    try:
        text = record.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise MappingError("the mapping is not signed off", where=str(mapping), todo=todo) from None
    except (OSError, UnicodeDecodeError):
        raise MappingError("the sign-off cannot be read", where=str(record), todo="Check the file") from None
    try:
        found = SignOff.model_validate_json(text)
    except ValidationError:
        raise MappingError("this is no sign-off of a mapping", where=str(record), todo=todo) from None
    if found.mapping_sha256 != digest:
        raise MappingError("the mapping has changed since it was signed off", where=str(mapping), todo=todo)
    return found


def named(name: str) -> str:
    """A name for a mapping file, checked: lower-case letters, digits and hyphens.

    Raises:
        MappingError: it is not such a name.
    """
    if not re.fullmatch(r"[a-z0-9][a-z0-9-]{0,63}", name):
        raise MappingError(
            "this is no name for a mapping", where="name", todo="Use lower-case letters, digits and hyphens, at most 64"
        )
    return name
