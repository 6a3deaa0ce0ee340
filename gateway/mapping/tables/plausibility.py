"""The table [plausibility]: which limits apply."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Annotated

from pydantic import BeforeValidator, Field, WithJsonSchema

from gateway import vocabulary
from gateway.mapping.places import Path
from gateway.mapping.problems import Problems, meant, quoted
from gateway.mapping.table import Table, Text
from gateway.mapping.tables.category import Category
from gateway.mapping.tables.vitals import meant_key

if TYPE_CHECKING:
    from gateway.mapping.model import Mapping


def _number(value: object) -> object:
    """TOML writes 40 and 40.5 as different types; both are exact here, and a text is no number."""
    return Decimal(value) if type(value) is int else value


Limit = Annotated[Decimal, BeforeValidator(_number), WithJsonSchema({"type": "number"})]


class Band(Table):
    """Limits in the unit of the vocabulary's plausibility table; a value outside hold is held, outside flag unusual."""

    hold: tuple[Limit, Limit] | None = Field(default=None, strict=False, description="low and high; outside: held")
    flag: tuple[Limit, Limit] | None = Field(default=None, strict=False, description="low and high; outside: unusual")


class Plausibility(Table):
    """Which limits apply; every limit needs clinical sign-off before use on real patients."""

    profile: Text = Field(default="proposal", description="name of a limit table in the vocabulary")
    limits: dict[Category, dict[str, Band]] = Field(default={}, description="overrides by category and vital")


def check(mapping: Mapping, problems: Problems) -> None:
    """Note what is wrong with the table."""
    plausibility = mapping.plausibility
    if plausibility.profile not in vocabulary.profiles():
        problems.add(
            ("plausibility", "profile"),
            f"there is no table of limits named {quoted(plausibility.profile)}",
            meant(plausibility.profile, vocabulary.profiles()),
        )
    known = vocabulary.vitals()
    for category, bands in plausibility.limits.items():
        for key, band in bands.items():
            path: Path = ("plausibility", "limits", category, key)
            if key not in known:
                problems.add(path, f"{quoted(key)} is not a vital the gateway knows", meant_key(key))
            elif known[key].kind == "coded":
                problems.add(path, f"{key} is one of a few answers and has no limits", "Take it out")
            else:
                _band(band, path, problems)


def _band(band: Band, path: Path, problems: Problems) -> None:
    if band.hold is None and band.flag is None:
        if problems.known(path):
            problems.add(path, "the limits say neither hold nor flag", "Add hold = [low, high] or flag = [low, high]")
        return
    for name, pair in (("hold", band.hold), ("flag", band.flag)):
        if pair is not None and pair[0] >= pair[1]:
            problems.add(
                (*path, name),
                f"the low limit {pair[0]} is not below the high limit {pair[1]}",
                f"Write {name} = [low, high]",
            )
            return
    if band.hold and band.flag and (band.flag[0] < band.hold[0] or band.flag[1] > band.hold[1]):
        problems.add(
            (*path, "flag"),
            "it is wider than hold, so it would never mark anything there",
            "Keep flag inside hold: values outside hold are held before they could be unusual",
        )
