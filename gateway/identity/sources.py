"""Reads a file of associations, in the form that its name declares, else by its first characters."""

from __future__ import annotations

import hashlib
from pathlib import Path

from gateway.errors import InputError
from gateway.identity.associations import Associations
from gateway.identity.crosswalk import crosswalk
from gateway.identity.forms import form_of, forms
from gateway.identity.reading import Issuers
from gateway.mapping.model import Mapping


def load_associations(path: Path | str, mapping: Mapping | None = None) -> Associations:
    """Read a file of associations, or the crosswalk where the mapping knows patients by one.

    Args:
        path: the file, in one of `forms()` by the ending of its name; of another name, by what its text begins with.
        mapping: the mapping whose identifier systems the file must agree with; None to take any.

    Returns:
        The associations, ready to be asked.

    Raises:
        InputError: the file cannot be read, or entries of it are wrong; names their numbers and elements, never
            their contents.
    """
    where = str(path)
    if mapping is not None and mapping.patient.crosswalk is not None:
        text, sha256 = read_text(path, "the crosswalk")
        return crosswalk(text, where, mapping, mapping.patient.crosswalk.columns, sha256)
    text, sha256 = read_text(path, "associations")
    found = forms()[form_of(path, text, where, "associations")].read(text, where, Issuers(mapping))
    return Associations(found, path=where, sha256=sha256)


def read_text(path: Path | str, of: str) -> tuple[str, str]:
    """The text of a file that lists something (`of`), and the hash of its bytes in lower-case hex digits.

    Raises:
        InputError: it cannot be read, or is not in UTF-8.
    """
    where = str(path)
    try:
        data = Path(path).read_bytes()
    except FileNotFoundError:
        raise InputError(f"there is no such file of {of}", where=where, todo="Check the path") from None
    except IsADirectoryError:
        raise InputError("this is a folder", where=where, todo=f"Name the file of {of} in it") from None
    except PermissionError:
        raise InputError("reading it is not allowed", where=where, todo="Give this account read access") from None
    except (OSError, ValueError):
        raise InputError(f"the file of {of} cannot be read", where=where, todo="Check the path") from None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError(
            f"the file of {of} is not in UTF-8", where=f"{where}, line {line}", todo="Save it as UTF-8"
        ) from None
    return text, hashlib.sha256(data).hexdigest()
