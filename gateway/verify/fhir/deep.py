"""The slow reading of a sample, by a general-purpose library."""

from __future__ import annotations

from collections.abc import Iterable

from gateway.verify.fhir.text import UnreadableError, parse


def deep_fhir(data: bytes) -> str:
    """Read one resource with fhir.resources (R4B classes, the nearest it has to R4); slow, for samples.

    Returns:
        "" when it reads, else the places and kinds of error, without any value.
    """
    from fhir.resources.R4B import get_fhir_model_class
    from pydantic import ValidationError

    try:
        kind = parse(data).get("resourceType")
    except UnreadableError as error:
        return str(error)
    if kind not in ("Observation", "Device", "Provenance", "Bundle"):
        return "resourceType is not Observation, Device, Provenance or Bundle"
    try:
        get_fhir_model_class(kind).model_validate_json(data)
    except ValidationError as error:
        faults = error.errors(include_url=False, include_context=False, include_input=False)
        return "; ".join(f"{_place(fault['loc'])}: {fault['type']}" for fault in faults[:5])
    return ""


def _place(steps: Iterable[int | str]) -> str:
    """A place inside a resource; what does not look like an element name is not repeated."""
    return ".".join(str(step) if isinstance(step, int) or step.isidentifier() else "?" for step in steps)
