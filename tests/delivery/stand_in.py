"""What stands in for a target where a test looks at delivery, and not at a wire."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import TracebackType
from typing import Literal, Self

from gateway.delivery.base import Receipt
from gateway.delivery.fhir_rest import FhirRest, FhirTarget
from gateway.delivery.wire import Answer, Wire


class StandIn:
    """The face of a target; a test adds `send`, and what it wants otherwise."""

    name: str = "lab"
    kind: Literal["fhir", "oru"] = "oru"
    park_after: int = 0
    corrections: Literal["changed", "whole"] = "changed"

    def send(self, data: bytes) -> Receipt:
        raise NotImplementedError

    def check(self) -> list[str]:
        return []

    def close(self) -> None:
        """Nothing is open."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class FhirAnsweredBy(FhirRest):
    """The gateway's FHIR client with a model of a server at the other end of its wire: all else is as it is there.

    Args:
        name: of the target.
        answer: answers a body; raises `WireError` where there is no answer.
    """

    def __init__(self, name: str, answer: Callable[[bytes], Answer]) -> None:
        super().__init__(name, FhirTarget(url="http://127.0.0.1:9", attempts=1))
        self._wire = _WireTo(answer)


class _WireTo(Wire):
    """A wire whose other end is a function."""

    def __init__(self, answer: Callable[[bytes], Answer]) -> None:
        self._answer = answer

    def close(self) -> None:
        """There is nothing to be closed."""

    def post(self, url: str, content: bytes, headers: Mapping[str, str]) -> Answer:
        """Ask the model."""
        return self._answer(content)
