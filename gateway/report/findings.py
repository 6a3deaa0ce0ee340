"""findings.csv: every finding of a batch, written as it comes, safe to open in a spreadsheet."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable
from io import TextIOWrapper
from pathlib import Path
from types import TracebackType

from gateway import files
from gateway.errors import OutputError
from gateway.model import Finding
from gateway.report.model import RuleInfo, tidy

COLUMNS = ("rule", "severity", "effect", "export", "line", "offset", "column", "vital", "message", "todo")

_FORMULA = frozenset("=+-@\t\r\n|%\uff1d\uff0b\uff0d\uff20")
"""First characters that make spreadsheets run a cell as a formula (OWASP, CSV injection; full-width forms, "|" and
"%" from memory)."""


def cell(text: str, limit: int = 600) -> str:
    """Text for one cell: printable, and never taken for a formula (an apostrophe is put before one).

    Args:
        text: anything.
        limit: the longest result in characters, without the apostrophe.
    """
    shown = tidy(text, limit)
    return "'" + shown if shown[:1] in _FORMULA and shown else shown


class FindingsWriter:
    """Writes findings.csv while the batch runs; the file appears under its name only when it is complete.

    Use it in a `with` statement: leaving it normally puts the file in place, an exception leaves nothing behind.

    Args:
        path: where the file goes; a file of that name is replaced.
        rules: what to do about each rule, for the last column.

    Raises:
        OutputError: the file cannot be written.
    """

    def __init__(self, path: str | os.PathLike[str], rules: Iterable[RuleInfo] = ()) -> None:
        self.path = Path(path)
        self._todo = {rule.slug: cell(rule.todo) for rule in rules}
        self._safe: dict[str, str] = {}
        try:
            self._whole = files.WholeFile(self.path, durable=False)
        except OSError as error:
            raise _failed(self.path, error) from error
        self._text = TextIOWrapper(self._whole.file, encoding="utf-8", newline="")
        self._rows = csv.writer(self._text, lineterminator="\n")
        try:
            self._rows.writerow(COLUMNS)
        except OSError as error:
            self.abandon()
            raise _failed(self.path, error) from error

    def write(self, findings: Iterable[Finding]) -> None:
        """Add findings, in the order given.

        Raises:
            OutputError: the disk is full or the file cannot be written.
        """
        todo, cached = self._todo, self._cell
        try:
            self._rows.writerows(
                (
                    found.rule,
                    found.severity.value,
                    found.effect.value,
                    found.export or "",
                    found.line or "",
                    found.offset if found.offset >= 0 else "",
                    cached(found.column),
                    found.vital,
                    cached(found.message),
                    todo.get(found.rule, ""),
                )
                for found in findings
            )
        except OSError as error:
            self.abandon()
            raise _failed(self.path, error) from error

    def close(self) -> None:
        """Put the file in place under its name.

        Raises:
            OutputError: the disk is full or the file cannot be written.
        """
        try:
            self._text.flush()
            self._whole.finish()
            self._whole.place()
        except OSError as error:
            self.abandon()
            raise _failed(self.path, error) from error

    def abandon(self) -> None:
        """Leave nothing behind."""
        self._whole.abandon()

    def __enter__(self) -> FindingsWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            self.close()
        else:
            self.abandon()

    def _cell(self, text: str) -> str:
        safe = self._safe.get(text)
        if safe is None:
            if len(self._safe) >= 50_000:
                self._safe.clear()
            safe = self._safe[text] = cell(text)
        return safe


def _failed(path: Path, error: OSError) -> OutputError:
    todo = "Free space or choose another folder with --out, then run the batch again"
    return files.failed(error, "the findings", where=path, todo=todo)
