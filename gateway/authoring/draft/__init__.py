"""A first mapping from an export: what the file shows, as candidates with evidence, and what it does not show, asked.

A draft never states a unit, a zone or an identifier system that the file does not state, and never takes a value for
evidence of its unit. It quotes names of columns, usual labels and unit spellings, and short codes of errors; other
texts of cells are told by their line.
"""

from __future__ import annotations

import re
from pathlib import Path

from gateway.authoring.draft.page import Page
from gateway.authoring.draft.reading import LARGEST, encoding_of, head_of, table_of
from gateway.authoring.draft.serial import propose_framed, propose_listing
from gateway.authoring.draft.tabular import propose_delimited
from gateway.errors import InputError

__all__ = ["LARGEST", "draft"]


def draft(export: str | Path) -> str:
    """Propose a mapping for an export.

    Args:
        export: the file; its first `LARGEST` bytes are looked at.

    Returns:
        TOML. Lines that begin with "# ?" are questions; `gateway check` names those that must be answered.

    Raises:
        InputError: the file cannot be read, is empty, or is no text and no framed capture.
    """
    path = Path(export)
    data, whole = head_of(path)
    out = Page()
    shown = f"the first {len(data):,} bytes" if not whole else f"all {len(data):,} bytes"
    out.says(
        f"A draft, made from {shown} of one export. Nothing in it is agreed on: check every line.",
        'Lines with "# ?" are questions. gateway check names those that must be answered; whatever else is not named',
        "is held or not read when exports are converted.",
    )
    if b"\x02" in data and (b"\x03" in data or b"\x17" in data):
        propose_framed(data, out)
        return out.text()
    encoding, why = encoding_of(data, path)
    text = data.decode(encoding or "latin-1", "replace").removeprefix("\ufeff")
    lines = re.split(r"\r\n|\n|\r", text)
    if not whole:
        # What was cut off in the middle is no evidence.
        lines.pop()
    if lines and not lines[-1]:
        lines.pop()
    if not any(line.strip() for line in lines):
        raise InputError(
            "no line of text ends within what a draft looks at" if not whole else "the export holds nothing to read",
            where=path.name, todo="Name an export of text with lines",
        )  # fmt: skip
    table = table_of(lines)
    if table is None:
        propose_listing(lines, encoding, why, out)
    else:
        propose_delimited(table, encoding, why, out)
    return out.text()
