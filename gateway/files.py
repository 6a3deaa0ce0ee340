"""One way to write a file or a folder whole: beside its place, forced to the disk, and then put there.

Whoever reads finds what was there before or what is there now, never half of it: also when the disk is full, or the
program is ended or the power goes in between.
"""

from __future__ import annotations

import errno
import os
import secrets
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO

from gateway.errors import OutputError

UNSUPPORTED = frozenset({errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK, errno.EINVAL})
"""How file systems say that they cannot do what is asked."""


class WholeFile:
    """A file that is written bit by bit, and stands under its name only when it is complete.

    Args:
        path: where it goes; a file of that name is replaced.
        durable: force it to the disk; not needed in a folder that is forced to the disk as a whole.

    Attributes:
        path: as given.
        file: where to write.

    Raises:
        OSError: it cannot be made.
    """

    def __init__(self, path: Path, *, durable: bool = True) -> None:
        self.path, self._durable = path, durable
        self._part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
        self.file: BinaryIO = self._part.open("xb")

    def finish(self) -> None:
        """Have the content complete beside the place where it goes.

        Raises:
            OSError: the disk is full, or the like; `abandon` takes away what was written.
        """
        self.file.flush()
        if self._durable:
            os.fsync(self.file.fileno())
        self.file.close()

    def place(self) -> None:
        """Give the finished file its name.

        Raises:
            OSError: as for `finish`.
        """
        os.replace(self._part, self.path)
        if self._durable:
            sync(self.path.parent)

    def abandon(self) -> None:
        """Leave nothing behind; nothing happens to a file that has its name."""
        with suppress(OSError):  # what could not be flushed is thrown away
            self.file.close()
        with suppress(OSError):  # an error before this one says what is wrong with the folder
            self._part.unlink(missing_ok=True)


def write(path: Path, content: str | bytes, *, what: str, todo: str, where: Path | str = "") -> None:
    """Write one file whole; text as UTF-8. See `write_all`."""
    write_all({path: content}, what=what, todo=todo, where=where)


def write_all(
    contents: Mapping[Path, str | bytes], *, what: str, todo: str, where: Path | str = "", durable: bool = True
) -> None:
    """Write several files whole; none is put in its place before all of them are complete.

    Args:
        contents: what goes where; files that are there are replaced, folders must be there. Text goes as UTF-8.
        what: what is written, for the error: "the report".
        todo: what the user can do when it cannot be written.
        where: the place that the error names; "" for the path.
        durable: as for `WholeFile`.

    Raises:
        OutputError: one of them cannot be written.
    """
    made: list[WholeFile] = []
    at = Path()
    try:
        for at, content in contents.items():
            whole = WholeFile(at, durable=durable)
            made.append(whole)
            whole.file.write(content.encode("utf-8") if isinstance(content, str) else content)
            whole.finish()
        for whole in made:
            at = whole.path
            whole.place()
    except OSError as error:
        raise failed(error, what, where=where or at, todo=todo) from error
    finally:
        for whole in made:
            whole.abandon()


def put_folder(folder: Path, target: Path, *, replace: bool) -> Path | None:
    """Put a finished folder in its place, whose files are on the disk already.

    Args:
        folder: the folder, beside `target`.
        target: where it goes.
        replace: move what the target holds out of the way before; without it the target must be new or empty.

    Returns:
        The new folder that holds the earlier one as "result", for the caller to remove; None when there was none.

    Raises:
        OSError: it cannot be moved.
    """
    earlier = None
    if replace and target.is_dir() and any(target.iterdir()):
        earlier = Path(tempfile.mkdtemp(prefix=f".{target.name}.earlier-", dir=target.parent))
        os.replace(target, earlier / "result")
    os.replace(folder, target)
    sync(target.parent)
    return earlier


def sync(place: Path | int) -> None:
    """Force a file, or the names in a folder, to the disk; some network file systems cannot be asked to.

    Args:
        place: its path, or its descriptor.

    Raises:
        OSError: the disk is full, or the place may not be read.
    """
    number = place if isinstance(place, int) else os.open(place, os.O_RDONLY)
    try:
        os.fsync(number)
    except OSError as error:
        if error.errno not in UNSUPPORTED:
            raise
    finally:
        if number is not place:
            os.close(number)


def failed(error: OSError, what: str, *, where: Path | str, todo: str) -> OutputError:
    """An error of the operating system while something was written, in words."""
    reason = (error.strerror or str(error) or type(error).__name__).rstrip(".")
    return OutputError(f"{what} cannot be written: {reason}", where=str(where), todo=todo)
