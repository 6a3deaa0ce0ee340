"""What an adapter offers, and the registry that finds the adapters of a package."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from functools import cache
from typing import BinaryIO, ClassVar, Literal, Protocol

from gateway.discovery import broken, find, members
from gateway.errors import MappingError
from gateway.mapping import model
from gateway.mapping.forms import tables
from gateway.model import Block, Parsed


class Adapter(Protocol):
    """Reads one form of export into entries of verbatim text; knows nothing of vitals, units or times.

    `blocks` runs once, in one process, in the order of the export, and does only what needs that order. `parse` does
    the rest, in any process. What cannot be read is accounted for and noted as a finding, and the rest goes on.

    Args:
        mapping: how the export is laid out.
        needed: names of all columns the mapping uses.

    Raises:
        MappingError: the mapping asks for something this form cannot do.
    """

    form: ClassVar[str]
    """Name of the form: the module's own name, and the value of `form` in a mapping."""

    counts: ClassVar[Literal["lines", "bytes"]]
    """What is accounted for: every line, or every byte, of an export has exactly one `LineKind`."""

    def __init__(self, mapping: model.Mapping, needed: Collection[str]) -> None: ...

    def blocks(self, stream: BinaryIO, export: int) -> Iterator[Block]:
        """Cut an export into blocks that never divide a set, in constant memory.

        The blocks depend on the bytes only, not on how many of them each read returns.

        Args:
            stream: anything whose `read(n)` returns at most n bytes, and none at the end.
            export: position of the export in the batch, from 1.

        Raises:
            InputError: the export cannot be read, or is not what the mapping describes.
        """

    def columns_now(self, block: Block) -> tuple[str, ...] | None:
        """The columns of a block that was cut with an earlier version of the mapping; None when it does not fit now."""

    def parse(self, block: Block) -> Parsed:
        """Read a block into entries; the same block always gives the same result."""

    @staticmethod
    def example() -> tuple[dict[str, object], bytes]:
        """A small invented export and its mapping, as data for `gateway.mapping.model.Mapping`."""


METHODS = members(Adapter)
"""Everything the program may call of an adapter: one that lacks any of it is refused when it is loaded."""


def adapter_for(mapping: model.Mapping, needed: Collection[str]) -> Adapter:
    """The adapter for a mapping's form of export.

    Args:
        mapping: the mapping.
        needed: names of all columns the mapping uses.

    Raises:
        MappingError: there is no adapter of that form, or it refuses the mapping.
        GatewayError: a module among the adapters is broken.
    """
    try:
        chosen = _adapters()[mapping.form]
    except KeyError:
        raise MappingError(
            f"the form '{mapping.form}' is not known", where="key form", todo=f"Use one of: {', '.join(forms())}"
        ) from None
    return chosen(mapping, needed)


def forms() -> tuple[str, ...]:
    """Names of all forms of export, sorted.

    Raises:
        GatewayError: a module among the adapters is broken.
    """
    return tuple(_adapters())


@cache
def _adapters() -> Mapping[str, type[Adapter]]:
    found = discover("gateway.adapters")
    for form in sorted(set(found) ^ set(tables())):
        if form in found:
            raise broken(f"gateway.adapters.{form}", "adapter", f"has no table in gateway/mapping/forms/{form}.py")
        raise broken(f"gateway.mapping.forms.{form}", "form of export", f"has no adapter in gateway/adapters/{form}.py")
    return found


def counts(form: str) -> Literal["lines", "bytes"]:
    """What is accounted for in exports of a form."""
    return _adapters()[form].counts


def discover(package: str) -> dict[str, type[Adapter]]:
    """Load every adapter of a package: one per module, except `base` and modules whose name begins with "_".

    Args:
        package: dotted name of the package.

    Returns:
        The adapters by form, sorted.

    Raises:
        GatewayError: a module cannot be imported, has no adapter, or its adapter is incomplete or misnamed. One broken
            module stops them all: an adapter that is missing silently would be found out by a patient's record.
    """
    found: dict[str, type[Adapter]] = find(package, "ADAPTER", METHODS, what="adapter", apart=("base",))
    for name, adapter in found.items():
        form = getattr(adapter, "form", None)
        if form != name:
            raise broken(f"{package}.{name}", "adapter", f"calls its form {form!r}; the form is named as the module")
        if getattr(adapter, "counts", None) not in ("lines", "bytes"):
            raise broken(f"{package}.{name}", "adapter", "does not say what it counts: lines or bytes")
    return found
