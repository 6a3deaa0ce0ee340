"""The result folder: everything is written beside it and moved into place at the end, or not at all."""

from __future__ import annotations

import fcntl
import glob
import os
import shutil
import tempfile
import time
from collections.abc import Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path

from gateway import files
from gateway.errors import OutputError

REPORT = "report.json"
TOKEN = ".run"
_LOCK = ".lock"
_MOMENT = 60.0
"""Seconds that a folder may be without its lock: it is made and moved in far less."""


class Stage:
    """A folder in the making.

    Args:
        target: the folder the user asked for. It must be new, empty, or (with `replace`) hold an earlier result.
        replace: replace an earlier result.

    Raises:
        OutputError: the target is in use or cannot be written.
    """

    def __init__(self, target: Path, *, replace: bool = False) -> None:
        self.target = target
        if target.exists() and not target.is_dir():
            raise OutputError("This is a file, not a folder", where=str(target), todo="Name a folder with --out")
        if target.is_dir() and any(target.iterdir()):
            if not (target / REPORT).is_file():
                raise OutputError(
                    "The folder is not empty and holds no earlier result of the gateway",
                    where=str(target),
                    todo="Name a new folder with --out",
                )
            if not replace:
                raise OutputError(
                    "The folder holds an earlier result",
                    where=str(target),
                    todo="Name a new folder with --out, or add --replace to put the new result in its place",
                )
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            _clear_abandoned(target)
            self.folder = Path(tempfile.mkdtemp(prefix=f".{target.name}.unfinished-", dir=target.parent))
            os.chmod(self.folder, 0o700)
            self._lock = (self.folder / _LOCK).open("wb")
            fcntl.flock(self._lock, fcntl.LOCK_EX)
            self._syncing = ThreadPoolExecutor(1, thread_name_prefix="sync")
            self._written: list[Future[None]] = []
            self._sealed = False
        except OSError as error:
            raise output_error(error, target) from error

    def written(self, names: Iterable[str]) -> None:
        """Have finished files put on the disk in the background, while the conversion goes on."""
        self._written += [self._syncing.submit(files.sync, self.folder / name) for name in names]

    def seal(self, token: str = "") -> None:
        """Have everything put on the disk; from here on the folder is complete, and only to be moved.

        Args:
            token: name of the run in its ledger, kept in the folder so that the ledger knows it again.
        """
        try:
            for written in self._written:
                written.result()
            if token:
                (self.folder / TOKEN).write_text(f"{token}\n")
            for path in self.folder.iterdir():
                if path.is_file():
                    files.sync(path)
            files.sync(self.folder)
            self._sealed = True
        except OSError as error:
            raise output_error(error, self.target) from error

    def commit(self) -> None:
        """Move the finished folder into place; an earlier result goes away only after that."""
        if not self._sealed:
            self.seal()
        try:
            (self.folder / _LOCK).unlink()
            earlier = files.put_folder(self.folder, self.target, replace=True)
            if earlier is not None:
                shutil.rmtree(earlier, ignore_errors=True)
        except OSError as error:
            raise output_error(error, self.target) from error
        finally:
            self._lock.close()

    def discard(self) -> None:
        """Remove what was written so far."""
        self._syncing.shutdown(wait=True, cancel_futures=True)
        shutil.rmtree(self.folder, ignore_errors=True)
        self._lock.close()


def output_error(error: OSError, target: Path) -> OutputError:
    """An operating system error while writing, in words."""
    return files.failed(
        error,
        "the result",
        where=target,
        todo="Nothing was left half written; make room or choose another folder with --out, and run again",
    )


def _clear_abandoned(target: Path) -> None:
    """Remove what runs into the same folder left behind when they were killed; a run that goes on holds a lock."""
    for folder in target.parent.glob(f".{glob.escape(target.name)}.unfinished-*"):
        with suppress(OSError):
            if not (folder / _LOCK).exists():
                # Killed while it was made or moved, unless that is happening right now.
                if time.time() - folder.stat().st_mtime > _MOMENT:
                    shutil.rmtree(folder, ignore_errors=True)
                continue
            with (folder / _LOCK).open("rb") as lock:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                shutil.rmtree(folder, ignore_errors=True)
