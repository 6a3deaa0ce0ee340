"""Where exports appear: a folder, an SFTP server, a store that speaks S3. By way of fsspec.

A file is taken when it is complete, fetched to the machine with its hash, and moved away when something has become of
it: to the folder for what was converted, or to the one for what cannot be read, each by date. Nothing is overwritten.
"""

from __future__ import annotations

import fnmatch
import hashlib
import json
import posixpath
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import urlsplit

from gateway.delivery.settings import SettingsError
from gateway.errors import InputError
from gateway.nightly.site import Feed, Marker, Renamed, Sftp, Stable

_PIECE = 1 << 20
_TRIES = 10_000


class Seen(NamedTuple):
    """A file at its place.

    Attributes:
        name: its name, without folders.
        size: bytes.
        changed: what tells a change besides the size (time of change, tag), as text; "" when the place has none.
    """

    name: str
    size: int
    changed: str


class Fetched(NamedTuple):
    """A copy of an export on this machine.

    Attributes:
        name: its name at the place.
        path: the copy.
        sha256: hash of the copy, hexadecimal.
        size: bytes.
    """

    name: str
    path: Path
    sha256: str
    size: int


class Source:
    """The place of one feed.

    Args:
        feed: its settings.

    Raises:
        InputError: a library or a secret is missing, or the place is out of reach.
    """

    def __init__(self, feed: Feed) -> None:
        self._feed = feed
        self._local = "://" not in feed.place
        with self._told("out of reach"):
            self._fs, self._root = _opened(feed)

    def look(self) -> list[Seen]:
        """The exports that are there, complete or not, by name; markers, hidden files and unfinished ones left out."""
        feed, how = self._feed, self._feed.complete
        with self._told("cannot be listed"):
            self._fs.invalidate_cache()
            entries = self._fs.ls(self._root, detail=True)
        files = {posixpath.basename(entry["name"]): entry for entry in entries if entry["type"] == "file"}
        found = []
        for name, entry in sorted(files.items()):
            if name.startswith(".") or not fnmatch.fnmatchcase(name, feed.pattern):
                continue
            if isinstance(how, Renamed) and name.endswith(how.suffix):
                continue
            if isinstance(how, Marker) and (name.endswith(how.suffix) or name + how.suffix not in files):
                continue
            found.append(Seen(name, int(entry.get("size") or 0), _changed(entry)))
        return found

    def complete(self, before: list[Seen]) -> list[Seen]:
        """Those of the files seen before that may be taken now.

        Where completeness is told by a stable size, the caller has waited since `before`; what has changed in the
        meantime is left for the next night.
        """
        if not isinstance(self._feed.complete, Stable):
            return before
        now = set(self.look())
        return [each for each in before if each in now]

    def fetch(self, seen: Seen, folder: Path) -> Fetched:
        """Copy a file to this machine; it is hashed on the way.

        Raises:
            InputError: it cannot be read, or is not as long as it was a moment ago.
        """
        path = folder / seen.name
        digest, size = hashlib.sha256(), 0
        with (
            self._told("a file cannot be fetched"),
            self._fs.open(self._at(seen.name), "rb") as source,
            path.open("xb") as copy,
        ):
            while data := source.read(_PIECE):
                digest.update(data)
                size += len(data)
                copy.write(data)
        if size != seen.size:
            path.unlink()
            raise InputError(
                "a file changed while it was fetched", where=f"feed {self._feed.name}",
                todo="It is taken by the next run; let its writer finish before, or choose another way in complete",
            )  # fmt: skip
        return Fetched(seen.name, path, digest.hexdigest(), size)

    def done(self, fetched: Fetched, today: date) -> str:
        """Move an export to the folder for what was converted; return its new name below the place."""
        return self._away(fetched, self._feed.done, today)

    def aside(self, fetched: Fetched, today: date, why: dict[str, object]) -> str:
        """Move an export to the folder for what cannot be read, with the reason beside it as JSON."""
        moved = self._away(fetched, self._feed.aside, today)
        told = json.dumps(why, ensure_ascii=False, indent=2) + "\n"
        with self._told("the reason cannot be written"), self._fs.open(self._at(f"{moved}.why.json"), "wb") as file:
            file.write(told.encode())
        return moved

    def clean(self, today: date, keep_days: int) -> int:
        """Remove what was moved away more than so many days ago; return how many folders of a day that were."""
        removed = 0
        for folder in (self._feed.done, self._feed.aside):
            with self._told("cannot be cleaned"):
                if not self._fs.isdir(self._at(folder)):
                    continue
                for entry in self._fs.ls(self._at(folder), detail=True):
                    day = _day(posixpath.basename(entry["name"].rstrip("/")))
                    if entry["type"] == "directory" and day is not None and (today - day).days > keep_days:
                        self._fs.rm(entry["name"], recursive=True)
                        removed += 1
        return removed

    def close(self) -> None:
        """Let go of the connection, where there is one."""
        client = getattr(self._fs, "client", None)
        with suppress(Exception):
            if client is not None and hasattr(client, "close"):
                client.close()

    def _at(self, name: str) -> str:
        return f"{self._root.rstrip('/')}/{name}"

    def _away(self, fetched: Fetched, folder: str, today: date) -> str:
        with self._told("a file cannot be moved away"):
            self._fs.makedirs(self._at(f"{folder}/{today.isoformat()}"), exist_ok=True)
            for number in range(_TRIES):
                # An export of the same name on the same day gets a number.
                stem, dot, end = fetched.name.partition(".")
                name = f"{stem}-{number}{dot}{end}" if number else fetched.name
                new = f"{folder}/{today.isoformat()}/{name}"
                if not self._fs.exists(self._at(new)) and self._move(self._at(fetched.name), self._at(new)):
                    break
            how = self._feed.complete
            if isinstance(how, Marker):
                with suppress(FileNotFoundError):
                    self._fs.rm_file(self._at(fetched.name + how.suffix))
        return new

    def _move(self, old: str, new: str) -> bool:
        """Move without overwriting; False when the name was taken in the meantime."""
        import os

        if self._local:
            try:
                os.link(old, new)
            except FileExistsError:
                return False
            except OSError:  # a file system without hard links
                os.rename(old, new)
            else:
                os.unlink(old)
        elif hasattr(self._fs, "rename_new"):
            self._fs.rename_new(old, new)
        else:
            self._fs.mv(old, new)
        return True

    @contextmanager
    def _told(self, what: str) -> Iterator[None]:
        """Turn what storage libraries raise into one error; their own words may hold secrets and names of files."""
        where = f"feed {self._feed.name}"
        try:
            yield
        except InputError:
            raise
        except SettingsError as error:
            raise InputError(error.message, where=where, todo="Set it, and run again") from None
        except ModuleNotFoundError as error:
            extra = urlsplit(self._feed.place).scheme
            raise InputError(
                f"its place needs the library {error.name}", where=where,
                todo=f"Install it: pip install 'spotcheck-gateway[{extra}]'",
            ) from None  # fmt: skip
        except FileNotFoundError:
            reason, todo = "there is no such folder or file", "Check the place; a share may not be mounted"
        except PermissionError:
            reason, todo = "access is refused", "Check the permissions of this account at the place"
        except OSError as error:
            reason, todo = (error.strerror or type(error).__name__), "Check place and network, and run again"
        except Exception as error:  # noqa: BLE001 - each storage library has a tree of errors of its own
            reason, todo = type(error).__name__, "Check place, login and network, and run again"
        else:
            return
        raise InputError(f"{what}: {reason}", where=where, todo=todo) from None


def _opened(feed: Feed) -> tuple[Any, str]:
    """The file system of a place and the path in it."""
    import fsspec

    parts = urlsplit(feed.place)
    if "://" not in feed.place:
        if not Path(feed.place).is_dir():
            raise FileNotFoundError
        return fsspec.filesystem("file", skip_instance_cache=True), feed.place
    if feed.sftp is not None:
        return _sftp(feed.sftp, parts.hostname or "", parts.port or 22), parts.path or "/"
    if feed.s3 is not None:
        made = fsspec.filesystem(
            "s3", key=feed.s3.key, secret=feed.s3.secret(), endpoint_url=feed.s3.endpoint or None,
            skip_instance_cache=True,
        )  # fmt: skip
        return made, parts.netloc + parts.path
    return fsspec.filesystem(parts.scheme), f"/{parts.netloc}{parts.path}"


def _sftp(settings: Sftp, host: str, port: int) -> Any:
    """An SFTP file system that accepts only the keys of servers in the file of known hosts."""
    import paramiko
    from fsspec.implementations.sftp import SFTPFileSystem

    class KnownHosts(SFTPFileSystem):  # type: ignore[misc]
        def _connect(self) -> None:
            self.client = paramiko.SSHClient()
            self.client.load_host_keys(str(settings.known_hosts))
            self.client.set_missing_host_key_policy(paramiko.RejectPolicy())
            self.client.connect(self.host, **self.ssh_kwargs)
            self.ftp = self.client.open_sftp()

        def rename_new(self, old: str, new: str) -> None:
            # Plain SFTP rename refuses a name that is taken; the POSIX variant would overwrite.
            self.ftp.rename(old, new)

    secret = settings.password()
    key = str(settings.key_file) if settings.key_file is not None else None
    return KnownHosts(
        host, port=port, username=settings.user, key_filename=key, allow_agent=False, look_for_keys=False,
        password=None if key else secret, passphrase=secret if key else None, timeout=settings.timeout,
        banner_timeout=settings.timeout, auth_timeout=settings.timeout, skip_instance_cache=True,
    )  # fmt: skip


def _changed(entry: dict[str, Any]) -> str:
    for key in ("mtime", "LastModified", "ETag", "created"):
        if entry.get(key) is not None:
            return str(entry[key])
    return ""


def _day(name: str) -> date | None:
    try:
        return date.fromisoformat(name) if len(name) == 10 else None
    except ValueError:
        return None


def today() -> date:
    """The day in UTC."""
    return datetime.now(UTC).date()
