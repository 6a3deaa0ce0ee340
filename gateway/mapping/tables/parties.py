"""The tables of devices, operators, locations and encounters."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import Field

from gateway.mapping.identifiers import check_cell, check_uri
from gateway.mapping.problems import Problems
from gateway.mapping.table import Table, Text

if TYPE_CHECKING:
    from gateway.mapping.model import Mapping


class Identified(Table):
    """A device, operator, location or encounter: a column or a fixed value, with its identifier system."""

    column: Text | None = None
    fixed: Text | None = None
    system: str = Field(default="", description="URI of the identifier system")
    authority: str = Field(default="", description="HL7 v2 assigning authority or namespace")
    nobody: list[Text] = Field(
        default=[], description="further texts that are no identifier, and are held; NA, None, unknown and such are"
    )
    not_stated: list[Text] = Field(default=[], description='texts that mean what a blank cell means, such as "-"')
    strip: list[Text] = Field(default=[], description="prefixes of barcodes to take off, the longest that fits, once")
    check: str = Field(default="", description="scheme of the check digit, see below; an identifier that fails is held")


class Device(Identified):
    """The monitor: a column or a fixed value, with its identifier system."""

    change_seconds: int = Field(
        default=60,
        ge=0,
        le=86_400,
        description="two patients on one device closer together than this are told (patients-close-together); 0: never",
    )


def parties(mapping: Mapping) -> tuple[tuple[str, Identified], ...]:
    """The four tables by name, in the order of the model."""
    return (
        ("device", mapping.device),
        ("operator", mapping.operator),
        ("location", mapping.location),
        ("encounter", mapping.encounter),
    )


def check(mapping: Mapping, problems: Problems) -> None:
    """Note what is wrong with them."""
    for name, party in parties(mapping):
        check_uri(party.system, (name, "system"), problems)
        check_cell(party, (name,), problems, fixed=party.fixed)
        if party.column is not None and party.fixed is not None:
            problems.add((name, "fixed"), "there is a column and a fixed value", "Keep the one that is right")
        elif party.column is None and party.fixed is None and problems.known((name,)) and (name,) in problems.places:
            problems.add(
                (name,),
                f"the table says nothing about where the {name} stands",
                'Add column = "..." or fixed = "...", or take the table out',
            )
        elif party.fixed is not None and not party.fixed.strip():
            problems.add((name, "fixed"), "the value is blank", "Write the identifier or take the key out")
