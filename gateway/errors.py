"""Every error the gateway raises on purpose.

    GatewayError                 anything below; carries where, what and what to do
    ├── UsageError               the command line or a call was put together wrongly
    ├── MappingError             the mapping file cannot be used (holds every problem found)
    │   └── SiteError            the file of the nightly run cannot be used (holds every problem found)
    ├── InputError               an export cannot be read at all, or is not the mapping's kind
    ├── OutputError              the result cannot be written (folder in use, disk full, no permission)
    ├── LedgerError              the ledger cannot be used (out of reach, in use, disk full, not a ledger, newer)
    │   └── InUseError           another run is under way
    └── VocabularyError          the shipped tables contradict themselves (a fault in the gateway)

What is wrong with a single line, reading or set is never an exception: it is a finding
(`gateway.model.Finding`), and the rest of the batch goes on.
"""

from __future__ import annotations

from collections.abc import Sequence


class GatewayError(Exception):
    """An error a user can act on: one paragraph saying where, what and what to do.

    Args:
        what: what is wrong, as a sentence without its final stop.
        where: file, line, column or key; empty when the error has no place.
        todo: what the user can do about it, as a sentence without its final stop.
    """

    def __init__(self, what: str, *, where: str = "", todo: str = "") -> None:
        self.what = what
        self.where = where
        self.todo = todo
        super().__init__(what)

    def __str__(self) -> str:
        text = f"{self.where}: {self.what}." if self.where else f"{self.what}."
        return f"{text} {self.todo}." if self.todo else text

    def __reduce__(self) -> tuple[object, ...]:
        return (_rebuild, (type(self), self.what, self.where, self.todo))


class UsageError(GatewayError):
    """The command line or a call was put together wrongly."""


class MappingError(GatewayError):
    """The mapping file cannot be used; `problems` holds one error for each fault, in file order."""

    def __init__(self, what: str, *, where: str = "", todo: str = "", problems: Sequence[MappingError] = ()) -> None:
        super().__init__(what, where=where, todo=todo)
        self.problems: tuple[MappingError, ...] = tuple(problems)

    def __str__(self) -> str:
        if not self.problems:
            return super().__str__()
        return "\n".join(str(problem) for problem in self.problems)


class SiteError(MappingError):
    """The file of the nightly run cannot be used; `problems` holds one error for each fault, in file order."""


class InputError(GatewayError):
    """An export cannot be read at all, or is not the kind of export the mapping describes."""


class OutputError(GatewayError):
    """The result cannot be written: folder in use, disk full, no permission."""


class LedgerError(GatewayError):
    """The ledger cannot be used: out of reach, in use by another run, disk full, damaged, not a ledger, too new."""


class InUseError(LedgerError):
    """Another run is under way, and this one did nothing."""


class VocabularyError(GatewayError):
    """The shipped code tables contradict themselves: a fault in the gateway, not in the input."""


def _rebuild(kind: type[GatewayError], what: str, where: str, todo: str) -> GatewayError:
    """Rebuild an error on the other side of a process boundary."""
    return kind(what, where=where, todo=todo)
