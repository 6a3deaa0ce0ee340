"""What the model of a mapping allows where: keys, types and numbers, for the sentences about mistakes."""

from __future__ import annotations

import types
from collections.abc import Iterator, Sequence
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from gateway.mapping.model import Mapping
from gateway.mapping.places import Path

TOP = tuple(Mapping.model_fields)
"""The keys at the top of the file."""


def keys_at(path: Path) -> list[str]:
    """The keys the model knows in the table at a path."""
    return [name for option in types_at(path) if _is_model(option) for name in option.model_fields]


def homes(name: str) -> list[Path]:
    """The tables (without a name of their own) that have a key of this name."""
    tables: Sequence[Path] = ((), *((top,) for top in TOP), ("output", "fhir"), ("output", "oru"))
    return [table for table in tables if name in keys_at(table)]


def types_at(path: Path) -> list[Any]:
    """The types the model allows at a path."""
    return _look(path)[0]


def field_at(path: Path) -> FieldInfo | None:
    """What the model says of the key at a path."""
    return _look(path)[1]


def _look(path: Path) -> tuple[list[Any], FieldInfo | None]:
    options: list[Any] = [Mapping]
    field: FieldInfo | None = None
    for part in path:
        following: list[Any] = []
        for option in options:
            origin = get_origin(option)
            if isinstance(option, type) and issubclass(option, BaseModel):
                field = option.model_fields.get(str(part), field)
                if part in option.model_fields:
                    following += _members(option.model_fields[str(part)].annotation)
            elif origin is dict:
                following += _members(get_args(option)[1])
            elif origin in (list, tuple):
                following += _members(get_args(option)[0])
        options = following
    return options, field


def _members(annotation: Any) -> Iterator[Any]:
    """The single types an annotation allows."""
    origin = get_origin(annotation)
    if origin is Annotated:
        yield from _members(get_args(annotation)[0])
    elif origin is Union or origin is types.UnionType:
        for choice in get_args(annotation):
            yield from _members(choice)
    elif annotation is not type(None):
        yield annotation


def type_word(option: Any) -> str:
    """A type as people call it."""
    if _is_model(option) or get_origin(option) is dict:
        return "a table"
    return "a list" if get_origin(option) is list else "a text"


def _is_model(option: Any) -> bool:
    return isinstance(option, type) and issubclass(option, BaseModel)
