"""Runs that were cut off after their commit and before their result was in place.

    result at its place, with the run's token    nothing to do but to say so
    stage still there                            what differs from the ledger is written again, then it is moved
    neither                                      the folder is made again from the ledger

A folder that somebody else put at the place meanwhile is never touched; the result then goes beside it.
"""

from __future__ import annotations

import fcntl
import glob
import hashlib
import shutil
import tempfile
import zlib
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Any

from sqlalchemy import Connection, select, update

from gateway import files
from gateway.ledger.rows import Recovered
from gateway.ledger.tables import contents, runs

TOKEN_FILE = ".run"
_LOCK = ".lock"


def recover(connection: Connection) -> list[Recovered]:
    """Complete every run that was cut off; what cannot be completed is told and tried again next time."""
    with connection.begin():
        cut_off = connection.execute(select(runs).where(runs.c.state == "written").order_by(runs.c.id)).all()
    return [_complete(connection, run) for run in cut_off]


def mark_of(target: Path) -> str:
    """What tells a folder from another one that is put in its place; "" when there is none, or an empty one."""
    try:
        if not any(target.iterdir()):
            return ""
        found = target.stat()
    except OSError:
        return ""
    return f"{found.st_dev}:{found.st_ino}"


def _complete(connection: Connection, run: Any) -> Recovered:
    stage, target = Path(run.stage), Path(run.target)
    try:
        if _holds_token(target, run.token):
            how = "in place"
        else:
            # A recovery that was itself cut off has left another folder than the one the run knew of.
            ready = next(iter(_folders_of(run, stage, target)), None)
            how = "made again" if ready is None else "moved"
            if ready is None:
                target.parent.mkdir(parents=True, exist_ok=True)
                ready = Path(tempfile.mkdtemp(prefix=f".{target.name}.unfinished-", dir=target.parent))
            target = _put(connection, run, ready, target)
        for folder in _folders_of(run, stage, Path(run.target)):
            shutil.rmtree(folder, ignore_errors=True)
        _clear_replaced(target, run.replaces)
    except OSError as error:
        reason = (error.strerror or type(error).__name__).rstrip(".")
        return Recovered(run.id, str(target), "", reason)
    with connection.begin():
        values = {"state": "done", "finished": datetime.now(UTC), "target": str(target)}
        connection.execute(update(runs).where(runs.c.id == run.id).values(**values))
    return Recovered(run.id, str(target), how, "")


def _folders_of(run: Any, stage: Path, target: Path) -> list[Path]:
    """The hidden folders that hold a run's result before it is in place."""
    beside = sorted(target.parent.glob(f".{glob.escape(target.name)}.unfinished-*"))
    return [folder for folder in dict.fromkeys([stage, *beside]) if _holds_token(folder, run.token)]


def _holds_token(folder: Path, token: str) -> bool:
    try:
        return (folder / TOKEN_FILE).read_text(encoding="ascii").strip() == token
    except (OSError, UnicodeDecodeError):
        return False


def _put(connection: Connection, run: Any, folder: Path, target: Path) -> Path:
    """Complete a folder from the ledger and move it to its place, or beside it if that is taken; return where."""
    with (folder / _LOCK).open("wb") as lock:
        # Whoever clears away abandoned folders leaves this one alone as long as it is worked on.
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        _fill(connection, run.id, folder)
        (folder / TOKEN_FILE).write_text(run.token + "\n", encoding="ascii")
        for path in folder.rglob("*"):
            with suppress(PermissionError):
                files.sync(path)
        mark = mark_of(target)
        if mark and mark != run.replaces:
            target = target.with_name(f"{target.name}.run-{run.id}")
        (folder / _LOCK).unlink()
        files.sync(folder)
        files.put_folder(folder, target, replace=mark == run.replaces)  # what it replaces is removed by _clear_replaced
    return target


def _fill(connection: Connection, run: int, folder: Path) -> None:
    """Write every record file that is missing from the folder, or differs from what was recorded."""
    with connection.begin():
        wanted = select(contents.c.name, contents.c.size, contents.c.sha256).where(contents.c.run == run)
        for name, size, digest in connection.execute(wanted).all():
            path = folder / _inside(name)
            if path.is_file() and path.stat().st_size == size and _digest(path) == digest:
                continue
            path.parent.mkdir(parents=True, exist_ok=True)
            here = (contents.c.run == run, contents.c.name == name)
            path.write_bytes(zlib.decompress(connection.execute(select(contents.c.data).where(*here)).scalar_one()))


def _inside(name: str) -> PurePosixPath:
    """A name that stays below the folder."""
    path = PurePosixPath(name)
    if path.is_absolute() or ".." in path.parts or not path.parts:
        raise OSError(0, "a record file has a name that leads out of its folder")
    return path


def _clear_replaced(target: Path, replaces: str) -> None:
    """Remove the earlier result that this run was to replace, where the run was cut off before it did so itself."""
    if not replaces:
        return
    for folder in target.parent.glob(f".{glob.escape(target.name)}.earlier-*"):
        if mark_of(folder / "result") == replaces:
            shutil.rmtree(folder, ignore_errors=True)


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
