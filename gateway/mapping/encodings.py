"""Whether a form's `encoding` names an encoding of text."""

from __future__ import annotations

import codecs

from gateway.mapping.places import Path
from gateway.mapping.problems import Problems, listed, nearest, quoted

# Not encodings of text files, though Python has codecs of these names.
_NO_ENCODINGS = frozenset(
    {"idna", "punycode", "unicode_escape", "raw_unicode_escape", "undefined", "utf_7", "mbcs", "oem"}
)
_ENCODINGS = ("utf-8", "utf-16", "cp1252", "latin-1", "iso8859-15", "cp1250", "cp1251", "cp850", "shift_jis", "gb18030")
_ENCODING_NAMES = {"ansi": "cp1252", "windows": "cp1252", "unicode": "utf-16", "dos": "cp850", "western": "cp1252"}


def check(name: str, path: Path, problems: Problems) -> None:
    """Note when Python has no codec of that name, or one that is not for text."""
    try:
        if "\0" in name or codecs.lookup(name.strip()).name.replace("-", "_") in _NO_ENCODINGS:
            raise LookupError
        "a,1\n".encode(name)
    except (LookupError, UnicodeError, ValueError):
        close = next((known for word, known in _ENCODING_NAMES.items() if word in name.casefold()), "")
        close = close or nearest(name, _ENCODINGS)
        usual = f"usual ones are {listed(_ENCODINGS)}"
        problems.add(
            path,
            f"{quoted(name)} is not an encoding of text",
            f"Write {close}, if that is what was meant; {usual}" if close else f"The {usual}",
        )
