"""The forms in which associations may be written: one module each, found by its being there.

A form owns the names of its files, what its text begins with, its line in the documents, an example, and the reading.
What several forms share stands in modules whose name begins with "_".
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Protocol

from gateway.discovery import broken, find
from gateway.errors import InputError
from gateway.identity.associations import Association
from gateway.identity.reading import Issuers

EXAMPLE = "INVENTED-7 was on the device W2-A from 09:30 to 10:00 on 14 March 2026, five hours behind UTC"
"""What each form's example says."""


class Form(Protocol):
    """A form of associations: the class that a module of this package calls `FORM`.

    Attributes:
        name: what it is called.
        endings: the endings of its files' names, each with its dot; the first is the usual one, and no other form's.
        begins: what the text of such a file begins with, one of these; empty when that tells nothing.
        holds: what a file holds, in one line of Markdown for the documents.
    """

    name: str
    endings: tuple[str, ...]
    begins: tuple[str, ...]
    holds: str

    @staticmethod
    def read(text: str, where: str, issuers: Issuers) -> list[Association]:
        """Read the associations of a file.

        Args:
            text: the file's content.
            where: its name, for errors.
            issuers: the identifier systems of the mapping.

        Raises:
            InputError: the file or entries of it are wrong; names numbers and elements, never contents.
        """

    @staticmethod
    def example() -> str:
        """A file that says what `EXAMPLE` says."""


@cache
def forms() -> Mapping[str, type[Form]]:
    """The forms by the names of their modules, sorted.

    Raises:
        GatewayError: a module among them is broken.
    """
    return discover("gateway.identity.forms")


def discover(package: str) -> dict[str, type[Form]]:
    """Load the forms of a package: one per module, named FORM."""
    wanted = ("name", "endings", "begins", "holds", "read", "example")
    found: dict[str, type[Form]] = find(package, "FORM", wanted, what="form of associations", apart=())
    owners: dict[str, str] = {}
    for module, form in found.items():
        for ending in form.endings:
            if ending in owners:
                raise broken(
                    f"{package}.{module}", "form of associations", f"takes the ending {ending} of {owners[ending]}"
                )
            owners[ending] = module
    return found


def endings() -> dict[str, str]:
    """Each ending of a file's name, with its dot, and the form that it declares; the usual ones of the forms first."""
    usual = {form.endings[0]: module for module, form in forms().items()}
    return usual | {ending: module for module, form in forms().items() for ending in form.endings}


def usual_endings() -> list[str]:
    """The usual ending of each form's files, with its dot, in the order of the forms."""
    return [form.endings[0] for form in forms().values()]


def spoken(words: list[str], last: str = "or") -> str:
    """Words in a row, such as ".csv, .json or .hl7"."""
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def form_of(path: Path | str, text: str, where: str, of: str) -> str:
    """The form that a file's name declares; the text must look like it. Without such a name, what the text looks like.

    Args:
        path: the file.
        text: its content.
        where: its name, for errors.
        of: what it lists, for errors.

    Raises:
        InputError: by its name it is something else than by its text.
    """
    start = text.lstrip("\ufeff\x0b \t\r\n")
    looks = [module for module, form in forms().items() if start.startswith(form.begins)]
    named = endings().get(Path(path).suffix.casefold())
    if named is None:
        return looks[0] if looks else next(module for module, form in forms().items() if not form.begins)
    # What looks like nothing in particular is left to its reader, which says more.
    if looks and named not in looks:
        declared, seen = (f"{form.name} ({form.endings[0]})" for form in (forms()[named], forms()[looks[0]]))
        raise InputError(
            f"by its name the file of {of} is {declared}, and by its text {seen}",
            where=where,
            todo="Give it the name of what it is; FHIR resources on lines of their own are .ndjson",
        )
    return named
