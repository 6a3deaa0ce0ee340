"""Records into a folder that another program collects from.

A file appears complete or not at all, under a name that sorts by the time of sending and is never used twice:
`20260301T021500.123456Z-000000-1f3a5c7e9b0d2f4a.hl7`, which is the time in UTC, a counter, and the beginning of the
content's SHA-256. Content that is in the folder already is not written again.

Names that begin with a dot are unfinished or the gateway's own; whoever collects leaves them alone.
"""

from __future__ import annotations

import ctypes
import errno
import fcntl
import os
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Literal, NamedTuple, Self

from pydantic import Field, ValidationInfo, field_validator

from gateway.delivery.answers import Corrections
from gateway.delivery.base import Name, Owner, Receipt, Verdict
from gateway.delivery.settings import FilePath, Table
from gateway.files import UNSUPPORTED, sync

_SUFFIXES: Final = {"fhir": ".json", "oru": ".hl7"}
_NAME = re.compile(r"(?P<stamp>\d{8}T\d{6}\.\d{6}Z)-(?P<counter>\d{6,9})-(?P<content>[0-9a-f]{16})(?P<suffix>\.[^/]*)")
_UNFINISHED = re.compile(r"\.[0-9TZ.]+-\d{6,9}-[0-9a-f]{16}\.part")
_CODES: Final = {
    errno.ENOSPC: "disk-full",
    errno.EDQUOT: "disk-full",
    errno.EFBIG: "disk-full",
    errno.EACCES: "no-permission",
    errno.EPERM: "no-permission",
    errno.EROFS: "no-permission",
    errno.ENOENT: "no-folder",
    errno.ENOTDIR: "no-folder",
}


class SiteFolder(Table):
    """A folder that another program collects from."""

    kind: Literal["folder"] = Field(description="what kind of target it is")
    name: Name = Field(description="name of its own, shown in reports and logs")
    owner: Owner
    path: FilePath = Field(description="a folder that is there; it is not made")
    takes: Literal["fhir", "oru", "batch"] = Field(
        description="FHIR bundles, HL7 v2 messages one by one, or whole batch files of them"
    )
    suffix: str = Field(default="", pattern=r"^(\.[A-Za-z0-9][A-Za-z0-9_-]{0,15})*$", description="end of the names")
    marker: str = Field(default="", pattern=r"^(\.[A-Za-z0-9][A-Za-z0-9_-]{0,15})?$", description="such as .done")
    mode: Literal["0600", "0640", "0660"] = Field(default="0600", description="permissions of the files")
    corrections: Corrections = "changed"

    @field_validator("corrections")
    @classmethod
    def _of_messages(cls, value: str, info: ValidationInfo) -> str:
        if value != "changed" and info.data.get("takes") == "fhir":
            raise ValueError("it has no effect on FHIR, where each record is whole")
        return value

    def target(self) -> FolderSender:
        """The folder; nothing is written or looked at yet."""
        return FolderSender(self)

    @staticmethod
    def example(folder: Path) -> dict[str, Any]:
        """Settings of a folder that is there."""
        who = {"kind": "folder", "name": "share", "owner": "interface team"}
        return who | {"path": str(folder), "takes": "oru", "marker": ".done"}


TARGET = SiteFolder


class _Listing(NamedTuple):
    """What is in the folder, and the state of the folder that this is true of."""

    state: tuple[int, int, int]
    names: dict[str, list[str]]
    newest: tuple[str, int]


class FolderSender:
    """Puts records into a folder; see the head of this module for the names.

    Several programs may send into the same folder; they take turns by a lock on the folder itself.

    Args:
        settings: which folder, and how files are named.

    Attributes:
        name: from the settings.
        kind: what stands in the files, from the settings.
        park_after: 0: a folder answers nothing, so nothing that waits for it is ever parked for its answers.
        corrections: from the settings.
    """

    park_after = 0

    def __init__(self, settings: SiteFolder) -> None:
        self.name = settings.name
        self.kind: Literal["fhir", "oru"] = "fhir" if settings.takes == "fhir" else "oru"
        self.corrections: Literal["changed", "whole"] = settings.corrections
        self._path = settings.path
        self._suffix = settings.suffix or _SUFFIXES[self.kind]
        self._marker = settings.marker
        self._mode = int(settings.mode, 8)
        self._turn = threading.Lock()
        self._listing: _Listing | None = None
        self._newest = ("", 0)
        self._visible = False

    def send(self, data: bytes) -> Receipt:
        """Put one file, a message or a batch, byte for byte.

        Codes of the receipt:

        * delivered: "written", "exists" (the same content is in the folder; a marker that is missing is added);
        * parked: "empty";
        * later: "no-folder", "no-permission", "disk-full", "no-link" (the file system can neither link nor rename
          without overwriting), "failed".
        """
        if not data:
            return Receipt(Verdict.PARKED, "empty", "There is nothing to write.", reached=False)
        with self._turn:
            self._visible = False
            try:
                with self._locked() as folder:
                    return self._put(folder, data)
            except OSError as error:
                return _failed(error, reached=self._visible)

    def check(self) -> list[str]:
        """Put an unfinished file into the folder, link it and take both away again; what is wrong, in sentences."""
        first, second = (f".{_stamp()}-000000-{os.urandom(8).hex()}.part" for _ in range(2))
        try:
            with self._turn, self._locked() as folder:
                try:
                    os.close(os.open(first, os.O_WRONLY | os.O_CREAT | os.O_EXCL, self._mode, dir_fd=folder))
                    _into_place(folder, first, second)
                finally:
                    for name in (first, second):
                        with suppress(OSError):
                            os.unlink(name, dir_fd=folder)
        except OSError as error:
            return [_failed(error, reached=False).message]
        return []

    def close(self) -> None:
        """Nothing is kept open; what is known of the folder is forgotten."""
        self._listing = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _put(self, folder: int, data: bytes) -> Receipt:
        digest = sha256(data).hexdigest()[:16]
        listing = self._list(folder)
        for name in listing.names.get(digest, ()):
            if _holds(folder, name, data):
                self._visible = True
                self._mark(folder, name)
                return Receipt(Verdict.DELIVERED, "exists", "The same content is in the folder already.")
        while True:
            stamp, counter = self._next(listing.newest)
            visible = f"{stamp}-{counter:06}-{digest}{self._suffix}"
            unfinished = f".{stamp}-{counter:06}-{digest}.part"
            self._newest = (stamp, counter)
            try:
                self._write(folder, unfinished, data)
                self._visible = True  # a share may say that this failed although it did not
                _into_place(folder, unfinished, visible)
            except FileExistsError:  # somebody else's file of this name; the next one has another
                self._visible = False
                continue
            finally:
                with suppress(OSError):
                    os.unlink(unfinished, dir_fd=folder)
            break
        sync(folder)
        self._mark(folder, visible)
        listing.names.setdefault(digest, []).append(visible)
        self._listing = listing._replace(state=_state(folder), newest=self._newest)
        return Receipt(Verdict.DELIVERED, "written", "Written to the folder.")

    def _write(self, folder: int, name: str, data: bytes) -> None:
        handle = os.open(name, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o600, dir_fd=folder)
        try:
            rest = memoryview(data)
            while rest:
                rest = rest[os.write(handle, rest) :]
            os.fchmod(handle, self._mode)  # whatever the umask is
            os.fsync(handle)
        finally:
            os.close(handle)

    def _mark(self, folder: int, name: str) -> None:
        if self._marker:
            with suppress(FileExistsError):
                flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW
                handle = os.open(name + self._marker, flags, 0o600, dir_fd=folder)
                os.fchmod(handle, self._mode)
                os.close(handle)
                sync(folder)

    def _next(self, newest: tuple[str, int]) -> tuple[str, int]:
        """Time and counter for a name behind all others, even when the clock was put back."""
        stamp, counter = max(newest, self._newest)
        now = _stamp()
        return (now, 0) if now > stamp else (stamp, counter + 1)

    def _list(self, folder: int) -> _Listing:
        """What is in the folder; read again only when somebody else changed the folder since."""
        state = _state(folder)
        if self._listing is None or self._listing.state != state:
            names: dict[str, list[str]] = {}
            newest = ("", 0)
            for name in os.listdir(folder):
                match = _NAME.fullmatch(name)
                if match and match["suffix"] == self._suffix:
                    names.setdefault(match["content"], []).append(name)
                    newest = max(newest, (match["stamp"], int(match["counter"])))
            self._listing = _Listing(state, names, newest)
        return self._listing

    @contextmanager
    def _locked(self) -> Iterator[int]:
        """The folder, open, with the lock on it where the file system has locks."""
        folder = os.open(self._path, os.O_RDONLY | os.O_DIRECTORY)
        try:
            locked = False
            with suppress(OSError):
                fcntl.flock(folder, fcntl.LOCK_EX)
                locked = True
            if locked and self._listing is None:
                # Nobody is writing now, so what is unfinished was left behind by a program that was ended.
                for name in os.listdir(folder):
                    if _UNFINISHED.fullmatch(name):
                        os.unlink(name, dir_fd=folder)
            yield folder
        finally:
            os.close(folder)


def _into_place(folder: int, unfinished: str, visible: str) -> None:
    """Give the finished file its name; FileExistsError when the name is taken. Never overwrites."""
    try:
        os.link(unfinished, visible, src_dir_fd=folder, dst_dir_fd=folder, follow_symlinks=False)
    except OSError as error:
        if error.errno not in UNSUPPORTED:
            raise
        _rename_new(folder, unfinished, visible)


def _rename_new(folder: int, old: str, new: str) -> None:
    """Rename without overwriting, where there are no hard links: renameat2 with RENAME_NOREPLACE (Linux)."""
    try:
        rename = ctypes.CDLL(None, use_errno=True).renameat2
    except (AttributeError, OSError):
        raise OSError(errno.ENOSYS, "") from None
    if rename(folder, os.fsencode(old), folder, os.fsencode(new), 1):
        number = ctypes.get_errno()
        raise OSError(number if number not in UNSUPPORTED else errno.ENOSYS, os.strerror(number))


def _holds(folder: int, name: str, data: bytes) -> bool:
    """The file is an ordinary one and has exactly this content."""
    try:
        handle = os.open(name, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK, dir_fd=folder)
    except OSError:  # collected in the meantime, or not ours to read
        return False
    with os.fdopen(handle, "rb") as file:
        size = os.fstat(handle).st_size
        return size == len(data) and file.read(len(data) + 1) == data


def _state(folder: int) -> tuple[int, int, int]:
    found = os.fstat(folder)
    return found.st_dev, found.st_ino, found.st_mtime_ns


def _stamp() -> str:
    return datetime.now(UTC).strftime("%Y%m%dT%H%M%S.%fZ")


def _failed(error: OSError, *, reached: bool) -> Receipt:
    if error.errno == errno.ENOSYS:
        text = "The folder's file system can neither link nor rename without overwriting."
        return Receipt(Verdict.LATER, "no-link", text, reached=False)
    reason = os.strerror(error.errno).lower() if error.errno else "unknown"
    text = f"The file cannot be put into the folder: {reason}."
    return Receipt(Verdict.LATER, _CODES.get(error.errno or 0, "failed"), text, reached=reached)
